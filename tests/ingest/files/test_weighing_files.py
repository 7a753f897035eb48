"""Files of weigh-ins: what is taken, what is refused and in which words."""

from __future__ import annotations

import tempfile
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tidetray.ingest.core.readings import TidetrayError
from tidetray.ingest.core.refusals import RefusedError
from tidetray.ingest.files.rows import MAX_FILE_BYTES
from tidetray.ingest.files.trial_file import load_trial
from tidetray.ingest.files.weighing_files import LoadReport, load_weigh_ins
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.store.recording import Store, open_store

DATA = Path(__file__).parents[2] / "data"
NOW = datetime(2026, 6, 2, tzinfo=UTC)
LISBON = ZoneInfo("Europe/Lisbon")
LONDON = ZoneInfo("Europe/London")
POINT = "Write digits with at most one decimal point, such as 12.5"
COMMA = "Write digits with at most one decimal comma, such as 12,5"


@pytest.fixture
def notebook(bench_store: Store) -> Notebook:
    return Notebook(bench_store)


def load(notebook: Notebook, folder: Path, content: str | bytes, **more: bool) -> LoadReport:
    path = folder / "day.csv"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return load_weigh_ins(path, notebook, "bench", now=NOW, **more)


def refused(notebook: Notebook, folder: Path, content: str | bytes, **more: bool) -> list[str]:
    """The faults for which a file was refused, after a look that nothing of it was kept."""
    before = notebook.weigh_ins("bench")
    with pytest.raises(RefusedError) as caught:
        load(notebook, folder, content, **more)
    assert notebook.weigh_ins("bench") == before
    assert caught.value.where == "day.csv"
    return [str(fault) for fault in caught.value.faults]


def test_the_file_of_the_test_data(notebook: Notebook) -> None:
    assert load_weigh_ins(DATA / "weighins.csv", notebook, "bench", now=NOW) == LoadReport(8, 0, ())
    weigh_ins = notebook.weigh_ins("bench")
    # two sessions that enclose the three hours of readings in tests/data/README.md
    assert {w.time for w in weigh_ins} == {datetime(2026, 6, 1, 8, tzinfo=UTC), datetime(2026, 6, 1, 11, tzinfo=UTC)}
    assert [(w.pot, w.net_g, w.blotted, w.who) for w in weigh_ins[:2]] == [
        ("pot-1", 12.5, True, "grower"),
        ("pot-1", 42.55 - 30, True, "grower"),
    ]
    assert load_weigh_ins(DATA / "weighins.csv", notebook, "bench", now=NOW) == LoadReport(0, 8, ())
    assert notebook.weigh_ins("bench") == weigh_ins


@pytest.mark.parametrize("mark", [",", ";", "\t"])
@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("start", ["", "\ufeff"])
def test_marks_line_ends_and_a_byte_order_mark(
    notebook: Notebook, tmp_path: Path, mark: str, line_end: str, start: str
) -> None:
    rows = [
        ("Pot", "weighed ", "GROSS_G"),
        ("pot-1", "2026-06-01 09:00", "42.5"),
        ("", "", ""),
        ("pot-2", "2026-06-01 09:00", "43"),
    ]
    assert load(notebook, tmp_path, start + line_end.join(mark.join(row) for row in rows) + line_end) == LoadReport(
        2, 0, ()
    )
    assert [(w.pot, w.gross_g, w.tare_g, w.replicate, w.blotted) for w in notebook.weigh_ins("bench")] == [
        ("pot-1", 42.5, 30.0, 1, True),
        ("pot-2", 43.0, 30.5, 1, True),
    ]


def test_decimal_commas_only_when_they_are_announced(notebook: Notebook, tmp_path: Path) -> None:
    content = "pot;weighed;gross_g\npot-1;2026-06-01 09:00;42,5\n"
    assert refused(notebook, tmp_path, content) == [
        (
            f"row 2, column gross_g: '42,5' could be 42.5 g or 425 g. {POINT}, or say that the masses are "
            "written with decimal commas"
        )
    ]
    assert load(notebook, tmp_path, content, decimal_comma=True) == LoadReport(1, 0, ())
    assert notebook.weigh_ins("bench")[0].gross_g == 42.5


def test_all_optional_columns_in_another_order(notebook: Notebook, tmp_path: Path) -> None:
    content = (
        'note,gross_g,replicate,blotted,who,tare_g,weighed,pot\n"two\nlines, '
        'quoted",42.5,2,No,grower,29.5,2026-06-01,pot-1\n'
    )
    assert load(notebook, tmp_path, content).notes == (
        "a date without a time counts as 12:00 in Europe/Lisbon (row 2, column weighed)",
    )
    (weigh_in,) = notebook.weigh_ins("bench")
    assert (weigh_in.tare_g, weigh_in.replicate, weigh_in.blotted, weigh_in.note) == (
        29.5,
        2,
        False,
        "two\nlines, quoted",
    )
    assert weigh_in.time == datetime(2026, 6, 1, 11, tzinfo=UTC)


