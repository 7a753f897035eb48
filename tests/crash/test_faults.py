"""Disks, files and locks that stand in the way: a clear error, no receipt for what is not on disk, and all of it
recorded as soon as the fault is mended, because nothing was acknowledged.
"""

from __future__ import annotations

import json
import logging
import os
import resource
import signal
import sqlite3
import struct
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest

from tests.conftest import DATA, Mosquitto
from tests.crash.fleet import ROOT, Killable, recorder
from tests.ingest.recorder.test_recorder import T0, NodeSide, levels, pack, recording, until
from tests.ui.cli.test_main import run
from tidetray.ingest.core.readings import Reading, from_ms, to_ms
from tidetray.ingest.files.trial_file import load_trial
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.recorder.status import read_state
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store import queries
from tidetray.ingest.store.database import StoreError
from tidetray.ingest.store.recording import Store, open_store
from tidetray.ingest.wire import packs as wire

MANY = 3000
"""Messages enough to need new pages of the database."""


@pytest.fixture
def node(mosquitto: Mosquitto) -> Iterator[NodeSide]:
    side = NodeSide(mosquitto.port)
    yield side
    side.close()


def send_many(node: NodeSide, first: int, last: int) -> None:
    for seq in range(first, last + 1):
        node._client.publish("tidetray/v1/nursery/bench-1/data", pack(seq), qos=1)


def start(process: Killable) -> None:
    """Until it is connected: before that the broker keeps nothing for it."""
    before = len(process.said.read_text()) if process.said.exists() else 0
    process.start()
    until(lambda: "connected to" in process.said.read_text()[before:])


