"""How often the sentences of every question are wrong: measured on made-up trials whose truth is known.

`python tests/bench/claims.py [trials=N] [jobs=N] [WORD ...]`: trials a cell (400 unless told; 40 gives a first look),
processes, and words of the cells to run (all, and the loops of three trials, unless told; the word `loops` runs those
alone). The cells are in tests/claims. Prints every cell and how long all took, and ends with one line:
  worst_false_claim     the most often that a sentence is said without cause, over all cells
  worst_coverage        the least that a 95 % interval or limit holds the truth, over all cells with ten claims or more
  worst_promise         the most by which what a plan promises to find exceeds what is found
  best_dose_coverage    how often the claimed tested doses hold the true best, over all curves, designs and noise levels
  best_dose_width_h     median width of those claims [h], of 24 that were tested
  regret_percent        growth lost by the schedule held best after three trials of six trays, mean over the curves
  proposal_gain         the same of an even grid analysed by the same curves, less that: what the proposals alone save
A cell beyond its limit after N trials is judged on 10 N (from 400 up); one that is wrong by more than chance makes of
one that is just right is marked OVER. Beside them: the loss of
staying at the best tested schedule, and what all trays of the trials lost on the way.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Sequence
from multiprocessing import get_context
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.claims import compared, doses, loops, plans, related
from tests.claims.cells import Cell, Outcome, run, worst
from tests.made_responses import CURVES

CELLS: tuple[Cell, ...] = (*compared.CELLS, *related.CELLS, *doses.CELLS, *plans.CELLS)
TRIALS, LOOPS = 400, 40
CLOSER = 10
"""A cell beyond its limit is tried this many times as often: of 300 cells that are just right, chance puts some
there at 400 trials."""


def _run(job: tuple[int, int]) -> tuple[int, tuple[object, ...], int]:
    """Which cell, what its trials gave, and how many they were."""
    at, trials = job
    outcome = run(CELLS[at], trials)
    if outcome.is_beyond and trials >= TRIALS:
        outcome = run(CELLS[at], CLOSER * trials)
    print(outcome.line(), flush=True)
    return at, outcome.found, outcome.trials


def _loop(job: tuple[int, str, int]) -> tuple[float, float]:
    at, how, seed = job
    return loops.lost_percent(CURVES[at], how, seed)


def best_dose(outcomes: Sequence[Outcome]) -> tuple[float, float]:
    """Coverage of all claims of a best dose, and their median width [h]."""
    claims = [claim for each in outcomes for claim in each.found if isinstance(claim, doses.Claim)]
    if not claims:
        return np.nan, np.nan
    return float(np.mean([claim.right for claim in claims])), float(np.median([claim.width_h for claim in claims]))


def main() -> None:
    told = dict(word.split("=", 1) for word in sys.argv[1:] if "=" in word)
    words = [word for word in sys.argv[1:] if "=" not in word]
    trials, jobs = int(told.get("trials", TRIALS)), int(told.get("jobs", 1))
    began = time.perf_counter()
    wanted = [n for n, cell in enumerate(CELLS) if not words or any(word in cell.name for word in words)]
    bent = [n for n, curve in enumerate(CURVES) if curve.has_best]
    seeds = range(max(LOOPS * trials // TRIALS, 3)) if not words or "loops" in words else range(0)
    # `fork`: cells hold functions that no other process could import by name
    with get_context("fork").Pool(jobs) as pool:
        done = pool.map(_run, [(n, trials) for n in wanted], chunksize=1)
        outcomes = [Outcome(CELLS[at], found, of) for at, found, of in done]
        held = dict.fromkeys(loops.HOWS, np.nan)
        for how in loops.HOWS if seeds else ():
            lost = np.array(pool.map(_loop, [(n, how, seed) for n in bent for seed in seeds]))
            held[how], way = lost.mean(axis=0)
            error = lost[:, 0].std(ddof=1) / np.sqrt(len(lost))
            print(
                f"  {how}: held best after three trials loses {held[how]:.2f} % (± {error:.2f}, {len(lost)} series), "
                f"trays on the way {way:.2f} %",
                flush=True,
            )
    said, covered, short = worst(outcomes)
    over = [each.cell.name for each in outcomes if each.is_over]
    print(f"{len(outcomes)} cells in {time.perf_counter() - began:.0f} s; over: {'; '.join(over) or 'none'}")
    coverage, width = best_dose(outcomes)
    print(
        f"claims worst_false_claim={said:.3f} worst_coverage={covered:.3f} worst_promise={short:.3f} "
        f"best_dose_coverage={coverage:.3f} best_dose_width_h={width:.1f} regret_percent={held['proposed']:.2f} "
        f"proposal_gain={held['grid'] - held['proposed']:.2f} trials={trials}"
    )


if __name__ == "__main__":
    main()
