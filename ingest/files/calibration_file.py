"""The form of calibrations (`firmware_notes/calibration.md`): a TOML file of [[calibration]] tables, read strictly.

In: a file. Out: `Calibration`s, or one RefusedError with every fault and how to mend it. Writes nothing.
"""

from __future__ import annotations

from collections import Counter
from datetime import date
from pathlib import Path
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, FiniteFloat, StringConstraints, TypeAdapter, ValidationError

from tidetray.ingest.core.near_names import near_names
from tidetray.ingest.core.readings import CHANNELS, ID_PATTERN
from tidetray.ingest.core.refusals import EntryError, RefusedError
from tidetray.ingest.files.rows import read_toml
from tidetray.ingest.notebook.calibration import THROUGH_ZERO, Calibration, fit

CALIBRATED = tuple(name for name, channel in CHANNELS.items() if not channel.is_flag)

_Id = Annotated[str, StringConstraints(pattern=rf"^{ID_PATTERN.pattern}$")]
_Text = Annotated[str, StringConstraints(min_length=1, strip_whitespace=True)]


class _Entry(BaseModel):
    model_config = ConfigDict(strict=True, extra="forbid")

    site: _Id
    node: _Id
    tray: _Id | Annotated[str, StringConstraints(max_length=0)] = ""
    channel: str
    date: date
    who: _Text
    against: _Text
    points: Annotated[list[Annotated[list[FiniteFloat], Field(min_length=2, max_length=2)]], Field(min_length=1)]


_ENTRIES = TypeAdapter(list[_Entry])


def is_calibration_form(path: Path) -> bool:
    """Whether a TOML file is this form, and not a trial."""
    try:
        return "calibration" in read_toml(path)
    except RefusedError:
        return False


def load_calibrations(path: Path) -> tuple[Calibration, ...]:
    """The calibrations of a form. RefusedError lists every fault, each with its table."""
    data = read_toml(path)
    try:
        entries = _ENTRIES.validate_python(data.pop("calibration"))
    except ValidationError as error:
        raise RefusedError([_fault(detail) for detail in error.errors()], where=path.name) from None
    faults = [EntryError(f"'{key}' is not known here", mend="Write [[calibration]] tables only") for key in data]
    found = []
    for number, entry in enumerate(entries, start=1):
        try:
            found.append(_calibration(entry))
        except EntryError as fault:
            faults.append(EntryError(fault.what, where=f"[[calibration]] {number}", mend=fault.mend))
    for key, times in Counter((c.site, c.name, c.on) for c in found).items():
        if times > 1:
            faults.append(EntryError(f"{key[1]} stands there {times} times for {key[2]}", mend="Keep one"))
    if faults:
        raise RefusedError(faults, where=path.name)
    return tuple(found)


def _calibration(entry: _Entry) -> Calibration:
    if entry.channel not in CALIBRATED:
        raise EntryError(
            f"channel '{entry.channel[:32]}' has no calibration", mend=near_names(entry.channel, CALIBRATED)
        )
    points = [(read, true) for read, true in entry.points]
    gain, offset = fit(points, through_zero=entry.channel in THROUGH_ZERO)
    return Calibration(
        entry.site,
        entry.node,
        entry.tray,
        entry.channel,
        entry.date,
        entry.who,
        entry.against,
        tuple(points),
        gain,
        offset,
    )


def _fault(detail: Any) -> EntryError:
    place, message = detail["loc"], detail["msg"]
    if not place:
        return EntryError("no tables", mend="Begin each calibration with a line [[calibration]]")
    key = place[1] if len(place) > 1 else ""
    what = f"{key}: {message}" if key else str(message)
    mend = (
        "Write [[read, true], [read, true]] with decimal points"
        if key == "points"
        else "Correct it as in calibration.md"
    )
    return EntryError(what, where=f"[[calibration]] {place[0] + 1}", mend=mend)
