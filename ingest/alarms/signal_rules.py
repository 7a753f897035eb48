"""Rules for single signals: limits with deadband and delays, sensors that stand still or say what cannot be, the lamp.

In: readings of one place (a tray, or a node's own place) in order of time. Out: findings begun and ended.
A value holds until the next one, for a node sends what changed; never longer than MAX_GAP_S. No I/O, no clock.

A high alarm begins when the value has been above its limit for the on-delay, and ends when it has been below the
limit less the deadband for the off-delay (IEC 62682's terms; OPC UA Part 9, annex B.1.5: the deadband stands on
the returning side only). Defaults of deadband and delays follow EEMUA 191: 1 % of the span and 60 s for
temperatures (from memory; not found to read. Each is a setting, and a wrong one raises an alarm somewhat sooner or more
often).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from tidetray.ingest.alarms.tray_rules import Findings, span
from tidetray.ingest.core.readings import CHANNELS, MAX_GAP_S
from tidetray.ingest.core.vapour import vpd_kpa
from tidetray.ingest.core.wall_clock import Daily

MAX_GAP_MS = round(MAX_GAP_S * 1000)

FLAT_HOURS = 6.0
FLICKER = 0.5
"""A sensor whose readings mostly differ from the one before, and that stands still to the last digit for FLAT_HOURS,
is stuck. One that often repeats itself (a coarse one, a dry tray) cannot be told from a stuck one: nothing is said."""

_FLAT_CHANNELS = ("level", "water_temp", "air_temp", "humidity", "mass")
_FLAT_LEAST = 24
_FLICKER_WEIGHT = 0.02

LAMP_GRACE_S = 900.0
"""A lamp may switch so much before or after its hour (common practice, no source)."""

WET_SENSOR_PCT, WET_SENSOR_H = 99.5, 12.0
"""A humidity sensor that says so for so long has water on it (common practice, no source)."""


class AlarmLimits(NamedTuple):
    """Where a signal should be, in its unit; None: no limit on that side."""

    low: float | None
    high: float | None
    deadband: float
    on_delay_s: float = 60.0
    off_delay_s: float = 60.0


LABELS = {name: (channel.label, channel.unit) for name, channel in CHANNELS.items()} | {
    "vpd": ("vapour pressure deficit", "kPa")
}
SHOWN_UNIT = {"Cel": "°C", "%RH": "%", "%EL": "%", "m": "m"}


class LimitRule:
    """One signal against its limits. `step` gives 'too high', 'too low' or '' as it stands after the reading."""

    def __init__(self, limits: AlarmLimits) -> None:
        self.limits = limits
        self.side = ""
        self.since_ms = 0
        self._pending = ""
        self._pending_ms = 0
        self._at_ms = -1

    @property
    def is_waiting(self) -> bool:
        """Whether a delay runs."""
        return self._pending != self.side

    def step(self, at_ms: int, value: float) -> str:
        self.hold(at_ms)
        if at_ms - self._at_ms > MAX_GAP_MS:
            self._pending = self.side
        self._at_ms = at_ms
        wanted = self._wanted(value)
        if wanted != self._pending:
            self._pending, self._pending_ms = wanted, at_ms
        return self.hold(at_ms)

    def hold(self, now_ms: int) -> str:
        """What stands at `now_ms` if the last value held until then, or as long as it may."""
        if self._pending != self.side:
            delay_s = self.limits.on_delay_s if self._pending else self.limits.off_delay_s
            if min(now_ms, self._at_ms + MAX_GAP_MS) - self._pending_ms >= 1000 * delay_s:
                self.side, self.since_ms = self._pending, self._pending_ms
        return self.side

    def _wanted(self, value: float) -> str:
        low, high, deadband = self.limits.low, self.limits.high, self.limits.deadband
        if high is not None and (value > high or (self.side == "too high" and value > high - deadband)):
            return "too high"
        if low is not None and (value < low or (self.side == "too low" and value < low + deadband)):
            return "too low"
        return ""


class FlatRule:
    """Whether a sensor that usually flickers stands still."""

    def __init__(self) -> None:
        self._last: float | None = None
        self._from_ms = 0
        self._n = 0
        self._flicker = 0.0
        self._at_ms = 0

    def step(self, at_ms: int, value: float) -> int | None:
        """Since when it stands still; None if it does not, or if that is nothing unusual."""
        gap, self._at_ms = at_ms - self._at_ms > MAX_GAP_MS, at_ms
        if value != self._last or gap:
            if not gap:
                # the run that ends here counts too: a sensor that often repeats itself is no flickering one
                self._flicker *= (1 - _FLICKER_WEIGHT) ** self._n
                self._flicker += _FLICKER_WEIGHT
            self._last, self._from_ms, self._n = value, at_ms, 0
            return None
        self._n += 1
        still = self._flicker >= FLICKER and self._n >= _FLAT_LEAST and at_ms - self._from_ms >= FLAT_HOURS * 3_600_000
        return self._from_ms if still else None


def known_bad(channel: str, value: float, before: float | None) -> str:
    """What a common part means by a value that could be one; empty if it means nothing by it."""
    if channel in ("water_temp", "air_temp") and value == 0.0 and (before is None or abs(before) > 5):
        return "exactly 0.0 °C at once: a 1-wire thermometer with a shorted line shows this value"
    if channel == "humidity" and value == 0.0 and (before is None or before > 10):
        return "exactly 0 %: the sensor answers without measuring"
    if channel == "light" and abs(value - 54612.5) < 0.1:
        return "54612.5 lx is the end of the sensor's range: the light is stronger, or the sensor fails"
    return ""


@dataclass(frozen=True, slots=True)
class SignalPlan:
    """Limits by channel (and `vpd`), and when the lamp goes on and off; the two are both there or neither."""

    limits: dict[str, AlarmLimits]
    lamp_on: Daily | None = None
    lamp_off: Daily | None = None


class SignalWatch:
    """The signals of one place; `take` each reading in order, `hold` from time to time."""

    def __init__(self, plan: SignalPlan, findings: Findings) -> None:
        self._plan = plan
        self._findings = findings
        self._limits = {channel: LimitRule(limits) for channel, limits in plan.limits.items()}
        self._flat: dict[str, FlatRule] = {}
        self._last: dict[str, tuple[int, float]] = {}
        self._lamp = LimitRule(AlarmLimits(None, 0.5, 0.0, 60.0, 60.0))
        self._lamp_burns, self._lamp_since_ms, self._lamp_until_ms = False, 0, 0
        self._wet_sensor = LimitRule(AlarmLimits(None, WET_SENSOR_PCT, 1.0, WET_SENSOR_H * 3600, 3600.0))

    def take(self, channel: str, at_ms: int, value: float, *, is_dry: bool) -> None:
        before = self._last.get(channel)
        if before is not None and at_ms <= before[0]:
            return
        if not self._is_sound(channel, at_ms, value, None if before is None else before[1]):
            return
        self._last[channel] = (at_ms, value)
        rule = self._limits.get(channel)
        if rule is not None:
            self._step(channel, rule, at_ms, value)
        if channel in ("air_temp", "humidity"):
            self._judge_vpd(at_ms, is_dry=is_dry)
        elif channel in ("light", "ppfd"):
            self._judge_lamp(channel, at_ms, value)

    def hold(self, now_ms: int) -> None:
        """The last values may have stood for their delay by now, without another reading."""
        for channel, rule in self._limits.items():
            if rule.is_waiting and channel in self._last:
                before = rule.side
                if rule.hold(now_ms) != before:
                    self._limit(channel, rule, rule.side, now_ms, self._last[channel][1])

    def _step(self, channel: str, rule: LimitRule, at_ms: int, value: float) -> None:
        before = rule.side
        if rule.step(at_ms, value) != before:
            self._limit(channel, rule, rule.side, at_ms, value)

    def _limit(self, channel: str, rule: LimitRule, side: str, at_ms: int, value: float) -> None:
        label, unit = LABELS[channel]
        unit = SHOWN_UNIT.get(unit, unit)
        if channel in ("battery", "supply"):
            self._low_power(channel, rule, side, at_ms, value)
            return
        for kind, limit in (("too high", rule.limits.high), ("too low", rule.limits.low)):
            if side == kind:
                detail = f"{label} {value:.4g} {unit}, the limit is {limit:.4g} {unit}"
                self._findings.begin(kind, rule.since_ms, at_ms, detail, channel=channel)
            else:
                self._findings.end(kind, at_ms, channel=channel, ended_ms=rule.since_ms)

    def _low_power(self, channel: str, rule: LimitRule, side: str, at_ms: int, value: float) -> None:
        if side == "too low":
            unit = SHOWN_UNIT.get(CHANNELS[channel].unit, CHANNELS[channel].unit)
            self._findings.begin(
                f"{channel} low", rule.since_ms, at_ms, f"{value:.4g} {unit}, the limit is {rule.limits.low:.4g} {unit}"
            )
        else:
            self._findings.end(f"{channel} low", at_ms)

    def _judge_vpd(self, at_ms: int, *, is_dry: bool) -> None:
        rule, air, damp = self._limits.get("vpd"), self._last.get("air_temp"), self._last.get("humidity")
        if rule is None or air is None or damp is None or abs(air[0] - damp[0]) > MAX_GAP_MS:
            return
        # under water the plants do not feel the air: the deficit counts as in order
        value = float(vpd_kpa(air[1], damp[1])) if is_dry else (rule.limits.low or 0.0) + rule.limits.deadband
        self._last["vpd"] = (at_ms, value)
        self._step("vpd", rule, at_ms, value)

    def _judge_lamp(self, channel: str, at_ms: int, value: float) -> None:
        on, off = self._plan.lamp_on, self._plan.lamp_off
        threshold = CHANNELS[channel].threshold
        if on is None or off is None or threshold is None:
            return
        if at_ms >= self._lamp_until_ms:
            self._lamp_times(on, off, at_ms)
        should_burn, lit = self._lamp_burns, value >= threshold
        since_ms, until_ms = at_ms - self._lamp_since_ms, self._lamp_until_ms - at_ms
        in_grace = min(since_ms, until_ms) < 1000 * LAMP_GRACE_S
        wrong = lit != should_burn and not in_grace
        stands = self._lamp.step(at_ms, float(wrong))
        if stands and should_burn and not lit:
            self._findings.begin(
                "light missing", self._lamp.since_ms, at_ms, f"dark ({value:.0f}), and the lamp should burn"
            )
        elif stands and not should_burn and lit:
            self._findings.begin(
                "lamp at the wrong hour", self._lamp.since_ms, at_ms, f"light ({value:.0f}), and the lamp should be off"
            )
        elif not stands and self._findings:
            self._findings.end("light missing", at_ms)
            self._findings.end("lamp at the wrong hour", at_ms)

    def _lamp_times(self, on: Daily, off: Daily, at_ms: int) -> None:
        """Whether the lamp should burn now, since when, and until when."""
        last_on, last_off = on.last_ms(at_ms) or 0, off.last_ms(at_ms) or 0
        self._lamp_burns, self._lamp_since_ms = last_on > last_off, max(last_on, last_off)
        self._lamp_until_ms = (off if self._lamp_burns else on).next_ms(at_ms) or 0

    def _is_sound(self, channel: str, at_ms: int, value: float, before: float | None) -> bool:
        """Judge the sensor; whether its value is one."""
        meaning = known_bad(channel, value, before)
        since_ms = at_ms
        if channel == "humidity" and self._wet_sensor.step(at_ms, value):
            meaning = f"{WET_SENSOR_PCT:g} % or more for {WET_SENSOR_H:g} h: there is water on the sensor"
            since_ms = self._wet_sensor.since_ms
        if meaning:
            self._findings.begin("known bad value", since_ms, at_ms, meaning, channel=channel)
            return False
        if self._findings:
            self._findings.end("known bad value", at_ms, channel=channel)
        if channel in _FLAT_CHANNELS and not (channel == "humidity" and value >= WET_SENSOR_PCT):
            flat_ms = self._flat.setdefault(channel, FlatRule()).step(at_ms, value)
            if flat_ms is not None:
                detail = f"{LABELS[channel][0]}: {value:g} to the last digit for {span((at_ms - flat_ms) / 1000)}"
                self._findings.begin("flat line", flat_ms, at_ms, detail, channel=channel)
            elif value != before and self._findings:
                self._findings.end("flat line", at_ms, channel=channel)
        return True
