"""The part of `tidetray.toml` that speaks of alarms: limits, lamp, quiet hours, who is told, shared pumps.

In: the `[alarms]` table. Out: frozen settings, or every fault in plain words; `rule_faults` says what can only be
told with the notebook at hand: names of trays that are not there. A rule that can never fire, or that contradicts
itself or another, is a fault. Reads no files.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from datetime import time
from pathlib import Path
from typing import Annotated, Any, Self

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, SecretStr, field_validator, model_validator

from tidetray.ingest.alarms.kinds import KINDS
from tidetray.ingest.alarms.signal_rules import LABELS, AlarmLimits
from tidetray.ingest.core.near_names import near_names
from tidetray.ingest.core.readings import CHANNELS, MAX_GAP_S

MOST_VPD_KPA = 20.0
"""Saturation at 60 °C: no air that can be measured here has a greater deficit."""

DEFAULT_LIMITS: dict[str, AlarmLimits] = {
    "water_temp": AlarmLimits(12.0, 30.0, 0.3, 60.0, 60.0),
    "air_temp": AlarmLimits(8.0, 36.0, 0.5, 60.0, 60.0),
    "vpd": AlarmLimits(None, 1.8, 0.1, 600.0, 600.0),
    "battery": AlarmLimits(20.0, None, 5.0, 60.0, 60.0),
}
"""Limits: common practice, no source. Deadband about 1 % of the span and 60 s for temperatures: as in
`signal_rules`, from memory; the deficit swings with every open door, so it waits longer."""


def _clock(value: Any) -> Any:
    if isinstance(value, str) and len(value) == 5 and value[2] == ":":
        hours, _, minutes = value.partition(":")
        if hours.isdigit() and minutes.isdigit() and int(hours) < 24 and int(minutes) < 60:
            return time(int(hours), int(minutes))
    if isinstance(value, time):
        return value
    raise ValueError('write a time of day as "07:00"')


Clock = Annotated[time, BeforeValidator(_clock)]


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True)


class LimitSettings(_Part):
    """What is not given is as in DEFAULT_LIMITS."""

    low: float | None = None
    high: float | None = None
    deadband: float | None = Field(default=None, ge=0)
    on_delay_s: float | None = Field(default=None, ge=0)
    off_delay_s: float | None = Field(default=None, ge=0)

    @model_validator(mode="after")
    def _sound(self) -> Self:
        if self.low is not None and self.high is not None:
            if self.low >= self.high:
                raise ValueError(
                    f"low {self.low:g} is not below high {self.high:g}: it would always be active. Swap or correct them"
                )
            if self.deadband is not None and self.deadband >= self.high - self.low:
                raise ValueError(
                    f"the deadband {self.deadband:g} is as wide as the limits are apart: it would never end. "
                    "Make it smaller"
                )
        for name, delay_s in (("on_delay_s", self.on_delay_s), ("off_delay_s", self.off_delay_s)):
            if delay_s is not None and delay_s > MAX_GAP_S:
                raise ValueError(
                    f"{name} {delay_s:g} is longer than a reading holds ({MAX_GAP_S:g} s): it can never "
                    "fire. Make it shorter"
                )
        return self


class LampSettings(_Part):
    on: Clock
    off: Clock

    @model_validator(mode="after")
    def _sound(self) -> Self:
        if self.on == self.off:
            raise ValueError("on and off are the same: no lamp is ever missing. Correct one of them")
        return self


class QuietSettings(_Part):
    """Hours in which only alarms of high priority are sent; the others wait for the end."""

    begin: Clock = Field(alias="from")
    until: Clock

    @model_validator(mode="after")
    def _sound(self) -> Self:
        if self.begin == self.until:
            raise ValueError("from and until are the same: it would always, or never, be quiet. Correct one of them")
        return self


class PersonSettings(_Part):
    """Somebody who is told: at once, or when nobody has acknowledged an alarm for `after_minutes`.

    `urls` are addresses as Apprise takes them; they hold secrets, so better one a line in `urls_file`.
    """

    name: str = Field(pattern=r"^[^\s](.{0,38}[^\s])?$")
    urls: tuple[SecretStr, ...] = ()
    urls_file: Path | None = None
    after_minutes: float = Field(default=0, ge=0, le=1440)

    @model_validator(mode="after")
    def _sound(self) -> Self:
        if bool(self.urls) == (self.urls_file is not None):
            raise ValueError("give either urls or urls_file, so that messages can reach them")
        if self.name == "mqtt":
            raise ValueError("'mqtt' is no name for a person here. Give another")
        return self


class PumpSettings(_Part):
    """Trays that one pump or reservoir fills: when several of them get no water, that is one alarm."""

    name: str = Field(pattern=r"^[a-z0-9][a-z0-9-]{0,31}$")
    trays: tuple[str, ...] = Field(min_length=2)


def _over(limits: AlarmLimits, given: LimitSettings | None) -> AlarmLimits:
    return limits if given is None else limits._replace(**given.model_dump(exclude_none=True))


def _span(channel: str) -> float:
    return CHANNELS[channel].high - CHANNELS[channel].low


def _limits(limits: dict[str, LimitSettings]) -> dict[str, LimitSettings]:
    can = [name for name in LABELS if name == "vpd" or not CHANNELS[name].is_flag]
    for channel, given in limits.items():
        if channel not in can:
            raise ValueError(f"{channel}: there is no such channel with limits. {near_names(channel, can)}")
        low, high = (0.0, MOST_VPD_KPA) if channel == "vpd" else (CHANNELS[channel].low, CHANNELS[channel].high)
        merged = _over(DEFAULT_LIMITS.get(channel, AlarmLimits(None, None, 0.0)), given)
        for name, value in (("low", given.low), ("high", given.high)):
            if value is not None and not low < value < high:
                raise ValueError(
                    f"{channel}: {name} {value:g} can never fire: readings lie between {low:g} and {high:g}, "
                    "others go to quarantine"
                )
        if merged.low is None and merged.high is None:
            raise ValueError(f"{channel}: it has neither low nor high, and can never fire. Give one of them")
        if merged.low is not None and merged.high is not None and merged.low + merged.deadband >= merged.high:
            raise ValueError(
                f"{channel}: low {merged.low:g} with its deadband is not below high {merged.high:g} (one of "
                "them may be the usual one). Give both"
            )
        if channel in ("battery", "supply") and given.high is not None:
            raise ValueError(f"{channel}: only low is looked at. Take high out")
    return limits


def _off(off: tuple[str, ...]) -> tuple[str, ...]:
    for kind in off:
        if kind not in KINDS:
            raise ValueError(f"there is no alarm '{kind}'. {near_names(kind, KINDS)}")
    return off


class TraySettings(_Part):
    """What is different for one tray."""

    limits: dict[str, LimitSettings] = {}
    lamp: LampSettings | None = None
    off: tuple[str, ...] = ()

    _names = field_validator("limits")(_limits)
    _kinds = field_validator("off")(_off)


class AlarmSettings(_Part):
    """`off`: alarms that are not wanted. `zone`: the clock of lamp and quiet hours; else the trial's."""

    off: tuple[str, ...] = ()
    zone: str = ""
    silent_minutes: float = Field(default=15.0, ge=6, le=1440)
    repeat_minutes: float = Field(default=60.0, ge=1, le=1440)
    mqtt: bool = True
    heartbeat_url: SecretStr | None = None
    heartbeat_minutes: float = Field(default=5.0, ge=0.1, le=1440)
    quiet: QuietSettings | None = None
    lamp: LampSettings | None = None
    limits: dict[str, LimitSettings] = {}
    tray: dict[str, TraySettings] = {}
    person: tuple[PersonSettings, ...] = ()
    pump: tuple[PumpSettings, ...] = ()

    _names = field_validator("limits")(_limits)
    _kinds = field_validator("off")(_off)

    @model_validator(mode="after")
    def _sound(self) -> Self:
        if self.person and all(person.after_minutes > 0 for person in self.person):
            raise ValueError(
                "everybody waits for somebody else: nobody gets a message immediately. Take out one after_minutes"
            )
        for what, names in (("persons", [p.name for p in self.person]), ("pumps", [p.name for p in self.pump])):
            if len({*names}) < len(names):
                raise ValueError(f"two {what} have one name. Give each its own")
        trays = [tray for pump in self.pump for tray in pump.trays]
        if len({*trays}) < len(trays):
            raise ValueError("a tray is listed under [[alarms.pump]] twice: it has one pump. Remove one")
        return self

    @property
    def told_first(self) -> tuple[str, ...]:
        """Names of the persons who are told at once."""
        return tuple(person.name for person in self.person if person.after_minutes == 0)

    def own(self, site: str, tray: str) -> TraySettings:
        """What is different for a tray: under 'site/tray', or under its name where no site is given."""
        return self.tray.get(f"{site}/{tray}") or self.tray.get(tray) or TraySettings()

    def limits_of(self, tray: str, site: str = "") -> dict[str, AlarmLimits]:
        """All limits in force for a tray of a site, or for a node's own place (an empty name)."""
        own = self.own(site, tray).limits
        found = {}
        for channel in {*DEFAULT_LIMITS, *self.limits, *own}:
            default = (
                DEFAULT_LIMITS[channel] if channel in DEFAULT_LIMITS else AlarmLimits(None, None, _span(channel) / 100)
            )
            found[channel] = _over(_over(default, self.limits.get(channel)), own.get(channel))
        return found


def rule_faults(
    settings: AlarmSettings, trays: Iterable[str], scheduled: Mapping[str, bool]
) -> Iterator[tuple[str, str]]:
    """Faults that show beside the notebook: (place in the file, what is wrong and how to mend it).

    `scheduled`: tray -> whether it is flooded by a schedule.
    """
    known = set(trays)
    for name, own in settings.tray.items():
        tray = name.rpartition("/")[2]
        if tray not in known:
            yield f"alarms.tray.{name}", f"there is no tray '{tray}' in the notebook. {near_names(tray, known)}"
        elif "missed flood" in own.off and not scheduled.get(tray, True):
            yield f"alarms.tray.{name}.off", "'missed flood' can never fire on a tray without a schedule. Take it out"
    for n, pump in enumerate(settings.pump):
        for name in (tray.rpartition("/")[2] for tray in pump.trays):
            if name not in known:
                yield f"alarms.pump.{n}.trays", f"there is no tray '{name}' in the notebook. {near_names(name, known)}"
