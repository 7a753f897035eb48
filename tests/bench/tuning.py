"""Tuning measured: how long it takes, how often its verdict is right, how many tray-weeks its proposals save.

`python tests/bench/tuning.py [SERIES]` (300 unless told). Growth follows the curves of tests/made_responses.py, one of
them a parabola. Prints what it measured and ends with one line:
  answer_s           a whole answer on nine trays: fit, bootstrap, verdict, next trial, timetable
  proposal_s         fit, bootstrap of 2,000 and proposal for 40 trays
  timetable_s        60 trays of 12 floods a day on one pump and one sump
  verdict_right      share of right verdicts, one trial of 40 trays on 8 doses, trays differ by 8 % of growth
  false_top          the largest share of trials of a curve without a best inside in which one was claimed
  trayweek_ratio     tray-weeks until the schedule held best is within 2 % of the true best and stays so: closed loop
                     over evenly spaced grid. A grid takes the dose with the best mean, as one does without curves
  ratio_same_curves  the same against a grid whose results go through the same curves as the loop's: what the proposals
                     alone save
Series that need more than SEVERAL trials count as SEVERAL + 1. Trays differ by 8 % for the verdict and by 15 % for the
loop: a small grower's six trays, where more than one trial is needed. Curves without a best inside are not in the loop.
"""

from __future__ import annotations

import sys
import time
from collections import Counter
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.made_responses import CURVES, LEVEL, Curve
from tidetray.analysis.base.arrays import Array
from tidetray.analysis.dose.draws import NEAR_BEST
from tidetray.analysis.dose.fit import ResponseFit, fit_response
from tidetray.analysis.dose.schedules import FloodSchedule, ScheduleLimits, TrayWater
from tidetray.analysis.plan.design_search import propose
from tidetray.analysis.plan.step import tune
from tidetray.analysis.plan.timetable import make_timetable
from tidetray.ingest.core.readings import Tray
from tidetray.ingest.notebook.facts import PotPlan, TrayPlan, Treatment, Trial, TrialPlan

DOSES = np.linspace(0, 24, 25)
CANDIDATES = pd.DataFrame({"dose": DOSES})
TRAYS, WEEKS, SEVERAL = 6, 4, 6
WITH_A_BEST = [curve for curve in CURVES if curve.has_best]

RIGHT = {
    "flat": ("flat", "too few trays"),
    "line": ("go further",),
    "plateau": ("levels off",),
    "saturating": ("levels off", "go further"),
    "falls late": ("levels off",),
}
"""Curve without a best inside -> what is right to find. Any other: a best between doses that hold it."""


def grow(
    curve: Curve, doses: Array, rng: np.random.Generator, *, tray_cv: float = 0.08, trial: str = "1"
) -> pd.DataFrame:
    """A row a tray; the trial runs better or worse as a whole."""
    growth = curve.growth(doses) + rng.normal(0, 0.05) + rng.normal(0, tray_cv, len(doses))
    return pd.DataFrame(
        {
            "trial": trial,
            "tray": [f"tray-{n + 1}" for n in range(len(doses))],
            "dry_h_day": doses,
            "rgr_per_day": LEVEL * growth,
        }
    )


def fit(rows: pd.DataFrame, bootstraps: int = 0) -> ResponseFit:
    return fit_response(
        rows, response="rgr_per_day", dose="dry_h_day", tray="tray", trial="trial", bootstraps=bootstraps
    )


def answer_s() -> float:
    """The second answer: what does not change from one to the next is there then."""
    names = [f"tray-{n + 1}" for n in range(9)]
    started = datetime(2026, 6, 1, tzinfo=UTC)
    plan = TrialPlan(
        Trial("first", "nursery", "Europe/Lisbon", started, "Micranthemum sp.", ""),
        (Treatment("some", "mixed", ("00:00", "06:00", "12:00", "18:00"), 60.0),),
        tuple(TrayPlan(Tray(name, "nursery"), "some", "white LED") for name in names),
        tuple(PotPlan(f"{name}-r1c1", name, 1, 1, 6.0) for name in names),
    )
    water = dict.fromkeys(names, TrayWater(60, 120, 0.003))
    taken = 0.0
    for seed in range(2):
        rows = grow(WITH_A_BEST[3], np.linspace(2, 22, 9), np.random.default_rng(seed), trial="first")
        rows = rows.assign(treatment="some", floods_day=4.0, dry_spell_h=rows["dry_h_day"] / 4, wet_minutes=60.0)
        begin = time.perf_counter()
        found = tune(rows, plan, water, factor="dry_h_day", limits=ScheduleLimits(), weeks=WEEKS)
        taken = time.perf_counter() - begin
        if found.timetable is None:
            raise RuntimeError(f"no timetable: {found.why_no_timetable}")
    return taken


