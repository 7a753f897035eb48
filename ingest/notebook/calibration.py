"""Calibration of a sensor: pairs of read and true in, the two numbers that its node applies out.

Nothing recorded is changed by them: they act in the node (`calibration` in its node.json), from then on.
No I/O; the form that people fill in is `calibration_file.py`'s.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from tidetray.ingest.core.refusals import EntryError

THROUGH_ZERO = ("light", "ppfd")
"""Dark is dark: one factor, no offset."""

TOLERANCES = {"level": 0.002, "water_temp": 0.3, "air_temp": 0.3, "humidity": 3.0}
"""How far [the channel's unit] a point may lie off the line (common practice, no source)."""

TOLERANCE_SHARES = {"light": 0.1, "ppfd": 0.1, "mass": 0.001}
"""The same as a share of the largest true value."""


@dataclass(frozen=True, slots=True)
class Calibration:
    """One sensor's channel on one day: true = gain x read + offset. `read` is what it said uncalibrated."""

    site: str
    node: str
    tray: str
    channel: str
    on: date
    who: str
    against: str
    points: tuple[tuple[float, float], ...]
    gain: float
    offset: float

    @property
    def name(self) -> str:
        """As in the node's messages, with the node in front."""
        return f"{self.node} {self.tray}/{self.channel}" if self.tray else f"{self.node} {self.channel}"

    def true(self, read: float) -> float:
        return self.gain * read + self.offset

    @property
    def farthest(self) -> float:
        """How far the point that fits the line least lies off it, in the channel's unit."""
        return max(abs(self.true(read) - true) for read, true in self.points)

    @property
    def tolerance(self) -> float:
        largest = max(abs(true) for _, true in self.points)
        return TOLERANCES.get(self.channel, TOLERANCE_SHARES.get(self.channel, 0.0) * largest)


def fit(points: Sequence[tuple[float, float]], *, through_zero: bool) -> tuple[float, float]:
    """Gain and offset of true = gain x read + offset by least squares; EntryError if the points give no line."""
    read, true = np.array(points, dtype=float).T
    if through_zero:
        if not np.any(read > 0):
            raise EntryError("no point with light in it", mend="Give a point measured in the light of the trial")
        gain, offset = float(read @ true / (read @ read)), 0.0
    else:
        if np.ptp(read) == 0:
            raise EntryError("one point only, or all at one reading", mend="Give at least two different points")
        centred = read - read.mean()
        gain = float(centred @ true / (centred @ centred))
        offset = float(true.mean() - gain * read.mean())
    if gain <= 0:
        raise EntryError("it reads less where there is more", mend="Write each point as [read, true], uncalibrated")
    return gain, offset