def on_disk(path: str) -> int:
    """Up to which message all readings are on disk, as another process sees it: not by the numbers the recorder noted.

    Where the page to which readings are appended is damaged nobody can read them: the first was there before.
    """
    with open_store(path, read_only=True) as store:
        try:
            rows = [each for key in queries.all_series(store) for each in store.raw.rows(key.id)["time_ms"].tolist()]
        except sqlite3.DatabaseError:
            return 1
    there = {(time_ms - to_ms(T0)) // 10_000 for time_ms in rows}
    return next(number for number in range(MANY + 2) if number + 1 not in there)


def in_the_way(  # noqa: PLR0917
    store: Store,
    mosquitto: Mosquitto,
    node: NodeSide,
    caplog: pytest.LogCaptureFixture,
    spoil: Callable[[sqlite3.Connection], None],
    mend: Callable[[sqlite3.Connection], None],
    words: str,
) -> None:
    """Spoil, send, see that nothing is receipted that is not on disk and that it is said; mend; all is there."""
    home = Path(store.path).parent
    with recording(store.path, mosquitto.port) as recorder:
        node.send(pack(1))
        until(lambda: node.upto() == 1)
        spoil(recorder._store.connection)
        send_many(node, 2, MANY)
        until(lambda: recorder.totals.store_failures >= 2)
        until(lambda: (state := read_state(home)) is not None and state.failures_in_a_row > 0)
        state = read_state(home)
        assert state is not None
        assert state.sentence.startswith("cannot write to the disk")
        assert not recorder.is_well()
        assert node.upto() < MANY
        assert node.upto() <= on_disk(store.path)
        assert recorder.state().lag_s > 0
        mend(recorder._store.connection)
        until(lambda: node.upto() == MANY)
        until(recorder.is_well)
    said = [record.getMessage() for record in caplog.records if record.levelno >= logging.ERROR]
    assert any(words in each and store.path in each for each in said)
    assert len(said) < 20, "one line for each try, and fewer and fewer tries"
    assert not [record for record in caplog.records if record.exc_info]
    assert sorted(levels(store.path)) == sorted(seq % 500 / 1000 for seq in range(1, MANY + 1))


def test_a_full_database(
    mosquitto: Mosquitto, node: NodeSide, bench_store: Store, caplog: pytest.LogCaptureFixture
) -> None:
    def fill(connection: sqlite3.Connection) -> None:
        (pages,) = connection.execute("PRAGMA page_count").fetchone()
        connection.execute(f"PRAGMA max_page_count = {pages}")

    def make_room(connection: sqlite3.Connection) -> None:
        connection.execute("PRAGMA max_page_count = 1000000")

    in_the_way(bench_store, mosquitto, node, caplog, fill, make_room, "the disk is full: make room")


def test_a_record_that_became_read_only(
    mosquitto: Mosquitto, node: NodeSide, bench_store: Store, caplog: pytest.LogCaptureFixture
) -> None:
    in_the_way(
        bench_store,
        mosquitto,
        node,
        caplog,
        lambda connection: [connection.execute("PRAGMA query_only = ON")],
        lambda connection: [connection.execute("PRAGMA query_only = OFF")],
        "it may be read only: check the rights",
    )


def test_a_record_that_another_program_holds(
    mosquitto: Mosquitto, node: NodeSide, bench_store: Store, caplog: pytest.LogCaptureFixture
) -> None:
    with closing(sqlite3.connect(bench_store.path, isolation_level=None, check_same_thread=False)) as other:

        def hold(connection: sqlite3.Connection) -> None:
            connection.execute("PRAGMA busy_timeout = 100")
            other.execute("BEGIN IMMEDIATE")

        in_the_way(
            bench_store,
            mosquitto,
            node,
            caplog,
            hold,
            lambda _connection: [other.execute("ROLLBACK")],
            "another program holds it: end that program",
        )


def test_a_damaged_page(
    mosquitto: Mosquitto, node: NodeSide, bench_store: Store, caplog: pytest.LogCaptureFixture
) -> None:
    """The page at which readings are added is overwritten while the recorder is at work, and put back from a copy."""
    page_bytes = 4096
    path = Path(bench_store.path)
    kept: list[bytes] = []

    def page_of_the_tail(connection: sqlite3.Connection) -> int:
        (page,) = connection.execute("SELECT rootpage FROM sqlite_schema WHERE name = 'tail'").fetchone()
        return int(page)

    def emptied_log(connection: sqlite3.Connection) -> bool:
        """False while the recorder, whose connection it is, reads something."""
        try:
            connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode != sqlite3.SQLITE_LOCKED:
                raise
            return False
        return True

    def write(connection: sqlite3.Connection, content: bytes) -> None:
        until(lambda: emptied_log(connection))
        with path.open("r+b") as file:
            file.seek((page_of_the_tail(connection) - 1) * page_bytes)
            kept.append(file.read(page_bytes))
            file.seek(-page_bytes, os.SEEK_CUR)
            file.write(content)
        with open_store(path) as another:  # so that the recorder reads the page again
            another.connection.execute("INSERT OR REPLACE INTO alarm_mark SELECT * FROM alarm_mark")
            another.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")

    in_the_way(
        bench_store,
        mosquitto,
        node,
        caplog,
        lambda connection: write(connection, b"\xa5" * page_bytes),
        lambda connection: write(connection, kept[0]),
        "it is damaged: stop the recorder and put a copy",
    )


def test_a_damaged_page_of_old_readings_stops_no_recorder_from_starting(
    mosquitto: Mosquitto, node: NodeSide, bench_store: Store
) -> None:
    """Alarms look back over it and cannot; what comes is recorded all the same, and the check names the damage."""
    path, now_ms = Path(bench_store.path), time.time_ns() // 1_000_000
    marked = 0.0123456789

    def measured(seq: int) -> bytes:
        value = marked if seq == 100 else seq % 500 / 1000
        reading = Reading("tray-1", "level", now_ms - (MANY - seq) * 10_000, value)
        return wire.encode_pack([reading], boot="a1", seq=seq)

    topic = "tidetray/v1/nursery/bench-1/data"
    received_at = from_ms(now_ms)
    before = [(wire.decode(topic, measured(seq), received_at), topic, measured(seq)) for seq in range(1, MANY + 1)]
    bench_store.record(before)
    bench_store.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    bench_store.close()
    content = bytearray(path.read_bytes())
    # the last place: the least of an hour stands in the table of hours too, which began before
    page = content.rindex(struct.pack(">d", marked)) // 4096
    content[4096 * page : 4096 * (page + 1)] = b"\xa5" * 4096
    path.write_bytes(content)
    process = recorder(path.parent, mosquitto.port)
    start(process)
    try:
        node.send(measured(MANY + 1))
        until(lambda: node.upto() == MANY + 1)
        until(lambda: (state := read_state(path.parent)) is not None and state.failures_in_a_row > 0)
        node.send(measured(MANY + 2))
        until(lambda: node.upto() == MANY + 2)
        assert process.stop() == 0
    finally:
        process.kill()
    assert "Traceback" not in process.said.read_text()
    assert "Restore the last backup" in run("check", "--home", path.parent, expect=1)


def test_a_spoilt_write_ahead_log_loses_nothing_silently(
    mosquitto: Mosquitto, node: NodeSide, bench_store: Store
) -> None:
    """What SQLite had not yet moved out of its log is gone when the log is spoilt: receipted messages, as by a failing
    card. No software can bring them back; the numbers say exactly how many."""
    home = Path(bench_store.path).parent
    bench_store.close()
    process = recorder(home, mosquitto.port)
    start(process)
    try:
        node.send(pack(1))
        until(lambda: node.upto() == 1)
        for seq in range(2, 51):
            node.send(pack(seq))
        until(lambda: node.upto() == 50)
        process.kill()
        log = Path(f"{bench_store.path}-wal")
        with log.open("r+b") as file:
            file.seek(log.stat().st_size // 2)
            file.write(b"\xa5" * 64)
        start(process)
        until(lambda: on_disk(bench_store.path) < 50)
        before = on_disk(bench_store.path)
        # the node holds none of them any more
        node.send(
            json.dumps(
                [
                    {"n": "boot", "vs": "a1"},
                    {"n": "seq", "v": 51},
                    {"n": "oldest", "v": 51},
                    {"n": "tray-1/level", "u": "m", "v": 0.01, "t": -1},
                ]
            ).encode()
        )
        until(lambda: on_disk(bench_store.path) == 51 or _gone(bench_store.path) > 0)
    finally:
        process.kill()
    assert before < 50
    assert _gone(bench_store.path) == 50 - before
    assert "Traceback" not in process.said.read_text()


def _gone(path: str) -> int:
    with open_store(path, read_only=True) as store:
        return sum(node.gone for node in queries.nodes(store, "nursery"))


# -------------------------------------------------------------------- a real disk that is full


@contextmanager
def small_disk(folder: Path, size: str) -> Iterator[None]:
    folder.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(folder)], capture_output=True, check=False
    )
    if mounted.returncode:
        pytest.skip("a small disk cannot be mounted here; the test of a file that may not grow stands in for it")
    try:
        yield
    finally:
        subprocess.run(["umount", str(folder)], check=True)


