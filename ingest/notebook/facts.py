"""What a notebook holds, as plain facts: trials, treatments, trays in a trial, pots, weigh-ins; and its errors.

Frozen dataclasses without behaviour; `ingest/notebook/notebook.py` keeps them, `ingest/notebook/weigh_in_rules.py`
judges them.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime

from tidetray.ingest.core.readings import CHANNELS, Tray

MAX_MASS_G = CHANNELS["mass"].high * 1000
"""Heaviest weigh-in believed [g]: what the load cell channel takes."""

POT_NAME_LENGTH = 32
POT_NAME = re.compile(rf"(?!.*  )[\w#+](?:[\w .#+()-]{{0,{POT_NAME_LENGTH - 2}}}[\w.#+()-])?")
"""What a pot may be called: its name is kept as it was typed, and found whatever its capitals."""

BASE_C = 5.0
"""Warmth counts above this where a trial names no other base (common practice for plants of cool waters, no source)."""

WARMTH_C = (-10.0, 50.0)
"""Between these a base or top temperature lies."""


@dataclass(frozen=True, slots=True)
class Trial:
    """`zone` is the IANA name of the site's clock, `started` a UTC time; `layout_seed` drew the layout, if one did.

    Warmth is counted above `base_temp_c` (None: BASE_C) and up to `top_temp_c` (None: without end). `ended` (UTC): from
    then on nothing is asked of it; None while it runs. `archived`: not offered any more, and still there.
    """

    name: str
    site: str
    zone: str
    started: datetime
    species: str
    question: str
    layout_seed: int | None = None
    base_temp_c: float | None = None
    top_temp_c: float | None = None
    ended: datetime | None = None
    archived: bool = False


@dataclass(frozen=True, slots=True)
class Treatment:
    """`culture` is emersed, submersed or mixed; `flood_times` are local 'HH:MM', only where mixed."""

    name: str
    culture: str
    flood_times: tuple[str, ...] = ()
    wet_minutes: float = 0.0


@dataclass(frozen=True, slots=True)
class TrayPlan:
    """A tray in a trial: its treatment and the lamp above it (a name `tidetray.analysis.conditions.light` knows, or
    None).

    Where it stands, if known: its block of a layout, bench, and row and column on the bench.

    `noted` is False of a stand-in: it holds the pots of one treatment whose trays nobody noted. It has no water, no
    sensors and no place, and no other table than the trial's knows it.
    """

    tray: Tray
    treatment: str
    lamp: str | None = None
    block: str = ""
    bench: str = ""
    bench_row: int | None = None
    bench_column: int | None = None
    noted: bool = True

    @property
    def name(self) -> str:
        return self.tray.name


@dataclass(frozen=True, slots=True)
class PotPlan:
    """A pot and its first place; rows and columns count from 1, `height_m` is above the tray floor.

    Row and column are None where nobody noted them; `tare_g` is NaN where nobody noted what the empty pot weighs, and
    0 where it is taken off every mass before it is written down (net masses).
    """

    name: str
    tray: str
    row: int | None
    column: int | None
    tare_g: float
    height_m: float | None = None
    stock: str = ""


def place_of(pot: PotPlan | Placement) -> tuple[int, int]:
    """Row and column. ValueError where nobody noted them."""
    if pot.row is None or pot.column is None:
        raise ValueError("the place was not noted")
    return pot.row, pot.column


@dataclass(frozen=True, slots=True)
class TrialPlan:
    trial: Trial
    treatments: tuple[Treatment, ...]
    trays: tuple[TrayPlan, ...]
    pots: tuple[PotPlan, ...]


@dataclass(frozen=True, slots=True)
class PlanAdded:
    """What was new to the notebook; nothing at all when the same plan comes again. `warmth`: it is counted anew."""

    trial: bool
    trays: tuple[str, ...]
    pots: tuple[str, ...]
    warmth: bool = False
    treatments: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Placement:
    """A pot in one place from `start` until `end` (UTC; None while it stands there).

    Row, column and tare as in `PotPlan`.
    """

    pot: str
    tray: str
    row: int | None
    column: int | None
    treatment: str
    tare_g: float
    start: datetime
    end: datetime | None


@dataclass(frozen=True, slots=True)
class WeighIn:
    """One weighing of one pot [g]; `time` in UTC. `tare_g` as in `PotPlan`, and with it `net_g`."""

    pot: str
    time: datetime
    replicate: int
    gross_g: float
    tare_g: float
    blotted: bool = True
    who: str = ""
    note: str = ""
    balance: str = ""

    @property
    def net_g(self) -> float:
        return self.gross_g - self.tare_g


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of the trail of weigh-ins: as it was entered, and what it replaces.

    `number` names it. `stands`: nothing replaced it since, and it is no removal. `entered_by` and `reason`
    belong to a correction or a removal; who weighed is in `weigh_in`.
    """

    number: int
    weigh_in: WeighIn
    entered: datetime
    stands: bool
    replaces: int | None = None
    removed: bool = False
    entered_by: str = ""
    reason: str = ""


EVENT_KINDS = {
    "pot moved": "is in another position from then on",
    "pots swapped": "two pots have swapped positions from then on",
    "pot lost": "is gone or dead: no weigh-in after that",
    "pot sampled": "was taken out to be dried: no weigh-in after that",
    "pot split": "was divided: growth starts again",
    "pot split off": "came from dividing another pot",
    "pot re-potted": "is in a new net pot with a new tare",
    "tray moved": "stands in another place",
    "lamp changed": "has another lamp above it",
    "water changed": "has water that dims light by another attenuation (1/m) from then on",
    "treatment changed": "is given another treatment from then on (crossover)",
    "feed dosed": "got feed",
}
"""What can happen to a pot or a tray in the course of a trial -> what that means."""

POT_ENDS = ("pot lost", "pot sampled")


@dataclass(frozen=True, slots=True)
class Event:
    """What happened to a pot or a tray; `time` in UTC.

    `value` is the new lamp, attenuation, treatment or place of a tray, what was dosed, the other one of two pots that
    were swapped, or the pot that a new one was split off from. `number` and `entered` are given by the notebook.
    """

    kind: str
    time: datetime
    pot: str = ""
    tray: str = ""
    row: int | None = None
    column: int | None = None
    tare_g: float | None = None
    value: str = ""
    who: str = ""
    why: str = ""
    number: int | None = None
    entered: datetime | None = None