def proposal_s() -> float:
    rows = grow(WITH_A_BEST[4], np.repeat(np.linspace(0, 24, 8), 5), np.random.default_rng(1))
    begin = time.perf_counter()
    found = fit(rows, bootstraps=2000)
    propose(CANDIDATES, found.draws(DOSES, draws=1000), trays=40, weeks=WEEKS)
    return time.perf_counter() - begin


def timetable_s() -> float:
    names = [f"tray-{n}" for n in range(60)]
    begin = time.perf_counter()
    found = make_timetable(
        dict.fromkeys(names, FloodSchedule(12, 20)),
        dict.fromkeys(names, TrayWater(60, 120, 0.003)),
        ScheduleLimits(sump_m3=0.3, sump_min_m3=0.05),
    )
    taken = time.perf_counter() - begin
    if len(found.floods) != 720:
        raise RuntimeError(f"{len(found.floods)} floods of 720")
    return taken


def verdicts(series: int) -> tuple[float, float]:
    """Share of right verdicts, and the largest share of a best claimed where there is none."""
    doses, right, false = np.repeat(np.linspace(0, 24, 8), 5), list[float](), [0.0]
    each = max(series // len(CURVES), 1)
    for curve in CURVES:
        found = [fit(grow(curve, doses, np.random.default_rng([seed, 1]))) for seed in range(each)]
        good = [
            one.finding in RIGHT[curve.name]
            if curve.name in RIGHT
            else one.finding == "top" and curve.best_in(one.region_low, one.region_high)
            for one in found
        ]
        findings = Counter(one.finding for one in found)
        print(f"{curve.name}: {dict(findings)}, right {np.mean(good):.2f}", flush=True)
        right.append(float(np.mean(good)))
        if not curve.has_best:
            false.append(findings["top"] / each)
    return float(np.mean(right)), max(false)


def trials_needed(curve: Curve, seed: int) -> dict[str, int]:
    """Trials until the schedule held best is near the true best, and stays so: by proposals, and by the grid judged
    both ways."""
    enough = (1 - NEAR_BEST) * curve.growth(DOSES).max()
    good: dict[str, list[bool]] = {}
    for arm in ("loop", "grid"):
        rng, where, rows = np.random.default_rng([seed, 3]), np.linspace(0, 24, TRAYS), pd.DataFrame()
        for number in range(SEVERAL):
            rows = pd.concat([rows, grow(curve, where, rng, tray_cv=0.15, trial=str(number))], ignore_index=True)
            draws = fit(rows).draws(DOSES, draws=1000)
            held = {arm: DOSES[int(np.argmax(draws.expected()))]}
            if arm == "grid":
                own = rows["rgr_per_day"] - rows.groupby("trial")["rgr_per_day"].transform("mean")
                held["best mean"] = float(own.groupby(rows["dry_h_day"]).mean().idxmax())
            else:
                chosen = propose(CANDIDATES, draws, trays=TRAYS, weeks=WEEKS, seed=number).schedules
                where = np.repeat(chosen["dose"].to_numpy(), chosen["trays"].to_numpy())
            for name, dose in held.items():
                good.setdefault(name, []).append(bool(curve.growth(np.array([dose]))[0] >= enough))
    return {
        name: len(ok) + 1 if not ok[-1] else 1 + max([0, *(i + 1 for i, g in enumerate(ok) if not g)])
        for name, ok in good.items()
    }


def loops(series: int) -> tuple[float, float]:
    curves = [WITH_A_BEST[n % len(WITH_A_BEST)] for n in range(series)]
    needed = pd.DataFrame([{"curve": curve.name} | trials_needed(curve, n) for n, curve in enumerate(curves)])
    weeks = needed.drop(columns="curve") * TRAYS * WEEKS
    print(weeks.groupby(needed["curve"]).mean().round(1).to_string())
    means = weeks.mean()
    print(f"tray-weeks on average: {means.round(1).to_dict()}", flush=True)
    return means["loop"] / means["best mean"], means["loop"] / means["grid"]


def main() -> None:
    series = int(sys.argv[1]) if len(sys.argv) > 1 else 300
    answer, proposal, timetable = answer_s(), proposal_s(), timetable_s()
    print(f"answer {answer:.2f} s, proposal {proposal:.2f} s, timetable {timetable:.2f} s", flush=True)
    right, false_top = verdicts(series)
    ratio, same = loops(series)
    print(
        f"tuning answer_s={answer:.2f} proposal_s={proposal:.2f} timetable_s={timetable:.2f} "
        f"trayweek_ratio={ratio:.2f} verdict_right={right:.3f} false_top={false_top:.3f} "
        f"ratio_same_curves={same:.2f} series={series}"
    )


if __name__ == "__main__":
    main()