def make_home(home: Path) -> str:
    with open_store(home / RECORD_FILE) as store:
        Notebook(store).add_trial(load_trial(DATA / "trial.toml"))
    return str(home / RECORD_FILE)


def out_and_back(
    process: Killable, home: Path, node: NodeSide, spoil: Callable[[], None], mend: Callable[[], None]
) -> None:
    path = str(home / RECORD_FILE)
    start(process)
    try:
        node.send(pack(1))
        until(lambda: node.upto() == 1)
        spoil()
        send_many(node, 2, MANY)
        until(lambda: "cannot record" in process.said.read_text())
        until(lambda: (state := read_state(home)) is not None and state.failures_in_a_row > 0)
        shown = json.loads(run("status", "--home", home, "--json"))["recorder"]
        assert shown["failures_in_a_row"] > 0
        assert "FIX   recorder: recording: cannot write to the disk" in run(
            "check", "--recorder", "--home", home, expect=1
        )
        assert node.upto() < MANY
        assert node.upto() <= on_disk(path)
        mend()
        until(lambda: node.upto() == MANY)
        assert process.stop() == 0
    finally:
        process.kill()
    said = process.said.read_text()
    assert "Traceback" not in said
    assert "full" in said
    assert sorted(levels(path)) == sorted(seq % 500 / 1000 for seq in range(1, MANY + 1))


