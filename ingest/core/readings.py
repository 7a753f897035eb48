"""The vocabulary of tidetray: channels, units and ranges, readings, trays, errors.

Everything else in the project draws its words from here. No I/O, no clock.

Times inside are whole milliseconds since 1970 in UTC (`time_ms`) where speed matters and
timezone-aware UTC datetimes elsewhere; values are in the channel's unit.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache
from typing import Any, NamedTuple

MAX_GAP_S = 900.0
"""Two readings of a channel further apart than this [s] say nothing about the time between them."""

EARLIEST_MS = 1_577_836_800_000
"""2020-01-01T00:00:00Z [ms]. A clock that says less has not been set."""

FUTURE_TOLERANCE_S = 300.0
"""A reading may be this far [s] ahead of the recorder's clock before it goes into quarantine."""

ID_PATTERN = re.compile(r"[a-z0-9][a-z0-9-]{0,31}")
"""Sites, nodes, trays, pots and boots are named with a-z, 0-9 and '-', at most 32 characters."""

ID_MEND = "Use a-z, 0-9 and '-', at most 32 characters"
"""How to correct a name that ID_PATTERN does not match."""


def _made_again(kind: type[TidetrayError], args: tuple[Any, ...]) -> TidetrayError:
    return kind.__new__(kind, *args)


class TidetrayError(Exception):
    """Something a person can mend: what is wrong, where, and how to mend it."""

    def __init__(self, what: str, *, where: str = "", mend: str = "") -> None:
        self.what, self.where, self.mend = what, where, mend
        super().__init__(what, where, mend)

    def __reduce__(self) -> tuple[Any, ...]:
        """As pickle would any object: an error's own way calls `__init__` with `args`, which says more than they do."""
        return _made_again, (type(self), self.args), self.__dict__

    def __str__(self) -> str:
        text = f"{self.where}: {self.what}" if self.where else self.what
        return f"{text}. {self.mend}" if self.mend else text


@dataclass(frozen=True, slots=True)
class Channel:
    """One measured quantity.

    `unit` is the RFC 8428 unit on the wire and inside; empty where the RFC has none.
    Outside `low`..`high` a value is impossible in a tray and goes into quarantine.
    `threshold` splits time into above and below it (lit and dark for the light channels).
    """

    name: str
    unit: str
    low: float
    high: float
    label: str
    is_flag: bool = False
    threshold: float | None = None


CHANNELS: dict[str, Channel] = {
    channel.name: channel
    for channel in (
        Channel("level", "m", -0.05, 1.0, "water level above the tray floor"),
        Channel("flooded", "", 0.0, 1.0, "float switch at the flood mark", is_flag=True),
        Channel("pump", "", 0.0, 1.0, "pump running", is_flag=True),
        Channel("water_temp", "Cel", -5.0, 60.0, "water temperature"),
        Channel("air_temp", "Cel", -20.0, 60.0, "air temperature"),
        Channel("humidity", "%RH", 0.0, 105.0, "relative humidity"),
        Channel("light", "lx", 0.0, 200_000.0, "illuminance", threshold=50.0),
        Channel("ppfd", "", 0.0, 4_000.0, "photon flux 400-700 nm [µmol m⁻² s⁻¹]", threshold=1.0),
        Channel("mass", "kg", -0.1, 50.0, "load cell"),
        Channel("battery", "%EL", 0.0, 100.0, "battery left"),
        Channel("supply", "V", 0.0, 60.0, "supply voltage"),
    )
}


EVIDENCE = ("level", "flooded", "pump")
"""The channels that tell cycles."""


class Reading(NamedTuple):
    """One value of one channel at one time. `tray` is empty for a quantity of the node's own place."""

    tray: str
    channel: str
    time_ms: int
    value: float

    @property
    def time(self) -> datetime:
        return from_ms(self.time_ms)


MOST_ATTENUATION_PER_M = 20.0
"""Water that halves the light every 3.5 cm; the thickest algal bloom of a teaching text has half of that."""

