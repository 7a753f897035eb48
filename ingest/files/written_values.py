"""Masses and dates as people write them, read strictly: nothing that could be meant in two ways is guessed.

In: text, and in which way decimals and days are written where that was said. Out: grams, or UTC times
with what was taken for granted. EntryError says what is wrong and how to mend it. It keeps no clock.
"""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, timedelta
from typing import NamedTuple
from zoneinfo import ZoneInfo

from tidetray.ingest.core.refusals import EntryError
from tidetray.ingest.notebook.facts import MAX_MASS_G

OUNCE_G = 28.349523125
"""The avoirdupois ounce [g], exact by definition (international yard and pound agreement, 1959)."""

_ISO = re.compile(r"([0-9]{4}-[0-9]{2}-[0-9]{2})(?:[T ]([0-9]{2}:[0-9]{2}[0-9:.]{0,10})(Z|[+-][0-9]{2}:[0-9]{2})?)?")
_MASS = {mark: re.compile(rf"[0-9]+(?:[{mark}][0-9]+)?|[{mark}][0-9]+") for mark in ".,"}
_NUMBERS = re.compile(r"([0-9]{1,4})([/.-])([0-9]{1,2})\2([0-9]{1,4})")
_NAMED = re.compile(
    r"([0-9]{1,2})\.?[ -]([A-Za-z]{3,9})\.?,?[ -]([0-9]{4})|([A-Za-z]{3,9})\.? ([0-9]{1,2}),? ([0-9]{4})"
)
_CLOCK = re.compile(r"([0-9]{1,2})[:.h]([0-9]{2})(?::([0-9]{2}))?(?: ?([ap])\.?m\.?)?", re.IGNORECASE)
_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_MONTH_NAMES = {
    "january",
    "february",
    "march",
    "april",
    "may",
    "june",
    "july",
    "august",
    "september",
    "october",
    "november",
    "december",
    "sept",
    *_MONTHS,
}
_DAY_NUMBER = re.compile(r"[345][0-9]{4}(?:[.,][0-9]+)?")
_SPREADSHEET_ERROR = re.compile(r"#(REF|DIV/0|N/A|VALUE|NAME|NUM|NULL|SPILL|CALC)[!?]?", re.IGNORECASE)


class WrittenTime(NamedTuple):
    """A time in UTC, and what was taken for granted in reading it (empty if nothing)."""

    time: datetime
    note: str


def parse_mass_g(text: str, decimal_comma: bool = False, *, ounces: bool = False) -> float:
    """Grams from text such as '12.5' or '12.5 g' or '0.44 oz'; '12,5' only where commas are known to be decimal.

    A bare number is in ounces only where `ounces` says so; a unit written beside it counts before that.

    No marks or spaces between thousands, no signs, no powers of ten. EntryError if it is anything else.
    """
    written = text.strip()
    number = written
    for unit in ("oz", "g"):
        if written.endswith(unit):
            number, ounces = written.removesuffix(unit).rstrip(), unit == "oz"
            break
    factor = OUNCE_G if ounces else 1.0
    mark, name, other = (",", "comma", "points") if decimal_comma else (".", "point", "commas")
    mend = f"Write digits with at most one decimal {name}, such as 12{mark}5"
    if not number:
        raise EntryError("the mass is missing", mend=mend)
    if _MASS[mark].fullmatch(number):
        mass_g = float(number.replace(",", ".")) * factor
        if mass_g > MAX_MASS_G:
            raise EntryError(f"{quoted(written)} is more than {MAX_MASS_G:g} g", mend="Masses are in grams")
        return mass_g
    if _SPREADSHEET_ERROR.fullmatch(number):
        raise EntryError(
            f"{quoted(written)} is an error of the spreadsheet", mend="Correct the formula, or write the mass itself"
        )
    readings = (number.replace(".", "").replace(",", "."), number.replace(",", ""))
    if all(re.fullmatch(r"[0-9]*\.?[0-9]+", reading) for reading in readings):
        comma_g, point_g = (f"{float(reading):.10g}" for reading in readings)
        what = f"{quoted(written)} could be {comma_g} g or {point_g} g"
        raise EntryError(what, mend=f"{mend}, or say that the masses are written with decimal {other}")
    if re.fullmatch(r"[-−–]\s*[0-9.,]+", number):
        raise EntryError(f"{quoted(written)} is below zero", mend=mend)
    if re.fullmatch(r"[0-9][0-9.,\s]*\s[0-9.,\s]*[0-9]", number):
        raise EntryError(f"{quoted(written)} has a space between its digits", mend=mend)
    raise EntryError(f"{quoted(written)} is not a mass in grams", mend=mend)


