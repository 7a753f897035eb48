"""The settings as forms: every field with what it is called, its unit, its default and the reason for it.

In: what was typed, by field. Out: `tidetray.toml` changed as a whole with its comments kept, or every fault beside its
field. A field left empty takes its setting out of the file: then its default holds.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tidetray.ingest.alarms.alarm_settings import DEFAULT_LIMITS
from tidetray.ingest.core.near_names import near_names
from tidetray.ingest.core.readings import CHANNELS
from tidetray.ingest.core.refusals import EntryError
from tidetray.ingest.files.zones import zones
from tidetray.ingest.settings.edit import (
    ChangedMeanwhileError,
    FaultySettingsError,
    Place,
    change_settings,
    replace_file,
    written_at,
    written_settings,
)
from tidetray.ingest.settings.model import (
    FloodingSettings,
    InfluxSettings,
    RecordSettings,
    SettingsError,
    ValueSettings,
    load_settings,
)
from tidetray.ui.changes.figures import figure
from tidetray.ui.changes.new_trial import Fault, FormError, flood_times

TOKEN_FILE = "influx-token"


@dataclass(frozen=True, slots=True)
class FormField:
    """One setting in a form.

    `kind` is text, number, whole, clock, zone, switch, words (several, by spaces) or secret (kept in a file of its own;
    what is there is not shown). `factor`: from what is typed to the setting.
    """

    place: Place
    label: str
    default: str
    why: str
    kind: str = "text"
    factor: float = 1.0

    @property
    def key(self) -> str:
        return ".".join(map(str, self.place))


@dataclass(frozen=True, slots=True)
class Group:
    """Settings that are changed together."""

    name: str
    title: str
    about: str
    fields: tuple[FormField, ...]


def _limit_fields(tray: str = "") -> tuple[FormField, ...]:
    """The lower and the upper limit of what people watch most, for all trays or for one."""
    found = []
    for channel in ("water_temp", "air_temp", "humidity", "vpd", "battery"):
        sent = "kPa" if channel == "vpd" else CHANNELS[channel].unit
        unit = {"Cel": "°C", "%RH": "%", "%EL": "%"}.get(sent, sent)
        usual = DEFAULT_LIMITS.get(channel)
        name = channel.replace("_", " ").capitalize()
        for side, value in (("low", usual and usual.low), ("high", usual and usual.high)):
            if side == "high" and channel == "battery":
                continue
            default = "as for all trays" if tray else "no limit" if value is None else f"{value:g}"
            why = "common practice, no source" if value is not None else "set it where your plants have one"
            if tray:
                why = "set it where this tray differs from the others"
            place = ("alarms", *(("tray", tray) if tray else ()), "limits", channel, side)
            word = "below" if side == "low" else "above"
            found.append(FormField(place, f"{name}: alarm {word}, {unit}", default, why, "number"))
    return tuple(found)


def limits_of(tray: str) -> Group:
    """The limits of one tray; of all for an empty name."""
    if not tray:
        return next(group for group in GROUPS if group.name == "limits")
    return Group(f"limits {tray}", f"Limits of {tray}", f"Only for {tray}, before those for all.", _limit_fields(tray))


_FLOODING, _VALUE, _INFLUX, _RECORD = FloodingSettings(), ValueSettings(), InfluxSettings(), RecordSettings()

GROUPS = (
    Group(
        "alarms",
        "Alarms",
        "When a node counts as silent, how often people are reminded, and when they sleep.",
        (
            FormField(
                ("alarms", "silent_minutes"),
                "A node is silent after, minutes",
                "15",
                "nodes report every five minutes at least: two may be lost",
                "number",
            ),
            FormField(
                ("alarms", "repeat_minutes"),
                "Minutes between reminders, until somebody acknowledges",
                "60",
                "long enough to get there, short enough to be remembered",
                "number",
            ),
            FormField(
                ("alarms", "quiet", "from"), "Quiet from", "no quiet hours", "only high priority is sent then", "clock"
            ),
            FormField(
                ("alarms", "quiet", "until"), "Quiet until", "no quiet hours", "the rest is sent at its end", "clock"
            ),
            FormField(
                ("alarms", "lamp", "on"), "Lamp on at", "not watched", "to notice a lamp that stays dark", "clock"
            ),
            FormField(
                ("alarms", "lamp", "off"), "Lamp off at", "not watched", "to notice a lamp that stays on", "clock"
            ),
            FormField(
                ("alarms", "zone"), "Clock of lamp and quiet hours", "the trial's", "as your watch shows", "zone"
            ),
            FormField(
                ("alarms", "off"), "Alarms you do not want", "none", "each is listed on the page Alarms", "words"
            ),
            FormField(
                ("alarms", "mqtt"),
                "Publish alarms at the broker too",
                "yes",
                "other programs can act on them",
                "switch",
            ),
        ),
    ),
    Group(
        "limits",
        "Limits",
        "For every tray without limits of its own.",
        _limit_fields(),
    ),
    Group(
        "flooding",
        "Floods, pump and sump",
        "What your place allows: Tune floods proposes nothing beyond it.",
        (
            FormField(
                ("flooding", "longest_dry_h"),
                "Longest safe dry spell, hours",
                "no limit",
                "how long roots keep wet",
                "number",
            ),
            FormField(
                ("flooding", "flood_from"), "Floods from", _FLOODING.flood_from, "when you can hear the pump", "clock"
            ),
            FormField(("flooding", "flood_until"), "Floods until", _FLOODING.flood_until, "24:00: all day", "clock"),
            FormField(
                ("flooding", "pump_share"),
                "Share of the day the pump may run, %",
                "100",
                "a pump that rests lasts",
                "number",
                0.01,
            ),
            FormField(
                ("flooding", "sump_m3"),
                "Water in the full sump, L",
                "not known",
                "floods at once need it",
                "number",
                0.001,
            ),
            FormField(
                ("flooding", "sump_min_m3"),
                "Water that must stay in the sump, L",
                "0",
                "a pump must not run dry",
                "number",
                0.001,
            ),
        ),
    ),
    Group(
        "value",
        "Prices",
        "In your currency. Without a price of a pot nothing is computed.",
        (
            FormField(("value", "price"), "Price of a pot", "not known", "what a pot sells for", "number"),
            FormField(("value", "start_g"), "Net mass at the start, g", f"{_VALUE.start_g:g}", "of a plug", "number"),
            FormField(
                ("value", "saleable_g"), "Net mass at sale, g", f"{_VALUE.saleable_g:g}", "when you sell it", "number"
            ),
            FormField(("value", "tariff_kwh"), "Price of a kWh", "0", "on your bill", "number"),
            FormField(("value", "lamp_w"), "Lamp of a tray, W", "0", "on its plate", "number"),
            FormField(("value", "lamp_h_day"), "Lamp on, hours a day", "0", "as its timer is set", "number"),
            FormField(("value", "pump_w"), "Pump, W", "0", "on its plate", "number"),
            FormField(
                ("value", "turnaround_d"),
                "Days a tray is empty between batches",
                "1",
                "to clean and plant it",
                "number",
            ),
        ),
    ),
    Group(
        "record",
        "Recording and retention",
        "Nothing recorded is ever deleted; old readings are moved into smaller files.",
        (
            FormField(
                ("record", "site"), "Record only these sites", "all", "several sites may share a broker", "words"
            ),
            FormField(
                ("record", "seal_after_days"),
                "Seal raw readings after, days (0: never)",
                f"{_RECORD.seal_after_days}",
                "sealed months take a tenth of the room",
                "whole",
            ),
        ),
    ),
    Group(
        "influx",
        "InfluxDB",
        "A server that readings are passed on to, or read from. Without an address there is none.",
        (
            FormField(("influx", "url"), "Address", "none", "such as https://influx.example:8086"),
            FormField(("influx", "org"), "Organisation", _INFLUX.org, "as on the server"),
            FormField(("influx", "bucket"), "Bucket", _INFLUX.bucket, "hourly summaries go to one with -hourly"),
            FormField(("influx", "token_file"), "Token", "none", "kept in a file that only you can read", "secret"),
            FormField(
                ("influx", "forward"), "Send what this home records", "yes", "the server has it all then", "switch"
            ),
            FormField(
                ("influx", "read"),
                "Read from the server instead of this home",
                "no",
                "for an office elsewhere",
                "switch",
            ),
            FormField(
                ("influx", "keep_days"),
                "Days the server keeps single readings (0: for ever)",
                "0",
                "hours stay",
                "whole",
            ),
        ),
    ),
)


def shown(home: Path, fields: Sequence[FormField]) -> dict[str, Any]:
    """What the file says for each field, as the form shows it: texts, and booleans for switches; empty where it says
    nothing."""
    written, settings = written_settings(home), load_settings(home)
    found: dict[str, Any] = {}
    for field in fields:
        value = written_at(written, field.place)
        if field.kind == "switch":
            held: Any = settings
            for part in field.place:
                held = getattr(held, str(part))
            found[field.key] = held
        elif field.kind == "secret" or value is None:
            found[field.key] = ""
        elif field.kind == "number":
            found[field.key] = f"{float(value) / field.factor:.10g}"
        elif isinstance(value, list):
            found[field.key] = ", ".join(map(str, value))
        else:
            found[field.key] = str(value)
    return found


def save(
    home: Path,
    group: Group,
    typed: Mapping[str, Any],
    seen: Mapping[str, Any],
    *,
    trays: Mapping[str, bool] | None = None,
) -> list[str]:
    """Write what differs from what was `seen` into the file; the labels of what was changed.

    FormError lists everything that is wrong, or what somebody else changed meanwhile; nothing is changed then.
    """
    faults: list[Fault] = []
    changes: dict[Place, Any] = {}
    secret = ""
    before = written_settings(home)
    for field in group.fields:
        now = typed.get(field.key, "")
        if now == seen.get(field.key, ""):
            continue
        if field.kind == "secret":
            secret = str(now).strip()
            if secret:
                changes[field.place] = str((home / TOKEN_FILE).resolve())
            continue
        try:
            changes[field.place] = _setting(field, now)
        except ValueError as error:
            faults.append(Fault(field.key, field.label, str(error)))
    if faults:
        raise FormError(faults)
    if not changes:
        return []
    current = shown(home, group.fields)
    others = {
        field.place: current[field.key]
        for field in group.fields
        if field.place in changes and field.kind != "secret" and current[field.key] != seen.get(field.key, "")
    }
    if others:
        raise FormError([_changed_meanwhile(group, place, value) for place, value in others.items()])
    try:
        held = {place: written_at(before, place) for place in changes}
        change_settings(home, _without_halves(before, changes), seen=held, trays=trays)
    except ChangedMeanwhileError as error:
        raise FormError([_changed_meanwhile(group, place, "") for place in error.places]) from error
    except FaultySettingsError as error:
        raise FormError([_fault(group, place, what) for place, what in error.faults.items()]) from error
    if secret:
        replace_file(home / TOKEN_FILE, secret + "\n", mode=0o600)
    return [field.label for field in group.fields if field.place in changes]


def add_person(home: Path, name: str, addresses: str, after_minutes: str) -> None:
    """Have somebody notified. Their addresses go into a file that only the owner of the home can read."""
    faults, name = [], name.strip()
    urls = [line.strip() for line in addresses.splitlines() if line.strip()]
    if not re.fullmatch(r"[^\s](.{0,38}[^\s])?", name):
        faults.append(Fault("person_name", "Their name", "is empty" if not name else "is longer than 40 letters"))
    if not urls:
        faults.append(Fault("person_urls", "Addresses", "is empty. Write one a line"))
    minutes = 0.0
    try:
        minutes = figure("minutes", after_minutes) if after_minutes.strip() else 0.0
    except ValueError:
        faults.append(Fault("person_after", "After minutes", f"{after_minutes[:20]!r} is not a number"))
    people = load_settings(home).alarms.person
    if name in {person.name for person in people}:
        faults.append(Fault("person_name", "Their name", f"{name} gets messages already"))
    if faults:
        raise FormError(faults)
    path = home / f"notify-{re.sub('[^a-z0-9]+', '-', name.casefold()).strip('-') or 'person'}-{len(people) + 1}"
    replace_file(path, "\n".join(urls) + "\n", mode=0o600)  # first: a recorder reads it as soon as settings name it
    table: dict[str, Any] = {"name": name, "urls_file": str(path.resolve())}
    if minutes:
        table["after_minutes"] = minutes
    try:
        change_settings(home, {("alarms", "person", len(people)): table})
    except SettingsError as error:
        path.unlink()
        if isinstance(error, FaultySettingsError):
            raise FormError([Fault("person_after", "After minutes", what) for what in error.faults.values()]) from error
        raise


def remove_person(home: Path, name: str) -> None:
    """Notify somebody no longer. Their file of addresses stays where a person put it, and goes where a form made it."""
    people = load_settings(home).alarms.person
    number = next((n for n, person in enumerate(people) if person.name == name), None)
    if number is None:
        raise EntryError(f"{name} gets no messages", mend="Reload the page: somebody else removed them")
    change_settings(home, {("alarms", "person", number): None}, seen={("alarms", "person", number, "name"): name})
    own = people[number].urls_file
    if own is not None and own.parent == home.resolve() and own.name.startswith("notify-"):
        own.unlink(missing_ok=True)


def add_mapping(home: Path, mapping: Mapping[str, Any]) -> None:
    """Record a value of other firmware from now on. FormError says what is wrong with the mapping."""
    number = len(load_settings(home).plain)
    try:
        change_settings(
            home, {("plain", number): {key: value for key, value in mapping.items() if value not in (None, "")}}
        )
    except FaultySettingsError as error:
        raise FormError(
            [Fault(f"plain_{place[-1]}", "Other firmware", what) for place, what in error.faults.items()]
        ) from error


def remove_mapping(home: Path, number: int, topic: str) -> None:
    """Record the values of a topic no longer; what was recorded stays."""
    change_settings(home, {("plain", number): None}, seen={("plain", number, "topic"): topic})


def _setting(field: FormField, typed: Any) -> Any:
    """What is written into the file for what was typed; None takes it out. ValueError in words."""
    if field.kind == "switch":
        return bool(typed)
    text = str(typed).strip()
    if not text:
        return None
    return _PARSED[field.kind](field, text) if field.kind in _PARSED else text


def _number(field: FormField, text: str) -> float:
    try:
        value = figure(field.label, text.removeprefix("-")) * field.factor
    except ValueError:
        raise ValueError(f"{text[:30]!r} is not a number") from None
    return round(-value if text.startswith("-") else value, 9)


def _whole(_field: FormField, text: str) -> int:
    if not text.isdecimal() or len(text) > 9:
        raise ValueError(f"{text[:30]!r} is not a whole number")
    return int(text)


def _clock(_field: FormField, text: str) -> str:
    if text == "24:00":
        return text
    try:
        (time,) = flood_times(text)
    except ValueError:
        raise ValueError(f"{text[:30]!r} is not a time of day. Write it as 07:30") from None
    return time


def _zone(_field: FormField, text: str) -> str:
    if text not in zones():
        raise ValueError(f"{text[:40]!r} is not a zone. {near_names(text, zones())}".rstrip(". "))
    return text


def _words(_field: FormField, text: str) -> list[str]:
    return [word.strip() for word in text.split(",") if word.strip()]


_PARSED: dict[str, Callable[[FormField, str], Any]] = {
    "number": _number,
    "whole": _whole,
    "clock": _clock,
    "words": _words,
    "zone": _zone,
}


def _without_halves(written: Mapping[str, Any], changes: Mapping[Place, Any]) -> dict[Place, Any]:
    """Tables that are needed whole (quiet hours, lamp) are taken out where both of their times are."""
    found = dict(changes)
    for table in (("alarms", "quiet"), ("alarms", "lamp")):
        own = {place: value for place, value in found.items() if place[:2] == table}
        held = written_at(written, table) or {}
        left = {**held, **{str(place[2]): value for place, value in own.items()}}
        if own and not any(value is not None for value in left.values()):
            for place in own:
                del found[place]
            found[table] = None
    return found


def _changed_meanwhile(group: Group, place: Place, value: Any) -> Fault:
    field = next(field for field in group.fields if field.place == place)
    now = f", to {value}" if value not in ("", None) else ""
    return Fault(
        field.key, field.label, f"somebody else changed it meanwhile{now}. Save again to put yours in its place"
    )


def _fault(group: Group, place: Place, what: str) -> Fault:
    """A fault of the whole file, beside the field of this form that it is about."""
    whole = [field for field in group.fields if place[: len(field.place)] == field.place]
    part = [field for field in group.fields if field.place[: len(place)] == place]
    named = [field for field in group.fields if len(field.place) > 2 and what.startswith(f"{field.place[-2]}:")]
    found = (whole or part[:1] or named[:1] or [None])[0]  # type: ignore[list-item]
    what = "is empty" if what == "Field required" else what.removeprefix("Input ")
    if found is None:
        return Fault("", ".".join(map(str, place)), what)
    return Fault(found.key, found.label, re.sub(r"^\w+: ", "", what))