def test_a_full_disk(mosquitto: Mosquitto, node: NodeSide, tmp_path: Path) -> None:
    home = tmp_path / "small"
    with small_disk(home, "3m"):
        make_home(home)
        process = recorder(home, mosquitto.port)
        process.said = tmp_path / "said.log"
        ballast = home / "ballast"

        def fill() -> None:
            with ballast.open("wb", buffering=0) as file:
                for piece in (65536, 4096):
                    try:
                        while True:
                            file.write(b"\0" * piece)
                    except OSError:
                        continue

        out_and_back(process, home, node, fill, ballast.unlink)


def test_a_file_that_may_not_grow(mosquitto: Mosquitto, node: NodeSide, tmp_path: Path) -> None:
    """A limit of the operating system, set on the running recorder and taken away again: what a quota does."""
    home = tmp_path / "home"
    make_home(home)
    process = recorder(home, mosquitto.port)
    process.said = tmp_path / "said.log"

    def limit(size: int) -> None:
        assert process.process is not None
        resource.prlimit(process.process.pid, resource.RLIMIT_FSIZE, (size, resource.RLIM_INFINITY))

    out_and_back(
        process, home, node, lambda: limit(64 * 1024), lambda: limit(resource.RLIM_INFINITY)
    )  # smaller than the record's log: SQLite is refused in the midst of a write


def test_a_home_that_is_read_only_or_no_database_is_said_at_the_start(tmp_path: Path) -> None:
    home = tmp_path / "read-only"
    with small_disk(home, "8m"):
        make_home(home)
        subprocess.run(["mount", "-o", "remount,ro", str(home)], check=True)
        done = subprocess.run(
            [sys.executable, "-m", "tidetray", "record", "--home", str(home)],
            cwd=ROOT,
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )
    assert done.returncode != 0
    assert "Traceback" not in done.stderr
    assert "cannot write into the home: " in done.stderr
    assert "Check the disk and the rights" in done.stderr


def test_what_is_no_database_is_said_with_how_to_mend_it(tmp_path: Path) -> None:
    path = tmp_path / RECORD_FILE
    path.write_bytes(b"no database " * 1000)
    with pytest.raises(
        StoreError, match=r"cannot open the record: file is not a database.*It is damaged: stop the rec"
    ):
        open_store(path)


def test_the_disk_may_fail_for_longer_than_the_service_manager_waits(
    mosquitto: Mosquitto, node: NodeSide, bench_store: Store
) -> None:
    """A stop in the midst of it ends the recorder, acknowledges nothing, and loses nothing."""
    home = Path(bench_store.path).parent
    with closing(sqlite3.connect(bench_store.path, isolation_level=None)) as other:
        process = recorder(home, mosquitto.port)
        start(process)
        try:
            node.send(pack(1))
            until(lambda: node.upto() == 1)
            other.execute("CREATE TRIGGER full BEFORE INSERT ON tail BEGIN SELECT raise(ABORT, 'disk full'); END")
            send_many(node, 2, 100)
            until(lambda: "cannot record" in process.said.read_text())
            assert process.process is not None
            process.process.send_signal(signal.SIGTERM)
            began = time.monotonic()
            assert process.process.wait(25) == 0
            assert time.monotonic() - began < 20
            assert node.upto() == 1
            other.execute("DROP TRIGGER full")
            start(process)
            until(lambda: node.upto() == 100)
        finally:
            process.kill()
    assert len(levels(bench_store.path)) == 100