def parse_time(text: str, zone: ZoneInfo, *, hour_of_date: int = 12, day_first: bool | None = None) -> WrittenTime:
    """UTC from a date or a date and time, local in `zone` unless it has its own offset.

    Taken are ISO 8601, figures with '/', '.' or '-', and names of months; '8:00 pm' too. Where day and
    month could be either, `day_first` must say; without it such a date is asked about. A date alone counts
    as `hour_of_date` o'clock, local. A local time that the clocks skipped is refused; of one that came
    twice the first counts. Both that and a date alone are told in the note.
    """
    written = text.strip()
    if not written:
        raise EntryError("the date is missing", mend="Write it as 2026-06-01 or 2026-06-01 08:00")
    match = _ISO.fullmatch(written)
    day, clock, offset = match.groups() if match else (*_day_and_clock(written, day_first), None)
    try:
        time = datetime.fromisoformat(f"{day}T{clock or f'{hour_of_date:02}:00'}{offset or ''}")
    except ValueError:
        raise EntryError(f"there is no {quoted(written)}", mend="Correct the date or the time") from None
    if not 2000 <= time.year < 2100:
        raise EntryError(f"{quoted(written)} is not in this century", mend="Correct the year")
    if offset:
        return WrittenTime(time.astimezone(UTC), "")
    first = time.replace(tzinfo=zone)
    utc = first.astimezone(UTC)
    if utc.astimezone(zone).replace(tzinfo=None) != time:
        what = f"{quoted(written)} does not exist in {zone.key}: the clocks were put forward over it"
        raise EntryError(what, mend="Write what the clock showed, or add the offset from UTC, such as +00:00")
    note = "" if clock else f"a date without a time counts as {hour_of_date:02}:00 in {zone.key}"
    if first.replace(fold=1).utcoffset() != first.utcoffset():
        note = f"a time that came twice when the clocks in {zone.key} were put back counts as the first"
    return WrittenTime(utc, note)


def looks_like_a_date(text: str) -> bool:
    """Whether text is a date in one of the spellings that are taken, also where day and month could be either."""
    written = text.strip()
    if _ISO.fullmatch(written):
        return True
    day = _split(written)[0]
    return _NUMBERS.fullmatch(day) is not None or _named(day) is not None


_AT_END = re.compile(rf"(.*?),?[ T]({_CLOCK.pattern})", re.IGNORECASE)


def _split(written: str) -> tuple[str, str | None]:
    """Date and clock, where there is a clock at the end."""
    match = _AT_END.fullmatch(written)
    return (match[1], match[2]) if match else (written, None)


def _day_and_clock(written: str, day_first: bool | None) -> tuple[str, str | None]:
    """ISO date and clock. EntryError if it is no date, or could be two."""
    day, clock = _split(written)
    iso = _named(day)
    if iso is None:
        numbers = _NUMBERS.fullmatch(day)
        if numbers is None:
            raise _no_date(written)
        iso = _of_numbers(written, numbers[1], numbers[3], numbers[4], day_first)
    return iso, _clock(written, clock)


def _clock(written: str, clock: str | None) -> str | None:
    match = _CLOCK.fullmatch(clock or "")
    if match is None:
        return None
    hour, minute, second, half = match.groups()
    number = int(hour)
    if half:
        if not 1 <= number <= 12:
            raise EntryError(f"there is no {quoted(written)}", mend="Correct the date or the time")
        number = number % 12 + (12 if half.lower() == "p" else 0)
    return f"{number:02}:{minute}:{second or '00'}"


def _named(day: str) -> str | None:
    match = _NAMED.fullmatch(day)
    if match is None:
        return None
    number, name, year = match.group(1, 2, 3) if match.group(1) else match.group(5, 4, 6)
    if name.casefold() not in _MONTH_NAMES:
        return None
    return f"{year}-{_MONTHS.index(name.casefold()[:3]) + 1:02}-{int(number):02}"


def _of_numbers(written: str, one: str, other: str, last: str, day_first: bool | None) -> str:
    if len(one) == 4:
        return f"{one}-{other:0>2}-{last:0>2}"
    if len(last) != 4 or len(one) > 2:
        mend = "Write the year with four digits, such as 2026-06-01"
        raise EntryError(f"{quoted(written)} has no clear year", mend=mend)
    pairs = ((other, one), (one, other)) if day_first is None else ((other, one),) if day_first else ((one, other),)
    readings = {f"{last}-{month:0>2}-{day:0>2}" for month, day in pairs if 1 <= int(month) <= 12}
    if len(readings) == 2:
        shown = " or ".join(f"{last}-{month:0>2}-{day:0>2}" for month, day in pairs)
        raise EntryError(
            f"{quoted(written)} could be {shown}",
            mend="Write the one that is meant, or say whether the day comes first",
        )
    if not readings:
        raise EntryError(f"there is no {quoted(written)}", mend="Correct the date, or how day and month are written")
    return readings.pop()


def _no_date(written: str) -> EntryError:
    mend = "Write it as 2026-06-01 or 2026-06-01 08:00"
    if _SPREADSHEET_ERROR.fullmatch(written):
        return EntryError(f"{quoted(written)} is an error of the spreadsheet", mend=f"Correct the formula. {mend}")
    if _DAY_NUMBER.fullmatch(written):
        shown = date(1899, 12, 30) + timedelta(days=int(written[:5]))
        what = f"{quoted(written)} looks like a spreadsheet's day number ({shown} or four years later)"
        return EntryError(what, mend=f"Show the column as a date there and save again. {mend}")
    return EntryError(f"{quoted(written)} is not a date", mend=mend)


def quoted(value: object) -> str:
    try:
        shown = repr(value) if isinstance(value, str) else str(value)
    except ValueError:  # Python does not write out whole numbers of thousands of digits
        return "a huge number"
    return shown if len(shown) <= 60 else f"{shown[:60]}…"
