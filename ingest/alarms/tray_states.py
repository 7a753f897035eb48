"""What is known of a tray while its readings come in, a small state for each subject: level, float, pump, flood, drain.

In: readings in order of time. Out: what they say of one subject. `tray_rules` judges; nothing is raised here. Times are
those of the readings [ms since 1970].
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

from tidetray.ingest.core.readings import MAX_GAP_S, Tray
from tidetray.ingest.cycles.usual_times import Learned, usual_drain_s, usual_fill_s
from tidetray.ingest.notebook.flood_plans import FloodPlan, FloodSpell

MAX_GAP_MS = round(MAX_GAP_S * 1000)

FLAPS, FLAPS_S = 12, 600.0
"""A float that changes so often within this flaps: it is loose, or its contact is (common practice, no source)."""

EARLY_S, LATE_S = 600.0, 900.0
"""A flood may begin so much before and after its time in the schedule (common practice, no source)."""


@dataclass(slots=True)
class Level:
    """The water level: the last reading [m], and the one before it if no gap lies between."""

    value_m: float | None = None
    at_ms: int = -1
    before: tuple[int, float] | None = None

    def take(self, at: int, value_m: float) -> None:
        goes_on = self.value_m is not None and at - self.at_ms <= MAX_GAP_MS
        self.before = (self.at_ms, self.value_m) if goes_on and self.value_m is not None else None
        self.value_m, self.at_ms = value_m, at

    def now_m(self, at: int) -> float | None:
        """The level, as far as its last reading is new enough."""
        return self.value_m if at - self.at_ms <= MAX_GAP_MS else None

    def crossed_ms(self, at: int, mark_m: float) -> int:
        """When it fell through a mark, on a straight line between the last two readings."""
        if self.before is None or self.value_m is None or self.at_ms != at:
            return at
        before_ms, before_m = self.before
        if before_m <= mark_m:
            return at
        return round(before_ms + (before_m - mark_m) / (before_m - self.value_m) * (at - before_ms))


@dataclass(slots=True)
class Stillness:
    """Whether the level sensor moves: since when it shows the same [m] within a deadband, and whether it ever moved.

    `shown_by`: when what else was measured showed that the water moved meanwhile [ms], and in words. `floats`: the
    positions in which the float has rested meanwhile.
    """

    value_m: float | None = None
    since_ms: int = -1
    moved: bool = False
    shown_by: tuple[int, str] | None = None
    floats: set[bool] = field(default_factory=set)

    def take(self, at: int, value_m: float, deadband_m: float) -> bool:
        """A reading of the level; whether it has moved."""
        if self.value_m is not None and abs(value_m - self.value_m) <= deadband_m:
            return False
        self.moved = self.value_m is not None
        self.value_m, self.since_ms, self.shown_by = value_m, at, None
        self.floats.clear()
        return self.moved

    def show(self, at: int, words: str) -> None:
        """The water moved, and the level did not: it counts as soon as the sensor sends the same again."""
        if self.shown_by is None:
            self.shown_by = (at, words)


@dataclass(slots=True)
class Float:
    """The float switch: up or not, since when, and when it changed lately."""

    up: bool | None = None
    since_ms: int = -1
    changes: deque[int] = field(default_factory=lambda: deque(maxlen=4 * FLAPS))

    def take(self, at: int, *, up: bool) -> None:
        if up != self.up:
            if self.up is not None:
                self.changes.append(at)
            self.since_ms = at
        self.up = up

    def forget_before(self, at: int) -> None:
        """Only the changes of the last FLAPS_S count."""
        while self.changes and at - self.changes[0] > 1000 * FLAPS_S:
            self.changes.popleft()


@dataclass(slots=True)
class Pump:
    """The pump: on or not, its run under way or just over, and the level [m] at which that began."""

    on: bool | None = None
    from_ms: int | None = None
    to_ms: int | None = None
    level_m: float | None = None

    def start(self, at: int, level_m: float | None) -> None:
        self.from_ms, self.to_ms, self.level_m = at, None, level_m

    def gap(self, at: int) -> None:
        """Nothing of a run before a gap is held against it."""
        self.from_ms, self.to_ms = (at if self.on else None), None

    def judged(self) -> None:
        """The run is over, and has been judged."""
        self.from_ms = self.to_ms = None


@dataclass(slots=True)
class Flood:
    """A flood under way: since when, whether it reached the mark, and its highest level [m]."""

    from_ms: int | None = None
    reached: bool = False
    peak_m: float = 0.0

    def begin(self, at: int, level_m: float | None) -> None:
        self.from_ms, self.reached, self.peak_m = at, False, level_m or 0.0

    def end(self) -> None:
        self.from_ms, self.peak_m = None, 0.0


@dataclass(slots=True)
class Drain:
    """A draining under way: since when (None: none is), and from which level [m]."""

    from_ms: int | None = None
    level_m: float = 0.0

    def begin(self, at: int, level_m: float) -> None:
        self.from_ms, self.level_m = at, level_m


@dataclass(slots=True)
class Lasting:
    """Since when something holds without a break; None: it does not."""

    since_ms: int | None = None

    def holds(self, at: int) -> float:
        """It holds now; for how long already [s]."""
        self.since_ms = at if self.since_ms is None else self.since_ms
        return (at - self.since_ms) / 1000

    def ends(self) -> None:
        self.since_ms = None


class UsualTimes:
    """How long a tray usually takes to fill and to drain: as `learned` from its cycles, by measure (fill, drain), or by
    its geometry."""

    def __init__(self, tray: Tray) -> None:
        self._tray = tray
        self.learned: dict[str, Learned | None] = {}
        self._fill: tuple[Learned | None, float | None] | None = None

    def fill_s(self) -> float | None:
        learned = self.learned.get("fill")
        if self._fill is None or self._fill[0] is not learned:
            self._fill = (learned, usual_fill_s(self._tray, learned))
        return self._fill[1]

    def drain_s(self, level_m: float) -> float:
        """From a level, at least from the flood mark."""
        return usual_drain_s(self._tray, max(level_m, self._tray.flood_mark_m), self.learned.get("drain"))


class DueFloods:
    """What the tray is meant to do at the time of the readings, and the next flood that is not answered for yet."""

    def __init__(self, plan: FloodPlan) -> None:
        self._plan = plan
        self.spell = plan.at(-1)
        self.next_ms: int | None = None

    @property
    def culture(self) -> str:
        return self.spell.culture

    @property
    def is_drained(self) -> bool:
        """Whether water is to leave the tray: not while it is kept under water, nor while people rebuild it."""
        return self.spell.is_ready and self.spell.culture != "submersed"

    def at(self, at: int) -> FloodSpell:
        """The plan that held at a time."""
        return self._plan.at(at)

    def gap(self, at: int) -> None:
        """Floods before the end of a gap are not asked for."""
        self.next_ms = self._plan.next_ms(at)

    def follow(self, spell: FloodSpell, heard_ms: int) -> FloodSpell:
        """Another plan holds from now on, after all was heard up to a time; the one before."""
        before, self.spell = self.spell, spell
        self.next_ms = self._plan.next_ms(max(spell.from_ms - 1, heard_ms))
        return before

    def late(self, at: int) -> int | None:
        """A flood that is due and was not tried, once it is late; the next one takes its place."""
        if self.next_ms is None or at < self.next_ms + 1000 * LATE_S:
            return None
        due, self.next_ms = self.next_ms, self._plan.next_ms(self.next_ms)
        return due

    def near(self, at: int) -> int | None:
        """The flood that is due at about this time."""
        return self._plan.near(at, round(1000 * EARLY_S), round(1000 * LATE_S))

    def attempt(self, at: int) -> None:
        """A flood was tried: the one that is due then is not missed, whatever comes of it."""
        due = self.near(at)
        if due is not None and self.next_ms is not None and due >= self.next_ms:
            self.next_ms = self._plan.next_ms(due)
