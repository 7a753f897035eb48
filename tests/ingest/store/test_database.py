"""What a person can do about a failure of the database."""

from __future__ import annotations

import sqlite3

import pytest

from tidetray.ingest.store.database import how_to_mend


@pytest.mark.parametrize(
    ("code", "mend"),
    [
        (sqlite3.SQLITE_FULL, "the disk is full: make room"),
        (sqlite3.SQLITE_IOERR, "the disk fails or is full: check it"),
        (sqlite3.SQLITE_IOERR_WRITE, "the disk fails or is full: check it"),
        (sqlite3.SQLITE_BUSY_SNAPSHOT, "another program holds it: end that program"),
        (sqlite3.SQLITE_MISUSE, "check the disk and the rights"),
    ],
)
def test_what_to_do_follows_from_the_kind_of_a_failure_whatever_its_detail(code: int, mend: str) -> None:
    error = sqlite3.OperationalError("made up")
    error.sqlite_errorcode = code
    assert how_to_mend(error) == mend
