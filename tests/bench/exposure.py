"""How long exposure, environment and places take, and how honest the answers are. Run it as a script.

Prints one line of figures last: `year_s` (exposure and environment of 40 trays × 20 pots over 365 days, weighed weekly,
from hourly summaries and cycles), `year_from_store_s` (the same from the record on disk: reading, flags and growth
with it), `raw_rate_ratio` (the same questions put to two real records of one and the same nursery: readings every 5 s
against one a minute, medians of alternating runs), `moran_s` (Moran's I of 800 pots on 40 trays with 9,999
permutations). Before it, of 500 made-up trials: how often limits hold the truth, and how often an effect is claimed
where there is none.
"""

import os
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the commands and the pages have it

import numpy as np
import pandas as pd

from tests.analysis.relations.test_positions import pots as made_up_pots
from tests.analysis.relations.test_relate import ALL, HOW
from tests.analysis.relations.test_relate import trial as made_up_trial
from tidetray.analysis.conditions.environment import environment
from tidetray.analysis.conditions.exposure import exposure
from tidetray.analysis.conditions.light import light_from_hours
from tidetray.analysis.record.trial_data import TrialData, choose_trial, open_record
from tidetray.analysis.relations.positions import positions
from tidetray.analysis.relations.relate import relate
from tidetray.analysis.stats.morans_i import morans_i
from tidetray.ingest.core.readings import Reading, Tray, from_ms
from tidetray.ingest.notebook.facts import PotPlan, TrayPlan, Treatment, Trial, TrialPlan, WeighIn
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.recorder.cycle_upkeep import Upkeep
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store.hour_blocks import make_blocks
from tidetray.ingest.store.recording import open_store
from tidetray.ingest.wire.packs import Pack
from tidetray.ingest.wire.topics import data_topic

TRAYS, POTS, DAYS = 40, 20, 365
START = pd.Timestamp("2025-01-01", tz="UTC")


def seconds(task: Callable[[], object]) -> float:
    begun = time.perf_counter()
    task()
    return time.perf_counter() - begun


