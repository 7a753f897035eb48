"""What a sheet says: any table in any writing gives the same weigh-ins; what is doubtful is asked, never taken."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl.utils.datetime import from_excel

import tidetray.analysis as tt
from tests.sheet_layouts import (
    DAYS,
    LAYOUTS,
    NOW,
    POTS,
    TARE_G,
    Layout,
    gross_g,
    ods,
    on,
    text_file,
    twice,
    xlsx,
)
from tidetray.ingest.core.refusals import EntryError, RefusedError
from tidetray.ingest.files.rows import MAX_FILE_BYTES
from tidetray.ingest.files.sheet_grids import MAX_CELLS, read_book
from tidetray.ingest.files.sheet_guess import Said, Understanding, place, understand
from tidetray.ingest.files.sheet_trial import SUBTRACTED, Answers, Known, propose
from tidetray.ingest.files.sheet_words import number_of, serial_date
from tidetray.ingest.files.trial_file import NOT_NOTED
from tidetray.ingest.store.recording import open_store
from tidetray.ui.changes.from_sheet import save_sheet


def of(content: bytes, name: str = "a.csv", **said: object) -> Understanding:
    return understand(read_book(content, name), Said(**said))  # type: ignore[arg-type]


def csv(*lines: str, encoding: str = "utf-8") -> bytes:
    return "\n".join(lines).encode(encoding)


# ---------------------------------------------------------------- any table in any writing


@dataclass(frozen=True)
class Table:
    """A random trial: pot -> treatment, its masses on each day."""

    treatment: dict[str, str]
    days: tuple[date, ...]
    grams: dict[tuple[str, date], float]


@st.composite
def tables(draw: st.DrawFn) -> Table:
    names = draw(st.sampled_from([("A", ""), ("Topf ", ""), ("t", "-b"), ("é", "x")]))
    count = draw(st.integers(4, 12))
    pots = [f"{names[0]}{n}{names[1]}" for n in range(1, count + 1)]
    treatments = draw(st.sampled_from([("dry", "wet"), ("trocken", "nass", "Flut"), ("6 floods", "1 flood")]))
    start = draw(st.dates(date(2020, 1, 1), date(2025, 6, 1)))
    gaps = draw(st.lists(st.integers(4, 15), min_size=1, max_size=4))
    days = [start]
    for gap in gaps:
        days.append(days[-1] + timedelta(days=gap))
    rng = random.Random(draw(st.integers(0, 2**32)))
    start_g = {pot: rng.uniform(3.0, 9.0) for pot in pots}
    grams = {
        (pot, day): round(start_g[pot] * (1 + 0.02 * (day - start).days) * rng.uniform(0.95, 1.05), 2)
        for pot in pots
        for day in days
        if rng.random() > 0.05 or day == start
    }
    return Table({pot: treatments[i % len(treatments)] for i, pot in enumerate(pots)}, tuple(days), grams)


DATES = ("%Y-%m-%d", "%d.%m.%Y", "%d/%m/%Y", "%m/%d/%Y", "%d %B %Y", "%d.%m.%y", "%B %d, %Y")
HEADS = (
    ("pot", "treatment", "date", "mass (g)"),
    ("Topf", "Behandlung", "Datum", "Gewicht g"),
    ("Plante", "Traitement", "Jour", "Poids"),
    ("Plug no.", "Group", "Weighed on", "Weight"),
)


def written(table: Table, style: dict[str, object]) -> tuple[bytes, str]:
    """The table as a file in one of many writings."""
    mark, dates, heads = str(style["decimal"]), str(style["dates"]), HEADS[int(str(style["heads"]))]
    workbook = str(style["file"]) in {"xlsx", "ods"}

    def mass(pot: str, day: date) -> object:
        value = table.grams.get((pot, day))
        if value is None:
            return None if workbook else style["nothing"]
        return value if workbook else f"{value:.2f}".replace(".", mark) + str(style["unit"])

    def day_cell(day: date) -> object:
        return (
            datetime.combine(day, datetime.min.time())
            if style["file"] == "xlsx"
            else day
            if workbook
            else f"{day:{dates}}"
        )

    rows: list[list[object]] = [["Micranthemum"], []] if style["title"] else []
    if style["long"]:
        rows.append([heads[2], heads[0], heads[1], heads[3]])
        rows += [[day_cell(d), p, t, mass(p, d)] for d in table.days for p, t in table.treatment.items()]
    else:
        rows.append([heads[0], heads[1], *map(day_cell, table.days)])
        for pot, treatment in table.treatment.items():
            rows.append([pot, treatment, *(mass(pot, day) for day in table.days)])
            if style["blank"]:
                rows.append([])
    rows += [[], ["all blotted before"]] if style["title"] else []
    if style["file"] == "xlsx":
        return xlsx({"one": rows}), "a.xlsx"
    if style["file"] == "ods":
        return ods(rows), "a.ods"
    return text_file(rows, str(style["separator"]), str(style["encoding"])), "a.csv"


STYLES = st.fixed_dictionaries({
    "file": st.sampled_from(["csv", "csv", "csv", "xlsx", "ods"]),
    "separator": st.sampled_from([",", ";", "\t"]),
    "decimal": st.sampled_from([",", "."]),
    "encoding": st.sampled_from(["utf-8", "utf-8-sig", "cp1252", "utf-16"]),
    "dates": st.sampled_from(DATES),
    "heads": st.integers(0, len(HEADS) - 1),
    "unit": st.sampled_from(["", " g", "g"]),
    "nothing": st.sampled_from(["", "-", "n/a"]),
    "long": st.booleans(),
    "blank": st.booleans(),
    "title": st.booleans(),
})  # fmt: skip


@settings(max_examples=150, deadline=None)
@given(table=tables(), style=STYLES)
def test_a_table_comes_back_from_any_writing(table: Table, style: dict[str, object]) -> None:
    """The same weigh-ins, or a question: never others."""
    content, name = written(table, style)
    found = of(content, name)
    keys = {question.key for question in found.questions}
    if "day_first" in keys:
        found = of(content, name, day_first=str(style["dates"]).startswith("%d"))
        keys.discard("day_first")
    assert not keys
    doubted = {doubt.spot for doubt in found.doubts}
    read = {(r.pot, r.date.date()): r.mass_g for r in found.readings if r.date is not None}
    assert len(read) == len(found.readings)
    assert len(read) + len(doubted) == len(table.grams)
    assert all(table.grams[key] == pytest.approx(value) for key, value in read.items())
    assert len(doubted) <= 1, "random masses of the same growth hardly look like slips"
    assert {r.pot: r.treatment for r in found.readings} == {p: table.treatment[p] for p, _ in read}


# ---------------------------------------------------------------- doubts


def test_a_slip_of_ten_is_doubted_in_its_cell_and_settled_there() -> None:
    content = csv(
        "pot,treatment,2026-03-01,2026-03-08", "A1,dry,5.1,5.6", "A2,dry,5.0,56", "B1,wet,5.2,5.9", "B2,wet,5,6"
    )
    found = of(content)
    (doubt,) = found.doubts
    assert place(doubt.spot) == "D3"
    assert [choice.label for choice in doubt.choices] == ["it was 5.6 g", "56 g is right", "leave it out"]
    assert len(found.readings) == 7
    for choice, mass_g in zip(doubt.choices, (5.6, 56.0, None), strict=True):
        settled = of(content, cells={doubt.spot: choice.value})
        assert not settled.doubts
        assert next((r.mass_g for r in settled.readings if r.spot == doubt.spot), None) == mass_g


@pytest.mark.parametrize(
    ("cell", "why"),
    [
        ("5..6", "is not a mass"),
        ("~5.6", "somebody marked it as uncertain"),
        ("5.6?", "somebody marked it as uncertain"),
        ("-5.6", "is not above 0 g"),
        ('"5,6"', "its marks differ from those of the others"),
        ("eaten by a snail", "is not a mass"),
        ("600000", "is more than 50000 g"),
    ],
)
def test_what_cannot_be_read_is_doubted(cell: str, why: str) -> None:
    found = of(csv("pot,treatment,2026-03-01,2026-03-08", "A1,dry,5.1,5.6", f"A2,dry,5.0,{cell}", "B1,wet,5.2,5.9"))
    assert [(place(doubt.spot), doubt.why) for doubt in found.doubts] == [("D3", why)]
    assert len(found.readings) == 5


def test_a_pot_twice_on_a_day_with_two_masses_is_doubted() -> None:
    lines = ["date,pot,treatment,mass", "2026-03-01,A1,dry,5.1", "2026-03-01,A2,wet,5.3", "2026-03-01,A1,dry,5.9"]
    found = of(csv(*lines, "2026-03-08,A1,dry,6.0", "2026-03-08,A2,wet,6.0"))
    assert [doubt.why for doubt in found.doubts] == ["pot A1 has 5.1 g at that time already, in D2"]


# ---------------------------------------------------------------- weighed twice


def test_pots_weighed_twice_throughout_are_replicates() -> None:
    rows = twice()
    del rows[2]  # one was forgotten
    found = of(text_file(rows))
    assert not found.doubts
    assert "Pots were weighed twice or more a day: each mass is kept, and growth uses their mean." in found.facts
    assert len(found.readings) == 2 * len(POTS) * len(DAYS) - 1
    numbers = {(r.pot, r.date): [] for r in found.readings}
    for reading in found.readings:
        numbers[reading.pot, reading.date].append(reading.replicate)
    assert numbers.pop(("D1", datetime.combine(on(0), time()))) == [1]
    assert set(map(tuple, numbers.values())) == {(1, 2)}


@pytest.mark.parametrize("apart_g", [0.05, -0.05])
def test_the_second_of_two_weighings_is_doubted_only_beyond_the_reach_of_a_scale(apart_g: float) -> None:
    rows = twice((0.0, apart_g))
    assert not of(text_file(rows)).doubts
    rows[-1][3] = f"{float(str(rows[-1][3])) + 1:.2f}"
    last = len(rows) - 1
    found = of(text_file(rows))
    assert [(doubt.spot, [choice.label for choice in doubt.choices]) for doubt in found.doubts] == [
        (("", last, 3), ["leave it out", "weighed twice: both are right"])
    ]
    both = found.doubts[0].choices[1].value
    assert len(of(text_file(rows), cells={("", last, 3): both}).readings) == len(rows) - 1
    assert len(of(text_file(rows), cells={("", last, 3): ""}).readings) == len(rows) - 2


def test_a_sheet_that_holds_all_rows_twice_holds_them_once() -> None:
    found = of(text_file(twice((0.0, 0.0))))
    assert not found.doubts
    assert len(found.readings) == len(POTS) * len(DAYS)
    assert len(found.unused) == len(POTS) * len(DAYS)


@pytest.mark.parametrize("heads", [("weighing 1", "weighing 2"), ("M1", "M2"), ("Gewicht 1", "Gewicht 2")])
def test_two_columns_beside_a_date_are_two_weighings(heads: tuple[str, str]) -> None:
    lines = [
        f"{on(day)},{pot},{t},{gross_g(pot, day):.2f},{gross_g(pot, day) + 0.01:.2f}" for day in DAYS for pot, t in POTS
    ]
    found = of(csv(f"date,pot,treatment,{heads[0]},{heads[1]}", *lines))
    assert not found.doubts
    assert {(r.pot, r.replicate) for r in found.readings} == {(pot, n) for pot, _ in POTS for n in (1, 2)}


def test_replicates_reach_the_notebook_and_their_mean_counts(tmp_path: Path) -> None:
    layout, many = Layout("twice", "twice.csv", lambda: text_file(twice())), 2 * len(POTS) * len(DAYS)
    proposal = layout.settled()
    with open_store(tmp_path / "tidetray.sqlite") as store:
        assert save_sheet(store, proposal, now=NOW) == f"Trial twice was made. {many} weigh-ins added."
        assert save_sheet(store, proposal, now=NOW) == f"0 weigh-ins added, {many} were there already."
    first = tt.open(tmp_path).growth().table.query("pot == 'D1'").iloc[0]
    low, high = gross_g("D1", 0) - TARE_G - 0.01, gross_g("D1", 0) - TARE_G + 0.02
    assert first["mass_start_g"] == pytest.approx((low * high) ** 0.5)


# ---------------------------------------------------------------- days that are not in the heading


def test_day_numbers_of_a_spreadsheet() -> None:
    """Worked by openpyxl.utils.datetime.from_excel, which reads the 1900 system of ECMA-376."""
    for number in (36526.0, 46103.0, 46103.4375, 73050.0):
        assert serial_date(number) == from_excel(number)
    assert serial_date("46103,4375") == from_excel(46103.4375)
    for none in (36525.0, 73051.0, "46103 g", "46103?", "12.5", None, 10.1):
        assert serial_date(none) is None
    found = of(csv("date;pot;mass", "46103,4375;a1;10,2", "46110,5;a1;11,2"))
    times = [f"{r.date:%Y-%m-%d %H:%M}" for r in found.readings if r.date is not None and r.clock]
    assert times == ["2026-03-22 10:30", "2026-03-29 12:00"]
    assert "Dates are day numbers of a spreadsheet: one is 22 March 2026." in found.facts


@pytest.mark.parametrize(
    "note",
    [
        ["W1 = 22.3.2026; W2 = 29.3.2026"],
        ["W1: 22 March 2026", "W2: 29 March 2026"],
        ["W1,22/3/2026", "W2,29/3/2026"],
        ["W1,W2", "2026-03-22,2026-03-29", ""],
        ["W1 on Sunday 22 March 2026 and after a week W2 (29.3.2026)"],
    ],
)
@pytest.mark.parametrize("below", [False, True])
def test_a_note_gives_the_days_of_numbered_weighings(note: list[str], *, below: bool) -> None:
    table = ["pot,treatment,W1,W2", "a1,dry,10.1,10.9", "a2,wet,10.3,11.9"]
    found = of(csv(*table, "", *note) if below else csv(*note, *table))
    assert not found.questions
    assert {f"{r.date:%Y-%m-%d}" for r in found.readings if r.date is not None} == {"2026-03-22", "2026-03-29"}


@pytest.mark.parametrize("heads", ["W1,W2,W3", "weighing 1,weighing 2,weighing 3", "M 1,M 2,M 3"])
def test_numbered_weighings_without_days_are_one_question(heads: str) -> None:
    sheet = csv(f"pot,{heads}", "a1,10.1,10.9,12.0", "a2,10.3,11.9,13.1")
    found = of(sheet)
    shown = heads.replace(",", ", ")
    assert [(q.key, q.text) for q in found.questions] == [("days", f"On which days were {shown} weighed?")]
    for answer in ("22.3.2026 29.3.2026 5.4.2026", "22 March 2026, 29 March 2026, 5 April 2026", "0; 7; 14", "0 7 14"):
        found = of(sheet, days=answer)
        assert not found.questions
        assert [r.day for r in found.readings[:3]] == ([0, 7, 14] if answer.startswith("0") else [None] * 3)
    for wrong in ("22.3.2026 29.3.2026", "soon", "1 2 3 4"):
        (question,) = of(sheet, days=wrong).questions
        assert question.why.startswith(f"'{wrong}' was not understood.")


def test_a_date_with_a_unit_is_no_number() -> None:
    assert number_of("22.03.2026 mg") is None
    number = number_of("1.234.567,8 ")
    assert number is not None
    assert number.value(",") == 1234567.8


def test_a_misspelt_pot_is_doubted() -> None:
    lines = ["date,pot,treatment,mass"]
    lines += [
        f"{day},{'Betta1' if (pot, day) == ('Beta1', '2026-03-08') else pot},dry,5.1"
        for day in ("2026-03-01", "2026-03-08", "2026-03-15")
        for pot in ("Alpha1", "Alpha2", "Beta1", "Beta2")
    ]
    (doubt,) = of(csv(*lines)).doubts
    assert doubt.why == "pot Betta1 comes once only, and Beta1 is missing on that day: correct the name in the sheet"


def test_names_that_differ_by_capitals_are_one_pot() -> None:
    found = of(csv("date,pot,treatment,mass", "2026-03-01,A1,Dry,5.1", "2026-03-08,a1,dry,5.2", "2026-03-08,B1,dry,5"))
    assert found.pots == ("A1", "B1")
    assert found.treatments == ("Dry",)


def test_a_formula_without_a_value_is_doubted() -> None:
    rows = [["pot", "treatment", "2026-03-01"], ["A1", "dry", "=2+3"], ["A2", "dry", 5.0], ["B1", "wet", 5.2]]
    (doubt,) = of(xlsx({"one": rows}), "a.xlsx").doubts
    assert doubt.why == "the file holds the formula but not its value"


@pytest.mark.parametrize(
    ("heads", "days"),
    [
        ("D0,D7,D14", [0, 7, 14]),
        ("0,7,14", [0, 7, 14]),
        ("week 0,week 1,week 2", [0, 7, 14]),
        ("start,7 days,14 days", [0, 7, 14]),
        ("Tag 0,Tag 7,Tag 14", [0, 7, 14]),
        ("mass day 0 (g),mass day 7 (g),mass day 14 (g)", [0, 7, 14]),
    ],
)
def test_days_counted_from_the_start(heads: str, days: list[int]) -> None:
    found = of(csv(f"pot,treatment,{heads}", "D1,dry,5,5.5,6", "D2,dry,5,5.5,6", "W1,wet,5,5.5,6", "W2,wet,5,5.5,6"))
    assert sorted({reading.day for reading in found.readings}) == days
    assert [q.key for q in found.questions] == []


def test_dates_without_a_year_may_run_over_new_year() -> None:
    found = of(csv("pot;treatment;20.12.;27.12.;3.1.", "A;dry;5,1;5,2;5,3", "B;wet;5,1;5,2;5,3"), year=2025)
    dates = sorted({r.date.date() for r in found.readings if r.date is not None})
    assert dates == [date(2025, 12, 20), date(2025, 12, 27), date(2026, 1, 3)]


# ---------------------------------------------------------------- what is no sheet


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (b"", "the file is empty"),
        (b"\n\n;;\n", "the file is empty"),
        (b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR\x01\x02\x03\x04", "neither text nor a workbook"),
        (b"PK\x03\x04 and then nothing", "the workbook is damaged"),
        (b"\xd0\xcf\x11\xe0" + bytes(100), "old binary workbook"),
        (b"dear diary, today it rained", "no table of pots and masses"),
        (b"name,colour\na,red\nb,blue\n", "no table of pots and masses"),
        (b"x" * (MAX_FILE_BYTES + 1), "the file has 20.0 MB"),
        (b",".join([b"1"] * 1000) + b"\n" + b"\n".join([b",".join([b"1"] * 1000)] * (MAX_CELLS // 1000)), "cells"),
    ],
)
def test_what_is_no_sheet_is_refused_in_words(content: bytes, told: str) -> None:
    with pytest.raises(RefusedError, match=told):
        of(content)


@settings(max_examples=150, deadline=None)
@given(
    rows=st.lists(
        st.lists(
            st.one_of(
                st.sampled_from(["pot", "mass", "5,1", "1.000", "3.4.", "day 7", "=", "🌱"]), st.text(max_size=6)
            ),
            max_size=6,
        ),
        max_size=12,
    ),
    separator=st.sampled_from([",", ";", "\t"]),
)
def test_any_text_gives_an_answer_or_one_refusal(rows: Sequence[Sequence[str]], separator: str) -> None:
    try:
        found = of(text_file(rows, separator, "utf-8"))
    except RefusedError:
        return
    assert all(reading.mass_g > 0 and reading.pot for reading in found.readings)


FILES = [(layout.make(), layout.file) for layout in LAYOUTS]


@settings(max_examples=60, deadline=None)
@given(
    file=st.integers(0, len(FILES) - 1),
    places=st.lists(st.tuples(st.floats(0, 1, exclude_max=True), st.integers(0, 255)), min_size=1, max_size=4),
)
def test_a_spoilt_file_gives_an_answer_or_one_refusal(file: int, places: list[tuple[float, int]]) -> None:
    content, name = bytearray(FILES[file][0]), FILES[file][1]
    for place_of, byte in places:
        content[int(place_of * len(content))] = byte
    try:
        propose(bytes(content), name, now=NOW)
    except (RefusedError, EntryError):
        return


# ---------------------------------------------------------------- answers

WIDE = csv("pot,treatment,2026-03-01,2026-03-08", "A1,dry,5.1,5.6", "A2,dry,5.0,5.4", "B1,wet,5.2,5.9", "B2,wet,5,6")
ALL = Answers(empty_pot="4", zone="Europe/Lisbon", trays=NOT_NOTED)


def test_an_empty_pot_heavier_than_a_full_one_is_doubted() -> None:
    proposal = propose(WIDE, "a.csv", Answers(empty_pot="5.05 g", zone="UTC", trays=NOT_NOTED), now=NOW)
    assert [doubt.why for doubt in proposal.doubts] == ["is not more than the empty pot weighs (5.05 g)"] * 2
    assert not proposal.ready
    assert proposal.weigh_ins == ()


@pytest.mark.parametrize(("answer", "tare"), [("4", 4.0), ("4,0 g", 4.0), (SUBTRACTED, 0.0), (NOT_NOTED, None)])
def test_the_empty_pot_as_it_was_answered(answer: str, tare: float | None) -> None:
    proposal = propose(WIDE, "a.csv", Answers(empty_pot=answer, zone="UTC", trays=NOT_NOTED), now=NOW)
    assert proposal.plan is not None
    (tare_g,) = {str(pot.tare_g) for pot in proposal.plan.pots}
    assert tare_g == ("nan" if tare is None else str(tare))


def test_impossible_answers_are_refused() -> None:
    with pytest.raises(EntryError, match="not the mass of an empty pot"):
        propose(WIDE, "a.csv", Answers(empty_pot="a little"), now=NOW)
    with pytest.raises(EntryError, match="zone 'Mars' is not known"):
        propose(WIDE, "a.csv", Answers(empty_pot="4", zone="Mars", trays=NOT_NOTED), now=NOW)


def test_a_mass_of_the_future_is_doubted() -> None:
    proposal = propose(WIDE, "a.csv", ALL, now=datetime(2026, 3, 5, tzinfo=UTC))
    assert {doubt.why for doubt in proposal.doubts} == {"is of 8 March 2026, which is still to come"}


def test_trays_of_the_sheet_become_trays_and_one_of_two_treatments_is_none() -> None:
    rows = [
        "pot,treatment,tray,row,column,2026-03-01",
        "A1,dry,1,1,A,5.1",
        "A2,dry,1,1,B,5",
        "B1,wet,2,1,1,5",
        "B2,wet,3,2,1,5",
    ]
    plan = propose(csv(*rows, "C1,dry,3,1,1,5"), "a.csv", ALL, now=NOW).plan
    assert plan is not None
    assert [(t.name, t.treatment, t.noted) for t in plan.trays] == [
        ("tray-1", "dry", True),
        ("tray-2", "wet", True),
        ("not-noted-1", "wet", False),
        ("not-noted-2", "dry", False),
    ]
    assert [(p.name, p.row, p.column) for p in plan.pots][:2] == [("A1", 1, 1), ("A2", 1, 2)]


def test_weigh_ins_for_a_trial_that_is_there_ask_for_nothing_else() -> None:
    known = Known("plugs", "Europe/Lisbon", datetime(2026, 2, 1, tzinfo=UTC), {"a1": 4.0, "a2": 4.0, "b1": 4.5})
    proposal = propose(WIDE, "a.csv", now=NOW, known=known)
    assert proposal.questions == ()
    assert {doubt.why for doubt in proposal.doubts} == {"trial plugs has no pot B2. There are: a1, a2, b1"}
    left = Answers(Said(cells={doubt.spot: "" for doubt in proposal.doubts}))
    done = propose(WIDE, "a.csv", left, now=NOW, known=known)
    assert done.plan is None
    assert [(w.pot, w.gross_g, w.tare_g) for w in done.weigh_ins][:2] == [("a1", 5.1, 4.0), ("a1", 5.6, 4.0)]
