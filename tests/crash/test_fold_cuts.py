"""Killed at any step of folding its tail, a record gives every reading once, and goes on to the same end."""

from __future__ import annotations

import shutil
import sqlite3
from collections import Counter
from contextlib import closing
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from tests.conftest import DATA
from tests.crash.cut_fold import MEANWHILE
from tests.crash.steps import in_a_process
from tests.ingest.store.test_tail import CHANNELS, T0, give
from tidetray.ingest.files.trial_file import load_trial
from tidetray.ingest.influx.queue import set_forwarding
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.settings.model import RECORD_FILE, InfluxSettings
from tidetray.ingest.store import queries
from tidetray.ingest.store.database import Database
from tidetray.ingest.store.recording import Store, open_store
from tidetray.ingest.store.schema import MIGRATIONS


def prepare(store: Store) -> None:
    """Four hours of three channels, of which the first are in the table, and all is passed on."""
    for seq, at in enumerate(range(0, 240, 10), start=1):
        give(store, [(channel, at, float(at % 3)) for channel in CHANNELS], seq=seq)
        if at == 80:
            store.fold()
            set_forwarding(store, InfluxSettings(url="http://127.0.0.1:1", org="o", bucket="b", token_file="t"))


def everything(store: Store) -> dict[str, Any]:
    """What readers are told, as plain values; of what is queued, without its order."""
    series = {key.channel: key.id for key in queries.all_series(store)}
    (node,) = queries.nodes(store, "nursery")
    return {
        "rows": {channel: store.raw.rows(number).tolist() for channel, number in series.items()},
        "last": queries.last_times_ms(store),
        "count": store.raw.count(),
        "node": (node.boot, node.missing, node.last_message, [each.upto for each in node.boots]),
        "counts": queries.counters(store),
        "due": sorted(store.connection.execute("SELECT * FROM cycles_due").fetchall()),
        "queued": Counter(store.connection.execute("SELECT series, time_ms, value FROM forward_queue").fetchall()),
        "hours queued": set(store.connection.execute("SELECT series, hour FROM forward_hour").fetchall()),
    }


def hours(store: Store) -> pd.DataFrame:
    return pd.concat([queries.hourly(store, "nursery", channel) for channel in CHANNELS], ignore_index=True)


def cut(what: str, home: Path, folder: Path) -> tuple[Path, int]:
    """Where the homes lie that were killed at each step, and how many there are."""
    work = folder / "cut"
    work.mkdir()
    return work, in_a_process("cut_fold.py", what, home, work)


def test_killed_at_any_step_nothing_is_lost_and_nothing_comes_twice(bench_store: Store, tmp_path: Path) -> None:
    prepare(bench_store)
    home = Path(bench_store.path).parent
    bench_store.close()
    # what may stand after a kill: without the messages that came meanwhile, with one, with both
    stages: list[dict[str, Any]] = []
    with open_store(home / RECORD_FILE) as store:
        assert store.raw.tail.count() > 40
        stages.append(everything(store))
    whole = tmp_path / "whole"
    shutil.copytree(home, whole)
    with open_store(whole / RECORD_FILE) as store:
        for number, rows in enumerate(MEANWHILE, start=100):
            give(store, rows, seq=number)
            stages.append(everything(store))
        in_the_end = hours(store)
        assert in_the_end["n"].sum() == 24 * 3 + 4
        store.fold()
        assert everything(store) == stages[-1]

    work, steps = cut("fold", home, tmp_path)
    assert steps > 60
    seen: Counter[int] = Counter()
    half = 0
    for k in range(1, steps + 1):
        with open_store(work / str(k) / "home" / RECORD_FILE) as store:
            store.connection.execute("PRAGMA synchronous=OFF")
            with open_store(store.path, read_only=True) as reader:
                found = everything(reader)
            stage = stages.index(found)
            seen[stage] += 1
            half += store.connection.execute("SELECT count(*) FROM tail_folded").fetchone()[0] > 0
            for number, rows in enumerate(MEANWHILE, start=100):
                give(store, rows, seq=number)  # as the node does, which has no receipt for the last of them, or lost it
            after = everything(store)
            assert [after[name] for name in ("rows", "last", "count", "due", "queued", "hours queued")] == [
                stages[-1][name] for name in ("rows", "last", "count", "due", "queued", "hours queued")
            ], k
            assert after["counts"]["readings"] == stages[-1]["counts"]["readings"], k
            for _ in range(2):  # before the rest is folded, and after
                pd.testing.assert_frame_equal(hours(store), in_the_end, rtol=1e-12)
                store.fold()
            assert store.connection.execute("SELECT count(*) FROM tail").fetchone() == (0,)
            assert store.connection.execute("SELECT count(*) FROM reading").fetchone() == (24 * 3 + 4,)
            assert store.connection.execute("SELECT folding FROM tail_state").fetchone() == (0,)
    assert min(seen[0], seen[1], seen[2], half) > 5, (seen, half)


def test_killed_while_a_home_of_before_is_brought_up_to_date(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It is as it was, or as it will be; readings go to InfluxDB from then on as before."""
    home, names = tmp_path / "home", [name for name, _ in MIGRATIONS]
    with monkeypatch.context() as older:
        older.setattr("tidetray.ingest.store.database.MIGRATIONS", MIGRATIONS[: names.index("tail")])
        with Database.open(home / RECORD_FILE) as store:
            execute = store.connection.execute
            execute("INSERT INTO series VALUES (1, 'nursery', 'bench-1', 'tray-1', 'level')")
            execute("INSERT INTO reading VALUES (1, ?, 0.01, 0)", (T0,))
            execute("INSERT INTO hourly VALUES (1, ?, 1, 0.01, 0.01, 0.01, 0, 0, NULL)", (T0 // 3_600_000,))
            execute("INSERT INTO counter VALUES ('readings', 1)")
            execute("INSERT INTO forwarding VALUES (1, 'somewhere', 1, 0, 0, 0, 0)")
    work, steps = cut("migrate", home, tmp_path)
    assert steps > 10
    unmigrated = 0
    for k in range(1, steps + 1):
        with closing(sqlite3.connect(work / str(k) / "home" / RECORD_FILE)) as plain:
            tables = {name for (name,) in plain.execute("SELECT name FROM sqlite_schema").fetchall()}
            assert {"tail", "tail_folded", "tail_state"} <= tables or not {"tail", "tail_folded", "tail_state"} & tables
            assert {"reading_to_forward", "hour_to_forward", "changed_hour_to_forward"} <= tables, k
            unmigrated += "tail" not in tables
        with open_store(work / str(k) / "home" / RECORD_FILE) as store:
            store.connection.execute("PRAGMA synchronous=OFF")
            Notebook(store).add_trial(load_trial(DATA / "trial.toml"))
            give(store, [("level", 5, 0.02)], seq=1)  # waits in the tail
            give(store, [("level", 3, 0.03)], seq=2)  # goes into the table
            store.fold()
            assert store.raw.rows(1)["value"].tolist() == [0.01, 0.03, 0.02], k
            queued = store.connection.execute("SELECT value FROM forward_queue ORDER BY id").fetchall()
            assert queued == [(0.02,), (0.03,)], k
            assert queries.counters(store)["readings"] == 3, k
    assert 5 < unmigrated <= steps