DRAINS = ("hole", "standpipe", "siphon")
"""How water leaves a tray."""


@dataclass(frozen=True, slots=True)
class Tray:
    """A flood-and-drain tray; lengths are inner ones.

    `flood_mark_m` is the level at which the pots count as flooded, `dry_mark_m` the film of
    water that a drained tray keeps, `deadband_m` the ripple that means nothing (common
    practice, no source). The inlet is told in rows and columns of pots. Geometry that is not known is None;
    what needs it then says so.

    `drain` is how the water leaves: a `hole` that the pump's pressure or a valve keeps shut while the tray
    fills; a `standpipe` up to the overflow height, with a hole at its foot that is always open; or a `siphon`
    that starts at the overflow height. `drain_drop_m` is how far below the tray's floor its outlet ends.

    `attenuation_per_m` is by how much its water dims light of 400-700 nm (K of Beer-Lambert, 1/m): None where it
    was not measured.
    """

    name: str
    site: str = ""
    length_m: float | None = None
    width_m: float | None = None
    overflow_height_m: float | None = None
    drain_hole_diameter_m: float | None = None
    pump_flow_m3_s: float | None = None
    flood_mark_m: float = 0.02
    dry_mark_m: float = 0.003
    deadband_m: float = 0.002
    debounce_s: float = 2.0
    discharge_coefficient: float = 0.6
    inlet_row: float | None = None
    inlet_column: float | None = None
    drain: str = "hole"
    drain_drop_m: float = 0.0
    standpipe_diameter_m: float | None = None
    attenuation_per_m: float | None = None

    def __post_init__(self) -> None:
        for field in (
            "length_m",
            "width_m",
            "overflow_height_m",
            "drain_hole_diameter_m",
            "pump_flow_m3_s",
            "standpipe_diameter_m",
        ):
            value = getattr(self, field)
            if value is not None and not (math.isfinite(value) and value > 0):
                raise ValueError(f"tray {self.name}: {field} must be a positive number, not {value!r}")
        if not 0 <= self.dry_mark_m < self.flood_mark_m:
            raise ValueError(
                f"tray {self.name}: the dry mark ({self.dry_mark_m} m) must be below the flood mark "
                f"({self.flood_mark_m} m)"
            )
        if self.overflow_height_m is not None and self.overflow_height_m <= self.flood_mark_m:
            raise ValueError(
                f"tray {self.name}: the overflow ({self.overflow_height_m} m) must be above the flood mark "
                f"({self.flood_mark_m} m)"
            )
        if self.attenuation_per_m is not None and not 0 <= self.attenuation_per_m <= MOST_ATTENUATION_PER_M:
            raise ValueError(
                f"tray {self.name}: attenuation_per_m is 0 to {MOST_ATTENUATION_PER_M:g} per metre, not "
                f"{self.attenuation_per_m!r}"
            )
        if self.drain not in DRAINS:
            raise ValueError(f"tray {self.name}: the drain is one of {', '.join(DRAINS)}, not {self.drain!r}")

    @property
    def area_m2(self) -> float | None:
        if self.length_m is None or self.width_m is None:
            return None
        return self.length_m * self.width_m

    @property
    def hole_m2(self) -> float | None:
        if self.drain_hole_diameter_m is None:
            return None
        return math.pi / 4 * self.drain_hole_diameter_m**2


def to_ms(time: datetime) -> int:
    """Milliseconds since 1970 of an aware datetime. ValueError if it has no zone."""
    if time.tzinfo is UTC:
        return _utc_ms(time)
    if time.tzinfo is None:
        raise ValueError(f"a time needs a zone: {time.isoformat()}")
    return round(time.timestamp() * 1000)


@lru_cache(maxsize=64)
def _utc_ms(time: datetime) -> int:
    """Many messages come in one read, at one time. Only of UTC, where equal times are the same time."""
    return round(time.timestamp() * 1000)


def from_ms(time_ms: int) -> datetime:
    return datetime.fromtimestamp(time_ms / 1000, UTC)