def year() -> float:
    """Hourly summaries and cycles as the store gives them, made once; timed is everything from there on."""
    rng = np.random.default_rng(1)
    trays = [f"tray-{n}" for n in range(TRAYS)]
    hours = pd.date_range(START, periods=24 * DAYS, freq="h", unit="ms")
    lit = np.asarray((hours.hour >= 7) & (hours.hour < 21))

    def channel(values: np.ndarray) -> pd.DataFrame:
        return pd.DataFrame(
            {"tray": np.repeat(trays, len(hours)), "time": np.tile(hours, TRAYS), "mean": values, "covered_s": 3600.0}
        )

    n = TRAYS * len(hours)
    climate = {
        "air_temp": channel(20 + rng.normal(0, 2, n)),
        "water_temp": channel(20 + rng.normal(0, 1, n)),
        "humidity": channel(75 + rng.normal(0, 5, n)),
    }
    lamp = (
        channel(np.tile(np.where(lit, 150.0, 0.0), TRAYS))
        .rename(columns={"mean": "ppfd"})
        .assign(above_s=np.tile(3600.0 * lit, TRAYS))
    )
    floods = pd.date_range(START + pd.Timedelta(hours=1), periods=6 * DAYS, freq="4h", unit="ms")
    parts = {"flood_start": 0, "flood_reached": 60, "drain_start": 900, "dry": 1000}
    cycles = pd.concat(
        [
            pd.DataFrame({"tray": tray, **{k: floods + pd.Timedelta(seconds=s) for k, s in parts.items()}})
            for tray in trays
        ],
        ignore_index=True,
    ).assign(outcome="complete", fill_s=60.0, peak_level_m=0.03)
    names = [f"{tray}-p{n}" for tray in trays for n in range(POTS)]
    pots = pd.DataFrame(
        {"pot": names, "tray": np.repeat(trays, POTS), "row": 1, "column": np.tile(np.arange(POTS), TRAYS)}
    )
    pots["height_m"] = np.tile(np.repeat([0.0, 0.01], POTS // 2), TRAYS)
    edges = pd.date_range(START, periods=53, freq="7D", unit="ms")
    intervals = pd.DataFrame({"pot": names}).merge(pd.DataFrame({"start": edges[:-1], "end": edges[1:]}), how="cross")
    geometry = {tray: Tray(tray) for tray in trays}

    def ask() -> None:
        light = light_from_hours(lamp)
        exposure(cycles, light, intervals, pots, geometry)
        environment(cycles, light, climate, intervals, pots, trays=geometry)

    ask()
    begun = time.process_time()
    took = [seconds(ask) for _ in range(5)]
    busy = (time.process_time() - begun) / len(took)
    print(
        f"a year, {len(intervals):,} intervals of {len(names)} pots, {4 * n:,} hourly summaries: "
        f"{', '.join(f'{t:.2f}' for t in took)} s (of processor time {busy:.2f} s)"
    )
    return float(np.median(took))


def year_record(path: Path) -> None:
    """A record of a year as the recorder leaves it: hourly summaries, cycles and weekly weigh-ins of 40 trays of 20
    pots."""
    rng = np.random.default_rng(1)
    start = START.to_pydatetime()
    trays = [f"tray-{n}" for n in range(1, TRAYS + 1)]
    plan = TrialPlan(
        Trial("year", "nursery", "Europe/Lisbon", start, "Micranthemum sp.", ""),
        (Treatment("floods", "mixed", ("00:00",), 15.0),),
        tuple(TrayPlan(Tray(name, "nursery", length_m=0.36, width_m=0.24), "floods", "white LED") for name in trays),
        tuple(
            PotPlan(f"{tray}-p{n}", tray, 1 + (n - 1) // 5, 1 + (n - 1) % 5, 6.0, 0.0 if n <= POTS // 2 else 0.01)
            for tray in trays
            for n in range(1, POTS + 1)
        ),
    )
    hour = int(START.timestamp()) // 3600 + np.arange(24 * DAYS)
    lit = (np.arange(24 * DAYS) % 24 >= 7) & (np.arange(24 * DAYS) % 24 < 21)
    wave = np.sin(2 * np.pi * np.arange(24 * DAYS) / 24)
    shapes = {
        "light": (np.where(lit, 10_000.0, 0.0), np.where(lit, 3600.0, 0.0).tolist()),
        "air_temp": (20 + 2 * wave, None),
        "humidity": (75 - 5 * wave, None),
        "water_temp": (20 + wave, None),
        "level": (np.full(24 * DAYS, 0.004), None),
    }
    with open_store(path / RECORD_FILE) as store:
        notebook = Notebook(store)
        notebook.add_trial(plan)
        with store.transaction():
            db = store.connection
            for number, (tray, channel) in enumerate((t, c) for t in trays for c in shapes):
                db.execute("INSERT INTO series VALUES (?, 'nursery', ?, ?, ?)", (number, f"node-{tray}", tray, channel))
                shape, above_s = shapes[channel]
                mean = shape + np.where(shape > 0, rng.normal(0, 0.05, len(shape)), 0.0)
                rows = zip(
                    [number] * len(hour),
                    hour.tolist(),
                    [60] * len(hour),
                    mean.tolist(),
                    (mean - 0.1).clip(0).tolist(),
                    (mean + 0.1).tolist(),
                    (mean * 3600).tolist(),
                    [3600.0] * len(hour),
                    above_s or [None] * len(hour),
                    strict=True,
                )
                db.executemany("INSERT INTO hourly VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)", rows)
                edges = [(number, 3_600_000 * int(hour[0]), 0.0, 0), (number, 3_600_000 * int(hour[-1] + 1), 0.0, 0)]
                db.executemany("INSERT INTO reading VALUES (?, ?, ?, ?)", edges)
            for tray in trays:
                begun = 3_600_000 * (int(hour[0]) + 1 + 4 * np.arange(6 * DAYS, dtype=np.int64))
                db.executemany(
                    "INSERT INTO cycle VALUES ('nursery', ?, ?, ?, ?, ?, ?, 60, 1000, 100, 0.03, 'complete')",
                    [(tray, n, ms, ms + 60_000, ms + 900_000, ms + 1_000_000) for n, ms in enumerate(begun.tolist())],
                )
        rows = [
            WeighIn(pot.name, start + timedelta(days=7 * week), 1, 6.0 + 0.4 * float(np.exp(0.02 * week)), 6.0)
            for pot in plan.pots
            for week in range(53)
        ]
        notebook.add_weigh_ins("year", rows, now=start + timedelta(days=DAYS))
        make_blocks(store)


def year_from_store(folder: Path) -> float:
    """From the record on disk to exposure and environment: everything but starting Python."""
    home = folder / "year"
    home.mkdir()
    year_record(home)
    asked: dict[str, list[float]] = {}

    def ask() -> None:
        with open_record(home) as store:
            data = TrialData(store, choose_trial(store))
            for what in ("growth", "exposure", "environment"):
                begun = time.perf_counter()
                assert len(getattr(data, what).table if what == "growth" else getattr(data, what)) > 0
                asked.setdefault(what, []).append(time.perf_counter() - begun)

    begun = time.process_time()
    took = [seconds(ask) for _ in range(3)]
    busy = (time.process_time() - begun) / len(took)
    parts = ", ".join(f"{what} {np.median(s):.2f}" for what, s in asked.items())
    print(
        f"a year from the record ({(home / RECORD_FILE).stat().st_size / 1e6:.0f} MB): "
        f"{', '.join(f'{t:.2f}' for t in took)} s (of processor time {busy:.2f} s); {parts} s"
    )
    return float(np.median(took))


def record(path: Path, every_s: float, days: int = 4) -> int:
    """A real record of four trays: floods every four hours, level, light and climate every `every_s`."""
    start = datetime(2026, 6, 1, tzinfo=UTC)
    trays = [f"tray-{n}" for n in range(1, 5)]
    plan = TrialPlan(
        Trial("bench", "nursery", "Europe/Lisbon", start, "Micranthemum sp.", ""),
        (Treatment("floods", "mixed", ("00:00",), 15.0),),
        tuple(TrayPlan(Tray(name, "nursery", length_m=0.36, width_m=0.24), "floods", "white LED") for name in trays),
        tuple(PotPlan(f"{tray}-p{n}", tray, 1, n, 6.0) for tray in trays for n in range(1, 6)),
    )
    time_s = np.arange(0, days * 86_400, every_s)
    phase = (time_s - 3600) % 14_400
    level = np.where(phase < 900, np.minimum(phase / 60, 1) * 0.03, np.maximum(0.03 - (phase - 900) * 0.0003, 0.0))
    lit = ((time_s % 86_400) >= 7 * 3600) & ((time_s % 86_400) < 21 * 3600)
    wave = np.sin(2 * np.pi * time_s / 86_400)
    values = {
        "level": level,
        "light": np.where(lit, 12_000.0, 0.0),
        "air_temp": 21 + wave,
        "humidity": 75 - 3 * wave,
        "water_temp": 20 + wave / 2,
    }
    recorded = 0
    with open_store(path / RECORD_FILE) as store:
        notebook = Notebook(store)
        notebook.add_trial(plan)
        batch: list[tuple[Pack, str, bytes]] = []
        for number, first in enumerate(range(0, len(time_s), 200), start=1):
            ms = [round(1000 * (start.timestamp() + s)) for s in time_s[first : first + 200]]
            readings = [
                Reading(tray, name, at, float(v))
                for tray in trays
                for name, column in values.items()
                for at, v in zip(ms, column[first : first + 200], strict=True)
            ]
            recorded += len(readings)
            batch.append(
                (
                    Pack("nursery", "bench-1", "7f3a", number, None, from_ms(ms[-1]), tuple(readings), ()),
                    data_topic("nursery", "bench-1"),
                    b"",
                )
            )
            if len(batch) == 20:
                store.record(batch)
                batch = []
        store.record(batch)
        Upkeep(store).run(now=True)
        rows = [
            WeighIn(pot.name, start + timedelta(days=day), 1, 6.4 + 0.02 * day, 6.0)
            for pot in plan.pots
            for day in range(1, days)
        ]
        notebook.add_weigh_ins("bench", rows, now=start + timedelta(days=days))
    return recorded


def raw_rate_ratio(folder: Path) -> float:
    homes = {every_s: folder / f"every-{every_s}" for every_s in (60, 5)}
    for every_s, home in homes.items():
        print(f"a reading every {every_s} s: {record(home, every_s):,} readings recorded")

    def ask(home: Path) -> None:
        with open_record(home) as store:
            data = TrialData(store, choose_trial(store))
            assert len(data.exposure) == len(data.environment) > 0

    for home in homes.values():
        ask(home)
    pairs = [[seconds(lambda home=home: ask(home)) for home in homes.values()] for _ in range(15)]
    slow, fast = (float(np.median([pair[k] for pair in pairs])) for k in (1, 0))
    print(
        f"exposure and environment from the record: {1000 * fast:.0f} ms at one a minute, {1000 * slow:.0f} "
        "ms at one every 5 s"
    )
    return slow / fast


def moran() -> float:
    rng = np.random.default_rng(1)
    tray = np.repeat(np.arange(TRAYS), POTS)
    row, column = np.tile(np.repeat(np.arange(4), 5), TRAYS), np.tile(np.arange(5), 4 * TRAYS)
    values = rng.normal(size=len(tray))
    means = np.eye(TRAYS)[tray]
    residual = values - means @ (means.T @ values) / POTS
    raw = float(np.median([seconds(lambda: morans_i(values, row, column, trays=tray)) for _ in range(3)]))
    left = float(
        np.median([seconds(lambda: morans_i(residual, row, column, trays=tray, design=means)) for _ in range(3)])
    )
    print(f"Moran's I, 40 trays of 20 pots, 9,999 permutations: raw {raw:.2f} s, residuals of tray means {left:.2f} s")
    return max(raw, left)


def honesty(runs: int = 500) -> None:
    truth = np.array([0.001, 0.02, 0.0])
    covered, claimed, settled = (np.zeros((runs, 3)) for _ in range(3))
    for seed in range(runs):
        real = relate(made_up_trial(seed, dry=0.001, light=0.02), causes=ALL, **HOW).effects
        none = relate(made_up_trial(10_000 + seed), causes=ALL, **HOW).effects
        covered[seed] = (real["low"] <= truth) & (truth <= real["high"])
        claimed[seed], settled[seed] = none["p"] < 0.05, none["settled"]
    said = zip(ALL, covered.mean(axis=0), claimed.mean(axis=0), settled.mean(axis=0), strict=True)
    for cause, *rates in said:
        print(
            (
                "relate, {}: limits hold the truth in {:.3f}, p below 0.05 without effect {:.3f}, called settled {:.3f}"
            ).format(cause, *rates)
        )
    found = [positions(made_up_pots(seed), response="rgr_per_day", permutations=199) for seed in range(runs)]
    rates = {
        "row and column together": np.mean([f.explained_p < 0.05 for f in found]),
        "any single feature (Holm)": np.mean([(f.features["p_adjusted"] < 0.05).any() for f in found]),
        "likeness of neighbours": np.mean([f.moran.p_two_sided < 0.05 for f in found]),
    }
    for name, rate in rates.items():
        print(f"positions, {name}: claimed without effect {rate:.3f}")


if __name__ == "__main__":
    year_s, moran_s = year(), moran()
    with tempfile.TemporaryDirectory() as made:
        from_store_s, ratio = year_from_store(Path(made)), raw_rate_ratio(Path(made))
    honesty()
    print(
        f"exposure year_s={year_s:.2f} year_from_store_s={from_store_s:.2f} raw_rate_ratio={ratio:.2f} "
        f"moran_s={moran_s:.2f}"
    )
