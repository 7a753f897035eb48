"""How columns are shown: worked by hand, then for any number, then on the tables of the commands."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.ui.cli.test_main import home, run
from tidetray.ui import columns as held
from tidetray.ui.columns import COLUMNS, Column, as_csv, columns, number, text, texts
from tidetray.ui.parts.tables import scaled

__all__ = ["home"]

P = Column("p", 4)


@pytest.mark.parametrize(
    ("value", "column", "said"),
    [
        (0.05, COLUMNS["rgr_per_day"], "5.00"),
        (-0.0123, COLUMNS["rgr_per_day"], "−1.23"),
        (0.000012, P, "< 0.0001"),
        (0.0, held.TESTS["p"], "< 0.0001"),
        (0.0, COLUMNS["unknown_h"], "0.0"),
        (-0.00001, P, "> −0.0001"),
        (0.0004, COLUMNS["level_m"], "< 1"),
        (0.2, COLUMNS["unknown_share"], "20.0"),
        (0.9999, COLUMNS["power"], "> 99"),
        (0.99, COLUMNS["power"], "99"),
        (1234.5678, COLUMNS["value"], "1235"),
        (300, COLUMNS["wet_s"], "5.0"),
    ],
)
def test_numbers_as_people_read_them(value: float, column: Column, said: str) -> None:
    assert number(value, column) == said


@pytest.mark.parametrize("nothing", [None, np.nan, pd.NaT, pd.NA])
def test_what_is_not_known_is_a_dash(nothing: object) -> None:
    assert text(nothing, COLUMNS["net_g"]) == "–"


def test_times_are_those_of_the_zone_and_truths_are_words() -> None:
    at = datetime(2026, 7, 1, 22, 30, tzinfo=UTC)
    assert text(pd.Timestamp(at), COLUMNS["start"], "Europe/Berlin") == "2026-07-02 00:30"
    assert [text(each, COLUMNS["blotted"]) for each in (True, np.bool_(False))] == ["yes", "no"]
    assert text(7, COLUMNS["number"]) == "7"


@given(st.floats(allow_nan=False, allow_infinity=False, width=32), st.sampled_from(sorted(COLUMNS)))
def test_no_number_but_zero_is_written_as_zero(value: float, name: str) -> None:
    said = number(value, COLUMNS[name])
    if value * COLUMNS[name].factor:
        assert not re.fullmatch(r"-?0(\.0+)?", said)
    assert "-" not in re.sub(r"e-", "e", said)  # a true minus


def test_a_heading_is_said_once() -> None:
    """In a table of its own an estimate means its own; what `COLUMNS` names is never named otherwise there."""
    own = {name: table for name, table in vars(held).items() if name.isupper() and isinstance(table, dict)}
    assert {"MEANS", "EFFECTS", "CONDITIONS"} <= set(own)
    allowed = {("SPLIT", "tray"), ("SPLIT", "place"), ("POWER", "trays"), ("POWER", "pots"), ("ALARMS", "number")}
    allowed |= {("EVENTS", "number"), ("ALARMS", "state"), ("FLAGGED", "channel")}
    for table, shown in own.items():
        for name, column in shown.items():
            if name in COLUMNS and table != "COLUMNS" and (table, name) not in allowed:
                assert column == COLUMNS[name], (table, name)


def test_a_page_shows_the_figures_of_a_command() -> None:
    table = pd.DataFrame(
        {
            "pot": ["a", "b"],
            "rgr_per_day": [0.0314, np.nan],
            "floods": [3, 0],
            "start": pd.to_datetime(["2026-06-01T10:00Z", None]),
            "blotted": [True, False],
        }
    )
    shown = columns(*table.columns)
    page = scaled(table, shown, "UTC")
    assert page["rgr_per_day"].iloc[0] == pytest.approx(3.14)
    assert page["start"].tolist()[0] == "2026-06-01 10:00"
    assert page["start"].isna().tolist() == [False, True]
    assert page["blotted"].tolist() == ["yes", "no"]
    assert texts(table, shown) == [["a", "3.14", "3", "2026-06-01 10:00", "yes"], ["b", "–", "0", "–", "no"]]


def test_a_file_for_people_holds_no_formula() -> None:
    table = pd.DataFrame({"who": ["=HYPERLINK(1)", "@me", "Kim"], "change_g": [-0.5, np.nan, 1.0]})
    assert as_csv(table) == "who,change_g\n'=HYPERLINK(1),-0.5\n'@me,\nKim,1.0\n"


TABLES = (
    ("status",),
    ("cycles",),
    ("exposure",),
    ("exposure", "--daily"),
    ("exposure", "--environment"),
    ("exposure", "--warmth"),
    ("growth",),
    ("growth", "--each"),
    ("weighings", "--trail"),
    ("events",),
)


@pytest.mark.parametrize("words", TABLES, ids=" ".join)
def test_commands_head_their_columns_in_words(home: Path, words: tuple[str, ...]) -> None:
    run("event", "lamp", "tray-1", "--lamp", "white", "--who", "me", "--why", "stronger", "--home", home)
    said = run(*words, "--home", home)
    head = next(line for line in said.splitlines() if re.match(r" *(tray|pot|entry|event|treatment)\b", line))
    assert "_" not in head
    assert not re.search(r"\b(None|nan|NaT)\b", said)
