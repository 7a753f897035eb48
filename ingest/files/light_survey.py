"""A light survey's file: readings by hand at the places of the trays.

In: a CSV file `tray, row, column, measured, ppfd` (or `lux`). Out: `SurveyReading`s. A file is taken whole or not at
all. It makes no factors of them
(`tidetray.analysis.conditions.environment`).
"""

from __future__ import annotations

import csv
import io
import math
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from tidetray.ingest.core.near_names import near_names
from tidetray.ingest.core.readings import CHANNELS
from tidetray.ingest.core.refusals import EntryError, RefusedError
from tidetray.ingest.files.rows import read_text
from tidetray.ingest.files.written_values import parse_time, quoted
from tidetray.ingest.notebook.facts import TrialPlan
from tidetray.ingest.notebook.light_surveys import SurveyReading

_PLACE = ("tray", "row", "column", "measured")
_CHANNEL_OF = {"ppfd": "ppfd", "lux": "light"}
_MOST_PLACES = 99


def is_light_survey(path: Path) -> bool:
    """Whether a CSV file's first line names the columns of a light survey."""
    lines = read_text(path).splitlines()
    return bool(lines) and {"tray", "row", "column"} <= {name.strip().casefold() for name in _cells(lines[0])}


def read_light_survey(path: Path, plan: TrialPlan, *, now: datetime) -> tuple[SurveyReading, ...]:
    """The readings of a file, checked against a trial's trays. RefusedError lists every fault with its line."""
    lines = read_text(path).splitlines()
    heading = [name.strip().casefold() for name in _cells(lines[0])] if lines else []
    quantity = [name for name in _CHANNEL_OF if name in heading]
    missing = [name for name in _PLACE if name not in heading]
    if missing or len(quantity) != 1 or len(set(heading)) < len(heading):
        fault = EntryError(
            f"columns are {', '.join(heading) or 'missing'}",
            where="line 1",
            mend="A light survey has the columns tray,row,column,measured and either ppfd or lux",
        )
        raise RefusedError([fault], where=path.name)
    trays = {tray.name for tray in plan.trays}
    zone, faults, found = ZoneInfo(plan.trial.zone), list[EntryError](), list[SurveyReading]()
    for number, line in enumerate(lines[1:], start=2):
        if not line.strip():
            continue
        cells = dict(zip(heading, (cell.strip() for cell in _cells(line)), strict=False))
        try:
            found.append(_reading(cells, quantity[0], trays, zone, now))
        except EntryError as error:
            faults.append(EntryError(error.what, where=f"line {number}", mend=error.mend))
    if not found and not faults:
        faults.append(EntryError("it holds no readings", mend="Write a line per place"))
    if faults:
        raise RefusedError(faults, where=path.name)
    return tuple(found)


def _cells(line: str) -> list[str]:
    return next(csv.reader(io.StringIO(line)), [])


def _reading(cells: dict[str, str], quantity: str, trays: set[str], zone: ZoneInfo, now: datetime) -> SurveyReading:
    tray = cells.get("tray", "")
    if tray not in trays:
        raise EntryError(f"tray {quoted(tray)} is not in the trial", mend=near_names(tray, trays))
    place = []
    for name in ("row", "column"):
        text = cells.get(name, "")
        if not (text.isdecimal() and 1 <= int(text) <= _MOST_PLACES):
            raise EntryError(f"{name} is {quoted(text)}", mend=f"Write a whole number, 1 to {_MOST_PLACES}")
        place.append(int(text))
    time = parse_time(cells.get("measured", ""), zone).time
    if time > now:
        raise EntryError(f"{quoted(cells['measured'])} is in the future", mend="Correct the date or the time")
    channel = CHANNELS[_CHANNEL_OF[quantity]]
    text = cells.get(quantity, "")
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not channel.low <= value <= channel.high:
        mend = f"Write a number with a decimal point, {channel.low:g} to {channel.high:g}"
        raise EntryError(f"{quantity} is {quoted(text)}", mend=mend)
    return SurveyReading(tray, place[0], place[1], time, channel.name, value)