def test_formulas_stay_text_and_unused_columns_are_told(notebook: Notebook, tmp_path: Path) -> None:
    content = (
        "pot,weighed,gross_g,who,note,shelf\npot-1,2026-06-01 "
        '09:00,42.5,+me,"=HYPERLINK(""x"")",3\npot-2,2026-06-01 09:00,43,,@all,3\n'
    )
    assert load(notebook, tmp_path, content).notes == (
        "column 'shelf' is not used (row 1)",
        "what looks like a formula is kept as text (row 2, column who and 2 more)",
    )
    assert (notebook.weigh_ins("bench")[0].who, notebook.weigh_ins("bench")[0].note) == ("+me", '=HYPERLINK("x")')


def test_every_fault_of_a_file_is_told_at_once(notebook: Notebook, tmp_path: Path) -> None:
    content = (
        "pot,weighed,gross_g,tare_g,blotted,replicate\n"
        "pot-9,01/06/2026,12;5,abc,maybe,x\n"
        "pot-1,2026-06-03 09:00,20,30,yes,0\n"
        "pot-1,2026-05-30 09:00,,,,\n"
        "pot-2,2026-06-01 09:00,43,30.5,yes,1\n"
        "pot-2,2026-06-01 09:00,44,30.5,yes,1\n"
        "pot-3,2026-06-01 09:00,42\n"
        "pot-3,2026-06-01 09:00,42,5,,,\n"
        "pot-3,2026-06-01 09:00,41,5,29,8,yes,1\n"
    )
    hint = "Correct the row. A decimal comma splits a mass in two: put semicolons between the columns"
    assert refused(notebook, tmp_path, content) == [
        (
            "row 2, column weighed: '01/06/2026' could be 2026-06-01 or 2026-01-06. Write the one that is meant, "
            "or say whether the day comes first"
        ),
        f"row 2, column gross_g: '12;5' is not a mass in grams. {POINT}",
        f"row 2, column tare_g: 'abc' is not a mass in grams. {POINT}",
        "row 2, column replicate: 'x' is not a replicate number. Write 1, 2, 3 ..., or nothing for 1",
        "row 2, column blotted: 'maybe' is neither yes nor no. Write yes or no, or nothing for no",
        "row 2, column pot: trial bench has no pot 'pot-9'. Did you mean pot-4 or pot-3 or pot-2?",
        "row 3, column weighed: 2026-06-03 09:00 is in the future. Correct the date. "
        "A date alone counts as noon: write the time too if it was weighed earlier today",
        "row 3, column replicate: the replicate number is 0. Number them 1, 2, 3 ... 999",
        "row 3, column gross_g: the pot with its plants (20 g) weighs less than empty (tare 30 g). "
        "Correct the one that is wrong; gross is with the pot",
        f"row 4, column gross_g: the mass is missing. {POINT}",
        "row 4, column weighed: 2026-05-30 09:00 is before the trial started (2026-05-31 00:00). Correct the date",
        "row 6, column gross_g: pot pot-2 already has a weigh-in at 2026-06-01 09:00, replicate 1, of gross "
        "43 g, tare 30.5 g, blotted; this one is gross 44 g, tare 30.5 g, blotted. Give a second weighing "
        "the next replicate number, or leave this one out",
        f"row 7: it has 3 cells and the header has 6. {hint}",
        f"row 9: it has 8 cells and the header has 6. {hint}",
    ]


def test_another_mass_than_the_notebook_has_is_refused(notebook: Notebook, tmp_path: Path) -> None:
    load(notebook, tmp_path, "pot,weighed,gross_g\npot-1,2026-06-01 09:00,42.5\n")
    (fault,) = refused(
        notebook, tmp_path, "pot,weighed,gross_g\npot-2,2026-06-01 09:00,43\npot-1,2026-06-01 09:00,42.6\n"
    )
    assert fault.startswith(
        "row 3, column gross_g: pot pot-1 already has a weigh-in at 2026-06-01 09:00, replicate 1, of gross 42.5 g"
    )
    report = load(notebook, tmp_path, "pot,weighed,gross_g\npot-2,2026-06-01 09:00,43\npot-1,2026-06-01 09:00,42.5\n")
    assert report == LoadReport(1, 1, ())


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (b"", ["the file is empty. Load one with something in it"]),
        (b"\xef\xbb\xbf \n\n", ["the file is empty. Load one with something in it"]),
        (b",,\n", ["there are no weigh-ins below the header. Add a row for each weighing"]),
        (b"pot,weighed,gross_g\n\n,,\n", ["there are no weigh-ins below the header. Add a row for each weighing"]),
        (b"pot,weighed,gross_g\npot-1,\xff", ["line 2 is not text in UTF-8. Save it again as text in UTF-8"]),
        ("pot,weighed\n".encode("utf-16"), ["line 1 is not text in UTF-8. Save it again as text in UTF-8"]),
        (b"pot,weighed,gross_g\n\npot-1,\0", ["line 3 is not text in UTF-8. Save it again as text in UTF-8"]),
        (b"PK\x03\x04rest", ["the workbook is damaged (File is not a zip file). Save it again, or as CSV in UTF-8"]),
        (
            b"\xd0\xcf\x11\xe0rest",
            [
                (
                    "it is an old binary workbook, or one with a password. Save it as .xlsx without a password, "
                    "or as CSV in UTF-8"
                )
            ],
        ),
        (
            b"pot,date\npot-1,x\n",
            [
                (
                    "row 1: there is no column weighed. The columns are pot, weighed, gross_g, tare_g, blotted, "
                    "replicate, who, note"
                ),
                "row 1: there is no column gross_g. The columns are pot, weighed, gross_g, tare_g, blotted, "
                "replicate, who, note. The header has 'pot', 'date': say once what a column means, such as "
                "--column 'date=gross_g'",
            ],
        ),
        (b"pot,weighed,gross_g,Pot\n", ["row 1: there are 2 columns 'pot'. Keep one"]),
        (
            b"pot,weighed,gross_g,tare\n",
            ["row 1: column 'tare' is not known. Write tare_g, or give it quite another name"],
        ),
        (
            b'pot,weighed,gross_g\npot-1,2026-06-01 09:00,42\n"pot-1,2026-06-01 10:00,42\n',
            [
                (
                    "row 3: cannot be read as CSV (unexpected end of data). Correct its quotation marks; nothing "
                    "below was read"
                )
            ],
        ),
        (
            b"pot,weighed,gross_g\n" + b"x" * 200_000,
            [
                (
                    "row 2: cannot be read as CSV (field larger than field limit (131072)). Correct its quotation "
                    "marks; nothing below was read"
                )
            ],
        ),
    ],
)
def test_files_that_are_refused(notebook: Notebook, tmp_path: Path, content: bytes, told: list[str]) -> None:
    assert refused(notebook, tmp_path, content) == told


