"""Pots on trays, checked: the columns of a frame as numbers and labels, who stands where, what cannot be told.

In: a caller's DataFrame and the names of its columns. Out: arrays of one length, a `TrialDesign`, and cautions
in plain words. Raises ValueError for what no analysis could use. Fits nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import comb

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tidetray.analysis.base.arrays import Array, Codes
from tidetray.analysis.base.columns import Text, labels
from tidetray.analysis.base.words import counted, listed

FEW_MISSING = 0.1
"""Shares of missing pots that differ by no more than this between treatments are called even (our choice)."""


@dataclass(frozen=True)
class TrialDesign:
    """Which pot stands on which tray under which treatment, one entry a row of data.

    `treatment`, `tray`: codes into `levels`, `trays`. `divided`: some tray holds several treatments, so that
    the treatment was not given to whole trays.
    """

    treatment: Codes
    levels: tuple[str, ...]
    tray: Codes
    trays: tuple[str, ...]
    divided: bool

    def trays_of(self, level: int) -> int:
        return len(np.unique(self.tray[self.treatment == level]))

    @property
    def unreplicated(self) -> tuple[str, ...]:
        """Treatments on one tray only, where whole trays are treated."""
        if self.divided:
            return ()
        return tuple(name for i, name in enumerate(self.levels) if self.trays_of(i) == 1)

    def take(self, rows: Codes) -> TrialDesign:
        """The layout of these rows; treatments and trays without a row left are dropped."""
        return _layout(self.treatment[rows], self.tray[rows], self.levels, self.trays)


def _layout(treatment: Codes, tray: Codes, levels: Sequence[str], trays: Sequence[str]) -> TrialDesign:
    used, t = np.unique(treatment, return_inverse=True)
    stood, u = np.unique(tray, return_inverse=True)
    return TrialDesign(
        t.astype(np.intp),
        tuple(levels[i] for i in used),
        u.astype(np.intp),
        tuple(trays[i] for i in stood),
        len(np.unique(u * len(used) + t)) > len(stood),
    )


def layout(frame: pd.DataFrame, treatment: str, tray: str) -> TrialDesign:
    """The layout a frame describes. Raises ValueError unless there are two treatments."""
    t, levels = labels(frame, treatment)
    u, trays = labels(frame, tray)
    if len(levels) < 2:
        raise ValueError(f"column '{treatment}' names one treatment only ({levels[0]}); a comparison needs two or more")
    return _layout(_coded(t, levels), _coded(u, trays), levels, trays)


def _coded(text: Text, levels: Sequence[str]) -> Codes:
    return pd.Categorical(text, categories=list(levels)).codes.astype(np.intp)


def replication_cautions(where: TrialDesign) -> list[str]:
    """What the number of trays alone forbids or limits."""
    alone = where.unreplicated
    if where.divided:
        return [
            "Some trays hold several treatments, so pots are compared within trays and each tray acts as a block; "
            "that is right only if the treatment was given to pots, not to trays."
        ]
    if len(alone) == len(where.levels):
        return [
            "There is one tray per treatment, so the effect of a treatment cannot be separated from that of "
            "its tray. The masses are described, and no difference is attributed to the treatment."
        ]
    out = []
    if alone:
        out.append(
            f"{listed(alone)} had only one tray, so its effect cannot be separated from that tray's. Its "
            "pairs have no p-value; give it a second tray."
        )
    fewest = min(n for i in range(len(where.levels)) if (n := where.trays_of(i)) > 1)
    if fewest < 4:
        floor = 2 / comb(2 * fewest, fewest)
        out.append(
            f"With {counted(fewest, 'tray')} a side, shuffling trays between two treatments could never give a p below "
            f"{floor:.2f}: a smaller p rests on tray means being normally distributed."
        )
    return out


def missing_cautions(where: TrialDesign, missing: NDArray[np.bool_], what: str) -> list[str]:
    """What pots without a value may do to the comparison. `where` is the layout of all pots."""
    lost = np.bincount(where.treatment[missing], minlength=len(where.levels))
    total = np.bincount(where.treatment, minlength=len(where.levels))
    if not lost.any():
        return []
    listed = ", ".join(f"{name} {a} of {b}" for name, a, b in zip(where.levels, lost, total, strict=True))
    if np.ptp(lost / total) > FEW_MISSING:
        return [
            f"Pots without {what} are unevenly spread ({listed}): if they were lost because of the treatment, only "
            "survivors are compared and the difference cannot be trusted."
        ]
    return [f"Pots without {what} were left out ({listed})."]


def overlap_cautions(where: TrialDesign, values: Array, what: str) -> list[str]:
    """Pairs of treatments whose ranges of a starting value do not meet."""
    out = []
    ranges = [
        (values[where.treatment == i].min(), values[where.treatment == i].max()) for i in range(len(where.levels))
    ]
    for i, (low, high) in enumerate(ranges):
        for j, (low_j, high_j) in enumerate(ranges[:i]):
            if low > high_j or high < low_j:
                out.append(
                    f"{where.levels[j]} and {where.levels[i]} do not overlap in {what}: their comparison leans on a "
                    "straight line drawn where no pots are, and cannot be relied on."
                )
    return out
