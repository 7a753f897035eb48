"""Masses and dates as people write them: every spelling that is taken, and every one that is refused."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tidetray.ingest.core.readings import from_ms
from tidetray.ingest.core.refusals import EntryError
from tidetray.ingest.files.written_values import looks_like_a_date, parse_mass_g, parse_time

DATA = Path(__file__).parents[2] / "data"
NOW = datetime(2026, 6, 2, tzinfo=UTC)
LISBON = ZoneInfo("Europe/Lisbon")
LONDON = ZoneInfo("Europe/London")
POINT = "Write digits with at most one decimal point, such as 12.5"
COMMA = "Write digits with at most one decimal comma, such as 12,5"


def fault_of(text: str, decimal_comma: bool = False) -> str:
    with pytest.raises(EntryError) as caught:
        parse_mass_g(text, decimal_comma)
    return str(caught.value)


def time_fault_of(text: str, zone: ZoneInfo = LISBON) -> str:
    with pytest.raises(EntryError) as caught:
        parse_time(text, zone)
    return str(caught.value)


# ---------------------------------------------------------------- masses


@pytest.mark.parametrize(
    ("text", "mass_g"),
    [
        ("12.5", 12.5),
        ("12", 12.0),
        (" 12.50 ", 12.5),
        ("12.5 g", 12.5),
        ("12.5g", 12.5),
        (".5", 0.5),
        ("0.5", 0.5),
        ("0", 0.0),
        ("50000", 50_000.0),
    ],
)
def test_masses_with_a_decimal_point(text: str, mass_g: float) -> None:
    assert parse_mass_g(text) == mass_g


@pytest.mark.parametrize(
    ("text", "mass_g"), [("12,5", 12.5), ("12", 12.0), ("12,5 g", 12.5), (",5", 0.5), ("1234,5", 1234.5)]
)
def test_masses_with_a_decimal_comma(text: str, mass_g: float) -> None:
    assert parse_mass_g(text, decimal_comma=True) == mass_g


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", f"the mass is missing. {POINT}"),
        (" g ", f"the mass is missing. {POINT}"),
        ("12,5", f"'12,5' could be 12.5 g or 125 g. {POINT}, or say that the masses are written with decimal commas"),
        ("0,5", f"'0,5' could be 0.5 g or 5 g. {POINT}, or say that the masses are written with decimal commas"),
        (
            "1,234",
            f"'1,234' could be 1.234 g or 1234 g. {POINT}, or say that the masses are written with decimal commas",
        ),
        (
            "1,234.5",
            f"'1,234.5' could be 1.2345 g or 1234.5 g. {POINT}, or say that the masses are written with decimal commas",
        ),
        ("1 234.5", f"'1 234.5' has a space between its digits. {POINT}"),
        ("1\u202f234.5", f"'1\\u202f234.5' has a space between its digits. {POINT}"),
        ("-12.5", f"'-12.5' is below zero. {POINT}"),
        ("− 3", f"'− 3' is below zero. {POINT}"),
        ("50000.1", "'50000.1' is more than 50000 g. Masses are in grams"),
        ("9" * 400, f"'{'9' * 59}… is more than 50000 g. Masses are in grams"),
        ("abc", f"'abc' is not a mass in grams. {POINT}"),
        ("NaN", f"'NaN' is not a mass in grams. {POINT}"),
        ("inf", f"'inf' is not a mass in grams. {POINT}"),
        ("1e3", f"'1e3' is not a mass in grams. {POINT}"),
        ("+12.5", f"'+12.5' is not a mass in grams. {POINT}"),
        ("12.", f"'12.' is not a mass in grams. {POINT}"),
        ("1.2.3", f"'1.2.3' is not a mass in grams. {POINT}"),
        ("12.5 kg", f"'12.5 kg' is not a mass in grams. {POINT}"),
        ("12.5 mg", f"'12.5 mg' is not a mass in grams. {POINT}"),
        ("=12.5", f"'=12.5' is not a mass in grams. {POINT}"),
        ("١٢", f"'١٢' is not a mass in grams. {POINT}"),
    ],
)
def test_masses_that_are_refused(text: str, told: str) -> None:
    assert fault_of(text) == told


def test_a_point_is_refused_where_commas_are_decimal() -> None:
    more = "or say that the masses are written with decimal points"
    assert fault_of("1.234", True) == f"'1.234' could be 1234 g or 1.234 g. {COMMA}, {more}"
    assert fault_of("1.234,5", True) == f"'1.234,5' could be 1234.5 g or 1.2345 g. {COMMA}, {more}"


@given(st.integers(0, 5_000_000), st.booleans(), st.sampled_from(["", " g", "g"]))
def test_a_written_mass_is_read_back(hundredths: int, decimal_comma: bool, unit: str) -> None:
    text = f"{hundredths // 100}{',' if decimal_comma else '.'}{hundredths % 100:02}{unit}"
    assert parse_mass_g(text, decimal_comma) == hundredths / 100


@given(st.text() | st.text("0123456789.,- eEgk"), st.booleans())
def test_any_text_is_a_mass_or_an_entry_error(text: str, decimal_comma: bool) -> None:
    try:
        mass_g = parse_mass_g(text, decimal_comma)
    except EntryError:
        return
    assert 0 <= mass_g <= 50_000


# ---------------------------------------------------------------- times


@pytest.mark.parametrize(
    ("text", "utc"),
    [
        ("2026-06-01 08:00", "2026-06-01T07:00:00"),
        ("2026-06-01T08:00:30", "2026-06-01T07:00:30"),
        ("2026-01-10 08:00", "2026-01-10T08:00:00"),
        (" 2026-06-01 08:00Z ", "2026-06-01T08:00:00"),
        ("2026-06-01T08:00:00.250+02:00", "2026-06-01T06:00:00.250"),
    ],
)
def test_times_are_local_unless_they_say_more(text: str, utc: str) -> None:
    assert parse_time(text, LISBON) == (datetime.fromisoformat(f"{utc}+00:00"), "")


@pytest.mark.parametrize(
    ("text", "day_first", "local"),
    [
        ("25/12/2026", None, "2026-12-25T12:00"),
        ("12-25-2026 8:00", None, "2026-12-25T08:00"),
        ("04/04/2026", None, "2026-04-04T12:00"),
        ("2026-6-1", None, "2026-06-01T12:00"),
        ("2026/06/01 8:05", None, "2026-06-01T08:05"),
        ("1 June 2026", None, "2026-06-01T12:00"),
        ("1. Jun 2026 20:00", None, "2026-06-01T20:00"),
        ("June 1, 2026 8:00 pm", None, "2026-06-01T20:00"),
        ("Sept 3, 2026 12:05 am", None, "2026-09-03T00:05"),
        ("01-Jun-2026", None, "2026-06-01T12:00"),
        ("03/04/2026", True, "2026-04-03T12:00"),
        ("03/04/2026", False, "2026-03-04T12:00"),
        ("3.4.2026 08:00", True, "2026-04-03T08:00"),
    ],
)
def test_dates_in_the_common_spellings(text: str, day_first: bool | None, local: str) -> None:
    assert parse_time(text, LISBON, day_first=day_first).time == datetime.fromisoformat(local).replace(tzinfo=LISBON)
    assert looks_like_a_date(text)


def test_what_is_no_date_does_not_look_like_one() -> None:
    assert not any(looks_like_a_date(text) for text in ("pot", "gross_g", "12.5", "46174", "", "row 1", "May"))


@pytest.mark.parametrize(
    ("text", "ounces", "mass_g"),
    [
        ("1 oz", False, 28.349523125),
        ("1.5", True, 42.5242846875),
        ("42.5 g", True, 42.5),
        ("0.5oz", True, 14.1747615625),
    ],
)
def test_ounces(text: str, ounces: bool, mass_g: float) -> None:
    """An ounce is 28.349523125 g exactly (international agreement of 1959)."""
    assert parse_mass_g(text, ounces=ounces) == pytest.approx(mass_g, rel=1e-12)


def test_a_date_alone_is_noon_and_says_so() -> None:
    time, note = parse_time("2026-06-01", LISBON)
    assert time == datetime(2026, 6, 1, 11, tzinfo=UTC)
    assert note == "a date without a time counts as 12:00 in Europe/Lisbon"
    assert parse_time("2026-06-01", LISBON, hour_of_date=0).time == datetime(2026, 5, 31, 23, tzinfo=UTC)


def test_a_time_the_clocks_skipped_is_refused() -> None:
    # 2026-03-29 01:00 GMT clocks in London go to 02:00 (facts of the zone database, by hand)
    assert time_fault_of("2026-03-29 01:30", LONDON) == (
        "'2026-03-29 01:30' does not exist in Europe/London: the clocks were put forward over it. "
        "Write what the clock showed, or add the offset from UTC, such as +00:00"
    )
    assert parse_time("2026-03-29 01:30+00:00", LONDON).time == datetime(2026, 3, 29, 1, 30, tzinfo=UTC)
    assert parse_time("2026-03-29 02:00", LONDON).time == datetime(2026, 3, 29, 1, tzinfo=UTC)


def test_of_a_time_that_came_twice_the_first_counts_and_says_so() -> None:
    # 2026-10-25 02:00 BST clocks in London go back to 01:00
    time, note = parse_time("2026-10-25 01:30", LONDON)
    assert time == datetime(2026, 10, 25, 0, 30, tzinfo=UTC)
    assert note == "a time that came twice when the clocks in Europe/London were put back counts as the first"
    assert parse_time("2026-10-25 02:00", LONDON) == (datetime(2026, 10, 25, 2, tzinfo=UTC), "")


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "the date is missing. Write it as 2026-06-01 or 2026-06-01 08:00"),
        (
            "03/04/2026",
            (
                "'03/04/2026' could be 2026-04-03 or 2026-03-04. Write the one that is meant, or say whether the "
                "day comes first"
            ),
        ),
        (
            "3.4.2026 08:00",
            (
                "'3.4.2026 08:00' could be 2026-04-03 or 2026-03-04. Write the one that is meant, or say whether "
                "the day comes first"
            ),
        ),
        ("31/31/2026", "there is no '31/31/2026'. Correct the date, or how day and month are written"),
        ("01/06/26", "'01/06/26' has no clear year. Write the year with four digits, such as 2026-06-01"),
        ("1 Juno 2026", "'1 Juno 2026' is not a date. Write it as 2026-06-01 or 2026-06-01 08:00"),
        ("31 June 2026", "there is no '31 June 2026'. Correct the date or the time"),
        ("1 June 2026 13:00 pm", "there is no '1 June 2026 13:00 pm'. Correct the date or the time"),
        (
            "#REF!",
            "'#REF!' is an error of the spreadsheet. Correct the formula. Write it as 2026-06-01 or 2026-06-01 08:00",
        ),
        ("2026-02-30", "there is no '2026-02-30'. Correct the date or the time"),
        ("2026-06-01 25:00", "there is no '2026-06-01 25:00'. Correct the date or the time"),
        ("2026-06-01 08:00+99:00", "there is no '2026-06-01 08:00+99:00'. Correct the date or the time"),
        ("0001-01-01T00:00+10:00", "'0001-01-01T00:00+10:00' is not in this century. Correct the year"),
        ("1926-06-01", "'1926-06-01' is not in this century. Correct the year"),
        (
            "46174",
            "'46174' looks like a spreadsheet's day number (2026-06-01 or four years later). "
            "Show the column as a date there and save again. Write it as 2026-06-01 or 2026-06-01 08:00",
        ),
        ("yesterday", "'yesterday' is not a date. Write it as 2026-06-01 or 2026-06-01 08:00"),
    ],
)
def test_dates_that_are_refused(text: str, told: str) -> None:
    assert time_fault_of(text) == told


@given(st.integers(946_771_200_000, 4_102_272_000_000))
def test_a_written_utc_time_is_read_back(time_ms: int) -> None:
    time = from_ms(time_ms)
    assert parse_time(time.isoformat(), LISBON).time == time


@given(
    st.text()
    | st.from_regex(r"[0-9]{4}-[0-9]{2}-[0-9]{2}[T ][0-9]{2}:[0-9]{2}([+-][0-9]{2}:[0-9]{2})?", fullmatch=True)
)
def test_any_text_is_a_time_or_an_entry_error(text: str) -> None:
    try:
        time = parse_time(text, LISBON).time
    except EntryError:
        return
    assert time.tzinfo is UTC
