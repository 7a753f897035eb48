"""From what a sensor says to what is worth keeping: debounce, deadband, and the shorter form for a full journal.

In: values with their uptime [ms]. Out: (uptime_ms, value) pairs to journal, in order of time. No I/O.
"""

TYPE_CHECKING = False  # for mypy; no board has `typing`, and MicroPython looks at no annotation
if TYPE_CHECKING:
    from micropython_types import Kept, Value

HEARTBEAT_MS = 300000  # a value is sent this often though nothing moved (contract.md)
DRAIN_WATCHED_MS, DRAIN_HEARTBEAT_MS, DRY_M = 600000, 10000, 0.003


class Debounced:
    """A switch: a change counts once it has lasted `hold_ms`, and is dated to when it was first seen.

    Bouncing contacts settle within 50 ms; waves move a float for some seconds (common practice, no source).
    """

    def __init__(self, hold_ms: int) -> None:
        self.value: Value | None = None
        self._hold_ms = hold_ms
        self._since: int | None = None

    def see(self, value: Value, now_ms: int) -> int | None:
        """The time the switch went over to `value`, once that is certain; None until then."""
        if value == self.value:
            self._since = None
            return None
        if self._since is None:
            self._since = now_ms
        if self.value is not None and now_ms - self._since < self._hold_ms:
            return None
        since, self._since, self.value = self._since, None, value
        return since

    def doubt(self) -> None:
        """The sensor said nothing: what was seen of a change so far does not count."""
        self._since = None


class Deadband:
    """Keeps a value when it moved by more than `band` since the last one kept, and one each `heartbeat_ms`.

    With an edge the unchanged sample just before it is kept too: without it a jump would look like a
    slow slope from the last value kept.
    """

    def __init__(self, band: float, every_ms: int) -> None:
        self._band = band
        self._every_ms = every_ms
        self._kept: tuple[int, Value] | None = None
        self._before: tuple[int, Value] | None = None

    def see(self, value: Value, now_ms: int, heartbeat_ms: int = HEARTBEAT_MS) -> list[tuple[int, Value]]:
        """What to keep of the sample `value` at `now_ms`: none, one or two (uptime_ms, value)."""
        kept, before = self._kept, self._before
        self._before = (now_ms, value)
        if kept is None:
            keep = [(now_ms, value)]
        elif abs(value - kept[1]) > self._band:
            keep = [(now_ms, value)] if before is None or before == kept else [before, (now_ms, value)]
        elif now_ms - kept[0] > heartbeat_ms - self._every_ms:  # the next sample would be too late
            keep = [(now_ms, value)]
        else:
            return []
        self._kept = keep[-1]
        return keep

    def gap(self) -> None:
        """The sensor said nothing: the next value stands alone."""
        self._kept = self._before = None


class DrainWatch:
    """How often the levels are wanted: that a tray does not drain can only be told by readings that say so."""

    def __init__(self) -> None:
        self._until_ms: dict[str, int] = {}

    def stopped(self, tray: str, now_ms: int) -> None:
        """The tray's pump stopped, or its float fell."""
        self._until_ms[tray] = now_ms + DRAIN_WATCHED_MS

    def heartbeat_ms(self, tray: str, level_m: float, now_ms: int) -> int:
        """After how long [ms] the level is sent though it did not move."""
        watched = now_ms < self._until_ms.get(tray, 0) and level_m > DRY_M
        return DRAIN_HEARTBEAT_MS if watched else HEARTBEAT_MS


def summary(name: str, readings: list[Kept]) -> list[Kept]:
    """The shorter form of one message's readings (name, uptime_ms, value, offset) of one record name.

    Switches stay whole, since wet and dry are told from them; of the level the lowest and the highest
    are left, at their own times; of anything else the mean, at the mean time.
    """
    channel = name.rpartition("/")[2]
    if channel in ("flooded", "pump") or len(readings) == 1:
        return readings
    if channel == "level":
        low = min(readings, key=lambda reading: reading[2])
        high = max(readings, key=lambda reading: reading[2])
        return [low] if low[2] == high[2] else sorted((low, high), key=lambda reading: reading[1])
    count = len(readings)
    middle = sum(reading[1] for reading in readings) // count
    return [(readings[0][0], middle, sum(reading[2] for reading in readings) / count, readings[0][3])]
