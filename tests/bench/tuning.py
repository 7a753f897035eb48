"""Tuning measured: how long it takes, how often its verdict is right, how many tray-weeks its proposals save.

`python tests/bench/tuning.py [NURSERIES]` (300 unless told). Prints what it measured and ends with one line:
  proposal_s         fit, bootstrap of 2,000 and proposal for 40 trays timetable_s        60 trays of 12 floods a day on
  one pump and one sump verdict_right      share of right verdicts, one trial of 40 trays on 8 doses, a quarter of the
  nurseries of each kind false_top_flat     share of flat nurseries in which a top was claimed trayweek_ratio
  tray-weeks until the schedule held best is within 2 % of the true best and stays so: closed loop over evenly spaced
                     grid. A grid takes the dose with the best mean, as one does without curves
  ratio_same_curves  the same against a grid whose results go through the same curves as the loop's: what the proposals
  alone save
Nurseries that need more than SEVERAL trials count as SEVERAL + 1. Trays differ by 8 % for the verdict and by 15 % for
the loop: a small grower's six trays, where more than one trial is needed. Flat nurseries are not in the loop: there
every schedule is the best.
"""

from __future__ import annotations

import sys
import time
from collections import Counter
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.made_responses import KINDS, grow, made_nursery
from tidetray.analysis.dose.draws import NEAR_BEST
from tidetray.analysis.dose.fit import ResponseFit, fit_response
from tidetray.analysis.dose.schedules import FloodSchedule, Limits, TrayWater
from tidetray.analysis.plan.design_search import propose
from tidetray.analysis.plan.timetable import make_timetable

DOSES = np.linspace(0, 24, 25)
CANDIDATES = pd.DataFrame({"dose": DOSES})
TRAYS, WEEKS, SEVERAL = 6, 4, 6


def fit(rows: pd.DataFrame, bootstraps: int = 0) -> ResponseFit:
    return fit_response(
        rows, response="rgr_per_day", dose="dry_h_day", tray="tray", trial="trial", bootstraps=bootstraps
    )


def proposal_s() -> float:
    rows = grow(made_nursery("peaked", 1), np.repeat(np.linspace(0, 24, 8), 5), np.random.default_rng(1))
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
        Limits(sump_m3=0.3, sump_min_m3=0.05),
    )
    taken = time.perf_counter() - begin
    assert len(found.floods) == 720
    return taken


def verdicts(nurseries: int) -> tuple[float, float]:
    doses, right, claimed = np.repeat(np.linspace(0, 24, 8), 5), 0, 0
    for kind, finding in KINDS.items():
        found = [
            fit(grow(made_nursery(kind, s), doses, np.random.default_rng([s, 1]))).finding
            for s in range(nurseries // 4)
        ]
        print(f"{kind}: {dict(Counter(found))}", flush=True)
        right += found.count(finding)
        claimed += found.count("top") if kind == "flat" else 0
    return right / (nurseries // 4 * 4), claimed / (nurseries // 4)


def trials_needed(kind: str, seed: int) -> dict[str, int]:
    """Trials until the schedule held best is near the true best, and stays so: by proposals, and by the grid judged
    both ways."""
    nursery = made_nursery(kind, seed, tray_cv=0.15)
    enough = (1 - NEAR_BEST) * nursery.growth(DOSES).max()
    good: dict[str, list[bool]] = {}
    for arm in ("loop", "grid"):
        rng, where, rows = np.random.default_rng([seed, 3]), np.linspace(0, 24, TRAYS), pd.DataFrame()
        for number in range(SEVERAL):
            rows = pd.concat([rows, grow(nursery, where, rng, trial=str(number))], ignore_index=True)
            draws = fit(rows).draws(DOSES, draws=1000)
            held = {arm: DOSES[int(np.argmax(draws.expected()))]}
            if arm == "grid":
                own = rows["rgr_per_day"] - rows.groupby("trial")["rgr_per_day"].transform("mean")
                held["best mean"] = float(own.groupby(rows["dry_h_day"]).mean().idxmax())
            else:
                chosen = propose(CANDIDATES, draws, trays=TRAYS, weeks=WEEKS, seed=number).schedules
                where = np.repeat(chosen["dose"].to_numpy(), chosen["trays"].to_numpy())
            for name, dose in held.items():
                good.setdefault(name, []).append(bool(nursery.growth(np.array([dose]))[0] >= enough))
    return {
        name: len(ok) + 1 if not ok[-1] else 1 + max([0, *(i + 1 for i, g in enumerate(ok) if not g)])
        for name, ok in good.items()
    }


def loops(nurseries: int) -> tuple[float, float]:
    kinds = [kind for kind in KINDS if kind != "flat"]
    needed = pd.DataFrame([{"kind": kinds[n % 3]} | trials_needed(kinds[n % 3], n) for n in range(nurseries)])
    weeks = needed.drop(columns="kind") * TRAYS * WEEKS
    print(weeks.groupby(needed["kind"]).mean().round(1).to_string())
    means = weeks.mean()
    print(f"tray-weeks on average: {means.round(1).to_dict()}", flush=True)
    return means["loop"] / means["best mean"], means["loop"] / means["grid"]


def main() -> None:
    nurseries = int(sys.argv[1]) if len(sys.argv) > 1 else 300
    proposal, timetable = proposal_s(), timetable_s()
    print(f"proposal {proposal:.2f} s, timetable {timetable:.2f} s", flush=True)
    right, false_top = verdicts(nurseries)
    ratio, same = loops(nurseries)
    print(
        f"tuning proposal_s={proposal:.2f} timetable_s={timetable:.2f} trayweek_ratio={ratio:.2f} "
        f"verdict_right={right:.3f} false_top_flat={false_top:.3f} ratio_same_curves={same:.2f} "
        f"nurseries={nurseries}"
    )


if __name__ == "__main__":
    main()
