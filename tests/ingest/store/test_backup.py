"""A copy made while recording holds all that was receipted before, and is a record to go on with."""

from __future__ import annotations

import subprocess
import threading
from datetime import UTC, datetime
from pathlib import Path

import pytest

from tests.conftest import DATA, Mosquitto
from tests.ingest.recorder.test_recorder import NodeSide, levels, pack, recording, until
from tests.test_readme import block, with_command
from tidetray.ingest.files.trial_file import load_trial
from tidetray.ingest.home.accounts import People
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store import queries
from tidetray.ingest.store.backup import back_up
from tidetray.ingest.store.database import StoreError
from tidetray.ingest.store.recording import Store, open_store


def test_a_backup_taken_while_recording_is_restored_and_gone_on_with(mosquitto: Mosquitto, tmp_path: Path) -> None:
    home = tmp_path / "trials"
    with open_store(home / RECORD_FILE) as store:
        Notebook(store).add_trial(load_trial(DATA / "trial.toml"))
    (home / "tidetray.toml").write_text(f"[broker]\nport = {mosquitto.port}\n")
    node = NodeSide(mosquitto.port)
    stop = threading.Event()
    sent = 0

    def stream() -> None:
        nonlocal sent
        while not stop.is_set():
            node.send(pack(sent + 1))
            sent += 1

    sender = threading.Thread(target=stream)
    with recording(str(home / RECORD_FILE), mosquitto.port) as recorder:
        sender.start()
        try:
            until(lambda: node.upto() > 100)
            receipted = node.upto()
            subprocess.run(
                ["bash", "-euc", block("<!-- backup and restore -->")],
                cwd=tmp_path,
                env=with_command(tmp_path),
                check=True,
                capture_output=True,
                timeout=120,
            )
            running_on = recorder.totals.readings
            until(lambda: recorder.totals.readings > running_on)  # the copy did not stop the recorder
        finally:
            stop.set()
            sender.join()
        until(lambda: node.upto() == sent)
    restored = str(tmp_path / "restored" / RECORD_FILE)
    copied = len(levels(restored))
    assert receipted <= copied < sent
    assert levels(restored) == [seq % 500 / 1000 for seq in range(1, copied + 1)]
    # A node of which the journal still holds everything: the restored record takes what it lacks, and only that.
    with recording(restored, mosquitto.port) as recorder:
        for seq in range(1, sent + 1):
            node._client.publish("tidetray/v1/nursery/bench-1/data", pack(seq), qos=1)
        until(lambda: recorder.totals.messages + recorder.totals.doubled == sent)
    node.close()
    assert recorder.totals.readings == sent - copied
    assert levels(restored) == levels(str(home / RECORD_FILE))


def test_accounts_are_copied_on_request_and_restored_as_told(tmp_path: Path) -> None:
    home, password = tmp_path / "trials", "seven wet pots"
    open_store(home / RECORD_FILE).close()
    People(home).add("Robin", password, "manage", by="", now=datetime.now(UTC))
    told = subprocess.run(
        ["bash", "-euc", block("<!-- backup and restore accounts -->")],
        cwd=tmp_path,
        env=with_command(tmp_path),
        check=True,
        capture_output=True,
        text=True,
        timeout=120,
    ).stdout
    assert "one account copied to record-2026-06-02.people.sqlite" in told
    assert "Robin: manage" in told
    assert People(tmp_path / "restored-2").sign_in("Robin", password, now=datetime.now(UTC))


def test_the_copy_is_one_file_and_says_what_is_in_it(bench_store: Store, tmp_path: Path) -> None:
    made = back_up(Path(bench_store.path), tmp_path / "c.sqlite")
    assert (made.readings, made.weigh_ins) == (0, 0)
    assert sorted(path.name for path in tmp_path.iterdir() if path.is_file()) == ["c.sqlite"]
    with open_store(made.path, read_only=True) as copy:
        assert [trial.name for trial in Notebook(copy).trials()]
        assert queries.nodes(copy, "nursery") == []


def test_no_file_is_overwritten(bench_store: Store, tmp_path: Path) -> None:
    there = tmp_path / "there.sqlite"
    there.write_text("dear")
    with pytest.raises(StoreError, match=r"there is such a file already. Give the backup another name"):
        back_up(Path(bench_store.path), there)
    assert there.read_text() == "dear"


def test_no_folder_no_copy(bench_store: Store, tmp_path: Path) -> None:
    with pytest.raises(StoreError, match=r"the backup failed: unable to open database file. Check room and rights"):
        back_up(Path(bench_store.path), tmp_path / "none" / "copy.sqlite")


def test_a_damaged_record_is_said_and_no_copy_stays(bench_store: Store, tmp_path: Path) -> None:
    path = Path(bench_store.path)
    bench_store.connection.execute("CREATE TABLE filler (text TEXT)")
    bench_store.connection.execute("INSERT INTO filler SELECT randomblob(20000) FROM tray")
    bench_store.connection.execute("CREATE INDEX filler_index ON filler (text)")
    bench_store.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    (page,) = bench_store.connection.execute(
        "SELECT rootpage FROM sqlite_schema WHERE name = 'filler_index'"
    ).fetchone()
    bench_store.close()
    damaged = bytearray(path.read_bytes())
    damaged[(page - 1) * 4096 : (page - 1) * 4096 + 200] = b"\xff" * 200
    path.write_bytes(damaged)
    with pytest.raises(StoreError, match=r"the copy is not sound|the backup failed: database disk image is malformed"):
        back_up(path, tmp_path / "copy.sqlite")
    assert not list(tmp_path.glob("copy*"))


def test_a_record_whose_rows_hang_in_the_air_is_not_called_sound(bench_store: Store, tmp_path: Path) -> None:
    bench_store.connection.execute("PRAGMA foreign_keys=OFF")
    bench_store.connection.execute("DELETE FROM trial")
    with pytest.raises(StoreError, match=r"the copy is not sound: a row of .* belongs to nothing"):
        back_up(Path(bench_store.path), tmp_path / "copy.sqlite")
    assert not list(tmp_path.glob("copy*"))