def test_a_large_file_is_refused_unread(notebook: Notebook, tmp_path: Path) -> None:
    path = tmp_path / "large.csv"
    with path.open("wb") as file:
        file.truncate(50_000_000)
    with pytest.raises(RefusedError, match=r"the file has 50\.0 MB\. Split it into files of at most 20 MB"):
        load_weigh_ins(path, notebook, "bench", now=NOW)
    with path.open("wb") as file:
        file.truncate(MAX_FILE_BYTES)
    with pytest.raises(RefusedError, match="line 1 is not text"):
        load_weigh_ins(path, notebook, "bench", now=NOW)


def test_files_that_cannot_be_opened(notebook: Notebook, tmp_path: Path) -> None:
    for path in (tmp_path / "none.csv", tmp_path):
        with pytest.raises(RefusedError, match="the file cannot be read"):
            load_weigh_ins(path, notebook, "bench", now=NOW)


def test_a_workbook_in_disguise_is_known_by_its_content(notebook: Notebook, tmp_path: Path) -> None:
    path = tmp_path / "day.xlsx"
    path.write_bytes(b"PK\x03\x04")
    with pytest.raises(RefusedError, match="the workbook is damaged"):
        load_weigh_ins(path, notebook, "bench", now=NOW)


def with_any_file(content: bytes) -> None:
    """Both readers, on any content, raise nothing but their own errors."""
    with tempfile.TemporaryDirectory() as folder, open_store(":memory:") as store:
        notebook = Notebook(store)
        notebook.add_trial(load_trial(DATA / "trial.toml"))
        path = Path(folder) / "any"
        path.write_bytes(content)
        try:
            added = load_weigh_ins(path, notebook, "bench", now=NOW).new
        except TidetrayError:
            added = 0
        assert len(notebook.weigh_ins("bench")) == added
        with pytest.raises(RefusedError):
            load_trial(path)


@given(st.binary() | st.text().map(str.encode))
def test_any_bytes_raise_only_our_errors(content: bytes) -> None:
    with_any_file(content)


@given(st.lists(st.text('\n\r,;"\t 0123456789.-potweighd', max_size=40), max_size=8))
def test_any_rows_raise_only_our_errors(rows: list[str]) -> None:
    with_any_file(("pot,weighed,gross_g,tare_g,replicate,note\n" + "\n".join(rows)).encode())


VALUES = st.sampled_from(
    [
        "1",
        "-1",
        "nan",
        "1e400",
        "true",
        '""',
        '"x"',
        '"06:00"',
        "[]",
        "[1]",
        "{}",
        "{a = 1}",
        "[{}]",
        "06:00:00",
        "2026-06-01",
        "0x" + "f" * 5000,
    ]
)
KEYS = [
    "name",
    "site",
    "zone",
    "started",
    "culture",
    "flood_times",
    "floods_per_day",
    "wet_minutes",
    "rows",
    "length_m",
    "tray",
]


@given(
    st.lists(
        st.tuples(
            st.sampled_from(["[trial]", "[[treatment]]", "[[tray]]", "[[pot]]"]),
            st.dictionaries(st.sampled_from(KEYS), VALUES),
        ),
        unique_by=lambda t: t[0],
    )
)
def test_any_tables_raise_only_our_errors(tables: list[tuple[str, dict[str, str]]]) -> None:
    with_any_file(
        "\n".join([line for head, keys in tables for line in (head, *(f"{k} = {v}" for k, v in keys.items()))]).encode()
    )
