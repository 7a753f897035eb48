"""What no sensor in a tray can have measured, and no clock that is set can say. No I/O, no clock of its own.

Comes in: a value in its channel's unit, or a time. Goes out: nothing, or WireError `range` or `time` with
how to mend it. Holds for whatever way a value came: packs and plain values.
"""

from __future__ import annotations

from tidetray.ingest.core.readings import EARLIEST_MS, FUTURE_TOLERANCE_S, Channel, from_ms
from tidetray.ingest.wire.senml import WireError

CLOCK_MEND = "Set the node's clock; without one send seconds before now as a negative t"


def check_value(channel: Channel, value: float) -> None:
    """WireError `range` if `value`, in the channel's unit, is impossible in a tray."""
    if channel.low <= value <= channel.high:
        return
    mend = "Check the sensor and the unit"
    if channel.unit == "Cel" and value in (85.0, -127.0):
        # common practice, no source
        mend = "1-wire thermometers say 85 before they first measure and -127 when not found: check the wiring"
    allowed = f"{channel.low:g} to {channel.high:g} {channel.unit}".rstrip()
    raise WireError("range", f"{value:.6g} is outside {allowed}", mend=mend)


def check_time(time_ms: int, judged_ms: int, *, mend: str = CLOCK_MEND) -> None:
    """WireError `time` if a reading is ahead of the other time, or before all of them [ms since 1970]."""
    ahead_ms = time_ms - judged_ms
    if ahead_ms > FUTURE_TOLERANCE_S * 1000:
        what = f"the time is {ahead_ms / 1000:.10g} s ahead of the recorder's clock"
        raise WireError("time", what, mend=mend)
    if time_ms < EARLIEST_MS:
        raise WireError("time", f"the time is before {from_ms(EARLIEST_MS):%Y-%m-%d}", mend=mend)
