"""A made-up nursery: nine flood-and-drain trays of *Micranthemum* plugs, for the demo and the tests.

In: a seed and the time at which its history ends. Out: what its growers know and do (trial plan,
weigh-ins) and how its trays went (floods, lamp, room), from which `ingest/nursery/sensors.py`
makes what its nodes measure. Same seed and same end, same nursery.

Pure: no clock, no disk, no network. It is no model of a real crop: rates, effects and troubles
are made up so that a trial of this size has something to find.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from tidetray.ingest.core.readings import Tray, from_ms, to_ms
from tidetray.ingest.notebook.facts import PotPlan, TrayPlan, Treatment, Trial, TrialPlan, WeighIn, place_of
from tidetray.ingest.nursery.water import FILM_M, Array, Floods, clean_floods, drained_after_s, geometry

SITE = "nursery"
ZONE = "Europe/Lisbon"
LAMP = "white LED"
LAMP_HOURS = (7, 21)
FLOOD_DEPTH_M = 0.03

TRAYS_PER_BENCH = 3
ROWS, COLUMNS = 2, 4
WEIGH_INS = 10
WEIGH_IN_AT = time(10, 55)
"""Between two floods of every treatment: pots are drained when they are lifted out."""

PUMP_LIMIT_S = 60.0
"""A node stops a pump that brought no water for so long [s]."""

TREATMENTS = (
    Treatment("emersed", "emersed"),
    Treatment("short floods", "mixed", tuple(f"{hour:02}:30" for hour in (7, 12, 17, 22)), 45.0),
    Treatment("long floods", "mixed", tuple(f"{hour:02}:30" for hour in range(0, 24, 3)), 75.0),
    Treatment("submersed", "submersed"),
)
TRAYS_OF_TREATMENT = (2, 3, 2, 2)
STOCKS = ("raised emersed", "raised submersed")


@dataclass(frozen=True, slots=True)
class Silence:
    """A node that nobody hears for a while. `kept`: its journal held the readings, and sends them late."""

    node: str
    start: datetime
    end: datetime
    kept: bool


@dataclass(frozen=True, slots=True)
class Nursery:
    """What `make_nursery` made. Arrays of times are seconds since 1970 UTC; `room_c` has a value a day."""

    seed: int
    started: datetime
    until: datetime
    plan: TrialPlan
    weigh_ins: tuple[WeighIn, ...]
    nodes: dict[str, tuple[str, ...]]
    floods: dict[str, Floods]
    lamp_on_s: Array
    lamp_off_s: Array
    room_c: Array
    silence: Silence

    def tray(self, name: str) -> Tray:
        return next(plan.tray for plan in self.plan.trays if plan.name == name)

    def treatment(self, tray: str) -> Treatment:
        name = next(plan.treatment for plan in self.plan.trays if plan.name == tray)
        return next(treatment for treatment in self.plan.treatments if treatment.name == name)

    def rng(self, tray: str, purpose: int) -> np.random.Generator:
        """Chance of one tray and purpose, the same whatever else was drawn before."""
        return np.random.default_rng([self.seed, [plan.name for plan in self.plan.trays].index(tray), purpose])


def make_nursery(until: datetime, *, seed: int = 7, silence_kept: bool = False) -> Nursery:
    """The nursery whose history of nine weeks and the days around them ends at `until`.

    Its last weigh-in was the day before, whatever the hour, so that today's is still to do. ValueError if
    `until` has no zone.
    """
    until = from_ms(to_ms(until))
    last = until.astimezone(ZoneInfo(ZONE)).date() - timedelta(days=1)
    days = [last - timedelta(days=7 * (WEIGH_INS - 1) - n) for n in range(7 * (WEIGH_INS - 1) + 4)]
    rng = np.random.default_rng(seed)
    trays = tuple(_tray(f"tray-{n}") for n in range(1, sum(TRAYS_OF_TREATMENT) + 1))
    layout = rng.permutation(np.repeat(np.arange(len(TREATMENTS)), TRAYS_OF_TREATMENT))
    treatments = [TREATMENTS[n] for n in layout]
    floods = _season(trays, treatments, days, until.timestamp(), rng)
    plan = TrialPlan(
        Trial(
            name="plugs",
            site=SITE,
            zone=ZONE,
            started=_utc(days[0], WEIGH_IN_AT),
            species="Micranthemum sp.",
            question="How wet should plugs be grown on?",
        ),
        TREATMENTS,
        tuple(TrayPlan(tray, treatment.name, LAMP) for tray, treatment in zip(trays, treatments, strict=True)),
        _pots(trays, rng),
    )
    wet_share = np.array(
        [_wet_share(t, c.culture, floods[t.name], days) for t, c in zip(trays, treatments, strict=True)]
    )
    names = [tray.name for tray in trays]
    benches = range(0, len(names), TRAYS_PER_BENCH)
    return Nursery(
        seed=seed,
        started=_utc(days[0], time(0)),
        until=until,
        plan=plan,
        weigh_ins=_weigh_ins(plan.pots, _masses_g(plan.pots, names, wet_share, rng), days, rng),
        nodes={f"bench-{n + 1}": tuple(names[first : first + TRAYS_PER_BENCH]) for n, first in enumerate(benches)},
        floods=floods,
        lamp_on_s=_wall_clock_s(days, (time(LAMP_HOURS[0]),)),
        lamp_off_s=_wall_clock_s(days, (time(LAMP_HOURS[1]),)),
        room_c=np.convolve(rng.normal(0, 0.8, len(days) + 3), np.full(4, 0.25), "valid"),
        silence=Silence("bench-2", _utc(days[41], time(13)), _utc(days[41], time(18)), silence_kept),
    )


def growth_per_day(wet_share: Array, light: Array, raised_submersed: NDArray[np.bool_], day: float) -> Array:
    """Relative growth rate [1/day] of plugs; arguments broadcast.

    `wet_share` and `light` are 0..1 (of the day; of the brightest place). Best in mixed culture.
    Stock grows better in what it was raised in, and gets used to the other in some weeks
    (common practice, no source; the numbers are made up).
    """
    steady = 0.040 * (1 - wet_share) + 0.026 * wet_share + 0.09 * wet_share * (1 - wet_share)
    at_home = np.where(raised_submersed, wet_share, 1 - wet_share)
    used_to = 1 + 0.5 * (2 * at_home - 1) * np.exp(-day / 14)
    rate: Array = steady * used_to * (0.5 + 0.5 * light)
    return rate


def light_at(row: int, column: int) -> float:
    """Share of the brightest place's light that falls on a place: a lamp is bright in the middle."""
    across = (row - (ROWS + 1) / 2) / ROWS
    along = (column - (COLUMNS + 1) / 2) / COLUMNS
    return 1 - 0.5 * across**2 - 1.6 * along**2


