"""A home with a year of many trays in it, written straight into the tables: for tests of pages and their bench.

Hourly summaries, cycles and weigh-ins of the whole time, single readings of the last two days. What a recorder would
have made of a year of messages takes minutes to record; here only what pages read is made, in seconds.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from tidetray.ingest.core.readings import Tray, to_ms
from tidetray.ingest.notebook.facts import PotPlan, TrayPlan, Treatment, Trial, TrialPlan
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store.hour_blocks import make_blocks
from tidetray.ingest.store.recording import open_store

SITE, ZONE, TRIAL = "nursery", "Europe/Lisbon", "year"
TREATMENTS = (
    Treatment("emersed", "emersed"),
    Treatment("submersed", "submersed"),
    Treatment("short floods", "mixed", ("02:00", "06:00", "10:00", "14:00", "18:00", "22:00"), 20.0),
    Treatment("long floods", "mixed", ("04:00", "12:00", "20:00"), 90.0),
)
CAPACITY_G = {"emersed": 22.0, "submersed": 14.0, "short floods": 38.0, "long floods": 34.0}
POTS_PER_TRAY, TRAYS_PER_NODE = 8, 4
HOUR_MS, DAY_MS = 3_600_000, 86_400_000
# channel -> mean, swing over the day, scatter; the unit is the channel's
CHANNELS = {
    "level": (0.012, 0.0, 0.004), "flooded": (0.2, 0.0, 0.1), "pump": (0.02, 0.0, 0.01), "water_temp": (21.0, 1.0, 0.3),
    "air_temp": (22.0, 2.5, 0.4), "humidity": (70.0, -8.0, 2.0), "light": (8000.0, 0.0, 150.0),
}  # fmt: skip
LAMP_H = (7, 21)
STEP_MS = 300_000


def make_year_home(path: Path, until: datetime, *, trays: int = 40, days: int = 365, seed: int = 7) -> Path:
    """The home at `path`: `trays` trays of four treatments, weighed every week, up to `until`."""
    rng = np.random.default_rng(seed)
    start = (until - timedelta(days=days)).astimezone(UTC).replace(hour=0, minute=0, second=0, microsecond=0)
    plan = _plan(trays, start, rng)
    with open_store(path / RECORD_FILE) as store:
        Notebook(store).add_trial(plan)
        with store.transaction():
            _weigh_ins(store.connection, plan, start, until, rng)
            _cycles(store.connection, plan, start, until, rng)
            _series(store.connection, plan, start, until, rng)
        make_blocks(store)
        store.connection.execute("ANALYZE")
    return path


def _plan(trays: int, start: datetime, rng: np.random.Generator) -> TrialPlan:
    order = rng.permutation(np.arange(trays) % len(TREATMENTS))
    placed = tuple(
        TrayPlan(
            Tray(f"tray-{n + 1}", SITE, 0.5, 0.3, 0.06, 0.012, 2e-4, inlet_row=1.5, inlet_column=0.5),
            TREATMENTS[order[n]].name,
            "white LED",
            bench=f"{n // TRAYS_PER_NODE + 1}",
        )
        for n in range(trays)
    )
    pots = tuple(
        PotPlan(f"t{n + 1}-p{k + 1}", tray.name, k // 4 + 1, k % 4 + 1, round(float(rng.normal(14.0, 0.2)), 2))
        for n, tray in enumerate(placed)
        for k in range(POTS_PER_TRAY)
    )
    trial = Trial(
        TRIAL, SITE, ZONE, start + timedelta(hours=9), "Micranthemum sp.", "How wet should plugs be grown on?"
    )
    return TrialPlan(trial, TREATMENTS, placed, pots)


def _weigh_ins(db: object, plan: TrialPlan, start: datetime, until: datetime, rng: np.random.Generator) -> None:
    """Logistic growth, its rate scattered over trays and pots."""
    first_ms, last_ms = to_ms(start) + 9 * HOUR_MS, to_ms(until) - DAY_MS
    times = np.arange(first_ms, last_ms, 7 * DAY_MS)
    day = (times - first_ms) / DAY_MS
    of = {tray.name: tray.treatment for tray in plan.trays}
    of_tray = {tray.name: rng.normal(0, 0.03) for tray in plan.trays}
    rows = []
    for n, pot in enumerate(plan.pots):
        top = CAPACITY_G[of[pot.tray]] * np.exp(of_tray[pot.tray] + rng.normal(0, 0.06))
        rate = 0.035 * np.exp(of_tray[pot.tray] + rng.normal(0, 0.05))
        net = top / (1 + (top / 0.4 - 1) * np.exp(-rate * day)) * np.exp(rng.normal(0, 0.02, len(day)))
        rows += [
            (
                TRIAL,
                pot.name,
                int(at + 60_000 * n),
                1,
                round(float(pot.tare_g + g), 2),
                pot.tare_g,
                int(at + 60_000 * n),
            )
            for at, g in zip(times, net, strict=True)
        ]
    db.executemany(  # type: ignore[attr-defined]
        "INSERT INTO weigh_in (trial, pot, weighed_ms, replicate, gross_g, tare_g, blotted, who, note, entered_ms)"
        " VALUES (?, ?, ?, ?, ?, ?, 1, 'demo', '', ?)",
        rows,
    )


def _cycles(db: object, plan: TrialPlan, start: datetime, until: datetime, rng: np.random.Generator) -> None:
    treatments = {each.name: each for each in plan.treatments}
    rows = []
    for tray in plan.trays:
        treatment = treatments[tray.treatment]
        if treatment.culture == "submersed":
            rows.append(
                (SITE, tray.name, 1, to_ms(start), to_ms(start) + 5000, None, None, 5.0, None, None, 0.03, "under way")
            )
        if treatment.culture != "mixed":
            continue
        clock = np.array([HOUR_MS * int(at[:2]) for at in treatment.flood_times])
        days = np.arange(to_ms(start), to_ms(until), DAY_MS)
        floods = (days[:, None] + clock).ravel()
        wet = 60_000 * treatment.wet_minutes * np.exp(rng.normal(0, 0.01, len(floods)))
        drain = 25.0 * np.exp(rng.normal(0, 0.02, len(floods)))
        for number, (at, wet_ms, drain_s) in enumerate(
            zip(floods.tolist(), wet.tolist(), drain.tolist(), strict=True), 1
        ):
            if at + wet_ms + 60_000 > to_ms(until):
                break
            dry = at + round(wet_ms)
            rows.append(
                (
                    SITE,
                    tray.name,
                    number,
                    at,
                    at + 12_000,
                    dry - round(1000 * drain_s),
                    dry,
                    12.0,
                    wet_ms / 1000,
                    drain_s,
                    0.028,
                    "complete",
                )
            )
    db.executemany(f"INSERT INTO cycle VALUES ({', '.join('?' * 12)})", rows)  # type: ignore[attr-defined]


def _series(db: object, plan: TrialPlan, start: datetime, until: datetime, rng: np.random.Generator) -> None:
    """Every tray has the same days, a little shifted: SQLite copies them faster than Python could write them."""
    execute = db.execute  # type: ignore[attr-defined]
    hours = np.arange(to_ms(start) // HOUR_MS, to_ms(until) // HOUR_MS)
    raw = np.arange(to_ms(until) - 2 * DAY_MS, to_ms(until), STEP_MS)
    execute("CREATE TEMP TABLE made_hour (channel TEXT, hour INTEGER, v REAL, low REAL, high REAL, above REAL)")
    execute("CREATE TEMP TABLE made_reading (channel TEXT, time_ms INTEGER, v REAL)")
    for channel, (mean, swing, scatter) in CHANNELS.items():
        hour_of_day = hours % 24
        lit = (hour_of_day >= LAMP_H[0]) & (hour_of_day < LAMP_H[1])
        value = mean + swing * np.sin(2 * np.pi * (hour_of_day - 9) / 24) + rng.normal(0, scatter, len(hours))
        if channel == "light":
            value = np.where(lit, value, 0.0)
        value = np.maximum(value, 0.0)
        above = np.where(lit, 3600.0, 0.0) if channel == "light" else np.full(len(hours), np.nan)
        rows = zip(
            [channel] * len(hours),
            hours.tolist(),
            value.tolist(),
            np.where(value > 0, value - scatter, 0.0).tolist(),
            np.where(value > 0, value + scatter, 0.0).tolist(),
            [None if np.isnan(each) else each for each in above.tolist()],
            strict=True,
        )
        db.executemany("INSERT INTO made_hour VALUES (?, ?, ?, ?, ?, ?)", rows)  # type: ignore[attr-defined]
        at = value[np.minimum((raw // HOUR_MS - hours[0]), len(hours) - 1)]
        single = zip([channel] * len(raw), raw.tolist(), at.tolist(), strict=True)
        db.executemany("INSERT INTO made_reading VALUES (?, ?, ?)", single)  # type: ignore[attr-defined]
        execute("INSERT INTO made_reading VALUES (?, ?, ?)", (channel, to_ms(start), mean))
    for n, tray in enumerate(plan.trays):
        node = f"bench-{n // TRAYS_PER_NODE + 1}"
        execute(
            (
                "INSERT OR IGNORE INTO node (site, node, here, here_ms, boot, last_message_ms) VALUES (?, ?, 1, "
                "?, '7f3a', ?)"
            ),
            (SITE, node, to_ms(until), to_ms(until)),
        )
        for channel in CHANNELS:
            execute(
                "INSERT INTO series (site, node, tray, channel) VALUES (?, ?, ?, ?)", (SITE, node, tray.name, channel)
            )
    execute(
        "INSERT INTO hourly SELECT id, hour, 60, v * (1 + 0.001 * (id % 13)), low, high, 3600.0 * v * (1 + "
        "0.001 * (id % 13)), 3600.0, above FROM series CROSS JOIN made_hour USING (channel) ORDER BY id, hour"
    )
    execute(
        "INSERT INTO reading SELECT id, time_ms, v * (1 + 0.001 * (id % 13)), 0 FROM series CROSS JOIN "
        "made_reading USING (channel) ORDER BY id, time_ms"
    )
    execute("INSERT INTO counter SELECT 'readings', count(*) FROM reading")
    execute("DROP TABLE made_hour")
    execute("DROP TABLE made_reading")