def _tray(name: str) -> Tray:
    return Tray(
        name,
        SITE,
        length_m=0.36,
        width_m=0.24,
        overflow_height_m=0.05,
        drain_hole_diameter_m=0.036,
        pump_flow_m3_s=20 / 60_000,
        inlet_row=1.5,
        inlet_column=0.5,
    )


def _utc(day: date, at: time) -> datetime:
    # fold=0: a time that a clock change skips comes an hour late, one that it repeats comes once.
    return datetime.combine(day, at, ZoneInfo(ZONE)).astimezone(UTC)


def _wall_clock_s(days: Iterable[date], times: Iterable[time]) -> Array:
    times = tuple(times)
    return np.array([_utc(day, at).timestamp() for day in days for at in times])


def _season(
    trays: tuple[Tray, ...], treatments: list[Treatment], days: list[date], until_s: float, rng: np.random.Generator
) -> dict[str, Floods]:
    """How the floods went, with the troubles of a real season: dirt, a failed drain, a missed flood."""
    cycled = [tray.name for tray, treatment in zip(trays, treatments, strict=True) if treatment.culture == "mixed"]
    short = [tray.name for tray, treatment in zip(trays, treatments, strict=True) if treatment is TREATMENTS[1]]
    dirty = rng.choice(cycled, 2, replace=False)
    blocked, dry_pump = rng.choice(short, 2, replace=False)
    season = {}
    for tray, treatment in zip(trays, treatments, strict=True):
        per_day = len(treatment.flood_times)
        start_s = _wall_clock_s(days, map(time.fromisoformat, treatment.flood_times))
        discharge_m2 = tray.discharge_coefficient * geometry(tray)[1] * rng.normal(1, 0.03)
        floods = clean_floods(
            tray, start_s, FLOOD_DEPTH_M, treatment.wet_minutes * 60, discharge_m2 * rng.normal(1, 0.01, len(start_s))
        )
        if tray.name in dirty:
            # Roots and algae gather in the strainer, in two weeks many; it is cleaned at the weigh-in.
            day = np.arange(len(start_s)) // per_day
            dirt = rng.uniform(0, 0.5, len(days) // 7 + 1)
            dirt[rng.choice(WEIGH_INS - 1, 2, replace=False)] = 1.0
            floods.discharge_m2[:] *= 1 - 0.72 * dirt[day // 7] * (day % 7 / 6) ** 4
        if tray.name == blocked:
            night = per_day * 31 - 1
            floods.clear_s[night], floods.clogged_share[night] = 1.5, 5e-5
            floods.cleared_s[night] = _utc(days[31], time(7, 10)).timestamp()
        if tray.name == dry_pump:
            floods.peak_m[per_day * 50 + 1] = 0.0
            floods.drain_start_s[per_day * 50 + 1] = start_s[per_day * 50 + 1] + PUMP_LIMIT_S
        # A tray under water at the end is drained, so that what comes next finds it dry.
        begun = floods[floods.start_s < until_s - 150]
        np.minimum(begun.drain_start_s, until_s - 100, out=begun.drain_start_s)
        season[tray.name] = begun
    return season


def _wet_share(tray: Tray, culture: str, floods: Floods, days: list[date]) -> Array:
    """Share of each day that the tray was under water; a flood counts for the day it began."""
    if culture != "mixed":
        return np.full(len(days), 1.0 if culture == "submersed" else 0.0)
    wet_s = floods.drain_start_s - floods.start_s + drained_after_s(tray, floods, FILM_M)
    day = np.searchsorted(_wall_clock_s(days, (time(0),)), floods.start_s, "right") - 1
    return np.minimum(np.bincount(day, np.where(floods.peak_m > 0, wet_s, 0), len(days)) / 86_400, 1.0)


def _pots(trays: tuple[Tray, ...], rng: np.random.Generator) -> tuple[PotPlan, ...]:
    pots = []
    for number, tray in enumerate(trays, 1):
        # Half of each tray from either stock, so that stock and tray can be told apart.
        stocks = rng.permutation(np.repeat(STOCKS, ROWS * COLUMNS // 2))
        for place in range(ROWS * COLUMNS):
            row, column = place // COLUMNS + 1, place % COLUMNS + 1
            name = f"t{number}-{'abcdefgh'[row - 1]}{column}"
            tare_g = round(float(rng.normal(6.2, 0.15)), 2)
            pots.append(PotPlan(name, tray.name, row, column, tare_g, None, str(stocks[place])))
    return tuple(pots)


def _masses_g(pots: tuple[PotPlan, ...], trays: list[str], wet_share: Array, rng: np.random.Generator) -> Array:
    """True fresh mass [g] of each pot at each day's weigh-in hour: shape (days, pots)."""
    on = np.array([trays.index(pot.tray) for pot in pots])
    light = np.array([light_at(*place_of(pot)) for pot in pots])
    raised_submersed = np.array([pot.stock == STOCKS[1] for pot in pots])
    vigour = rng.normal(1, 0.05, len(trays))[on] * rng.normal(1, 0.06, len(pots))
    n_days = wet_share.shape[1]
    rates = [vigour * growth_per_day(wet_share[on, day], light, raised_submersed, day) for day in range(n_days - 1)]
    grown = np.vstack([np.zeros(len(pots)), np.cumsum(rates, axis=0)])
    masses: Array = rng.lognormal(np.log(0.4), 0.08, len(pots)) * np.exp(grown)
    return masses


def _weigh_ins(
    pots: tuple[PotPlan, ...], masses_g: Array, days: list[date], rng: np.random.Generator
) -> tuple[WeighIn, ...]:
    """A weigh-in a week of all pots, one pot a minute; the first pot of a tray is blotted and weighed twice."""
    weigh_ins = []
    for session in range(WEIGH_INS):
        for n, pot in enumerate(pots):
            for replicate in (1, 2) if n % (ROWS * COLUMNS) == 0 else (1,):
                # Water that blotting leaves varies with the plants, the balance's own error does not.
                net_g = masses_g[7 * session, n] * rng.normal(1, 0.025) + rng.normal(0, 0.008)
                at = _utc(days[7 * session], WEIGH_IN_AT) + timedelta(seconds=60 * n + 25 * (replicate - 1))
                gross_g = round(pot.tare_g + float(net_g), 2)
                weigh_ins.append(WeighIn(pot.name, at, replicate, gross_g, pot.tare_g, True, "demo"))
    return tuple(weigh_ins)
