"""The report of a trial: it says what the commands say, is whole in itself, the same byte for byte, and honest where
little is known."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from html import unescape
from io import BytesIO
from pathlib import Path
from xml.etree import ElementTree

import html5lib
import pandas as pd
import pytest
from click.testing import CliRunner
from pypdf import PdfReader

from tests.made_home import copied_home
from tests.ui.views.test_pages import labelled, open_page, press, said
from tidetray.ingest.notebook.corrections import correct
from tidetray.ingest.notebook.facts import Event
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.notebook.trial_events import note_event
from tidetray.ingest.settings.model import RECORD_FILE, load_settings
from tidetray.ingest.store.recording import open_store
from tidetray.ui.cli.main import cli
from tidetray.ui.report.html import draw
from tidetray.ui.report.make import as_files, make_report
from tidetray.ui.report.parts import Figure, Report, Table, Words

ROOT = Path(__file__).parents[3]
UNTIL = datetime(2026, 6, 1, 12, 0, tzinfo=UTC)
TITLES = [
    "Question",
    "What was found",
    "What may mislead",
    "What to do next",
    "Growth over time",
    "Design",
    "Conditions",
    "Growth",
    "Compare treatments",
    "Cautions",
    "Growth and conditions",
    "Pot positions",
    "Tune floods",
    "Methods",
]
APPENDIX = TITLES[5:]


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Weigh-ins of nine weeks, readings of the last nine days."""
    return copied_home(tmp_path_factory.mktemp("report"), UNTIL, readings_of=timedelta(days=9))


@pytest.fixture(scope="module")
def report(filled: Path) -> Report:
    return reported(filled)


@pytest.fixture(scope="module")
def files(report: Report) -> tuple[str, bytes]:
    page, paper = as_files(report)
    return page.decode(), paper


def reported(home: Path, trial: str | None = None) -> Report:
    with open_store(home / RECORD_FILE, read_only=True) as store:
        return make_report(store, load_settings(home), trial)


def section(report: Report, title: str) -> tuple[Words | Table | Figure, ...]:
    return next(each.parts for each in report.sections if each.title == title)


def lines(report: Report, title: str) -> list[str]:
    """All that a section says, captions and tables apart."""
    return [line for part in section(report, title) if isinstance(part, Words) for line in (part.text, *part.more)]


def figures(report: Report) -> list[Figure]:
    return [part for each in report.sections for part in each.parts if isinstance(part, Figure)]


def shown(page: str) -> str:
    """The text of a page, pictures and styles apart."""
    without = re.sub(r"<style>.*?</style>|<svg.*?</svg>", " ", page, flags=re.DOTALL)
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", without)).split())


def pages_of(paper: bytes) -> list[str]:
    return [" ".join(page.extract_text().split()) for page in PdfReader(BytesIO(paper)).pages]


def asked(home: Path, *words: str) -> dict[str, object]:
    result = CliRunner().invoke(cli, [*words, "--home", str(home), "--json"])
    assert result.exit_code == 0, (result.output, result.exception)
    found = json.loads(result.stdout)
    assert isinstance(found, dict)
    return found


# ---------------------------------------------------------------- what it says


def test_it_says_what_the_commands_say(filled: Path, report: Report) -> None:
    compared = asked(filled, "compare")
    assert lines(report, "Compare treatments")[: len(compared["sentences"])] == compared["sentences"]
    assert set(compared["cautions"]) <= set(lines(report, "Compare treatments"))
    placed = asked(filled, "positions")
    assert lines(report, "Pot positions")[: len(placed["sentences"])] == placed["sentences"]
    assert set(placed["advice"]) <= set(lines(report, "Pot positions"))
    tuned = asked(filled, "tune")
    assert lines(report, "Tune floods")[0] == tuned["verdict"]
    assert tuned["expects"] in lines(report, "Tune floods")
    related = asked(filled, "relate")
    assert related["answered"]
    assert lines(report, "Growth and conditions")[: len(related["sentences"])] == related["sentences"]
    everything = [line for title in APPENDIX for line in lines(report, title)]
    for found in (compared, placed, tuned, related):
        for caution in found["cautions"]:
            assert everything.count(caution) == 1, caution


def test_the_figures_in_its_tables_are_those_of_the_commands(filled: Path, report: Report) -> None:
    compared = asked(filled, "compare")
    (rates,) = [p for p in section(report, "Growth") if isinstance(p, Table) and p.title.startswith("Growth rates")]
    assert [row[:4] for row in rates.rows] == [
        (r["treatment"], *(f"{100 * r[name]:.2f}" for name in ("rate_per_day", "low_per_day", "high_per_day")))
        for r in compared["growth"]["rates"]
    ]
    (conditions,) = [p for p in section(report, "Conditions") if isinstance(p, Table)]
    assert len(conditions.rows) == 9 + 4
    assert len(conditions.strong) == 4
    assert all(conditions.rows[n][1] == "mean" for n in conditions.strong)


def test_design_names_trays_treatments_and_what_is_not_noted(report: Report) -> None:
    tables = {part.title: part for part in section(report, "Design") if isinstance(part, Table)}
    assert [row[0] for row in tables["Trays"].rows] == [f"tray-{n}" for n in range(1, 10)]
    assert {row[0]: row[3:] for row in tables["Treatments"].rows}["short floods"] == ("3", "24")
    assert any("No draw number of a layout is recorded" in line for line in lines(report, "Design"))
    assert "tray-5: short floods" in json.dumps(next(f.spec for f in figures(report) if f.name == "map-1"))


def test_nine_weeks_of_which_nine_days_were_recorded_are_mostly_unknown(report: Report) -> None:
    (conditions,) = [p for p in section(report, "Conditions") if isinstance(p, Table)]
    unknown = conditions.head.index("unknown %")
    assert all(85 < float(row[unknown]) < 90 for row in conditions.rows)
    assert "Light is known less than half of the time on tray-1" in " ".join(lines(report, "Conditions"))
    assert {row[conditions.head.index("air °C")] for row in conditions.rows} == {"–"}


def test_methods_name_software_seed_limits_and_fingerprint(home: Path) -> None:
    (home / "tidetray.toml").write_text("[flooding]\nlongest_dry_h = 8\nflood_from = '07:00'\nsump_m3 = 0.06\n")
    found = reported(home)
    text = " ".join(lines(found, "Methods"))
    assert (
        "no dry spell longer than 8 h; floods between 07:00 and 24:00; a sump of 60 L, of which 0 L must stay" in text
    )
    assert "draw number 1" in text
    assert found.fingerprint in text
    (software,) = [part for part in section(found, "Methods") if isinstance(part, Table)]
    assert ("pandas", pd.__version__) in software.rows


def test_its_time_is_that_of_the_data(report: Report) -> None:
    assert report.facts["Data up to"] == "1 Jun 2026 12:58 (Europe/Lisbon)"
    assert report.name == "report-plugs-2026-06-01"


def test_tuning_takes_earlier_trials_and_no_later_one(home: Path, report: Report) -> None:
    def add(name: str, days: int) -> Report:
        with open_store(home / RECORD_FILE) as store:
            plan = Notebook(store).plan("plugs")
            trial = replace(plan.trial, name=name, started=plan.trial.started + timedelta(days=days))
            Notebook(store).add_trial(replace(plan, trial=trial, pots=()))
        return reported(home, "plugs")

    later = add("later", 90)
    assert later.fingerprint == report.fingerprint
    assert all(lines(later, title) == lines(report, title) for title in TITLES)
    both = add("before", -90)
    assert "From trials before, plugs." in lines(both, "Tune floods")
    assert both.fingerprint != report.fingerprint
    assert lines(both, "Compare treatments") == lines(report, "Compare treatments")


# ---------------------------------------------------------------- the files


def test_the_page_is_html_and_whole_in_itself(files: tuple[str, bytes], report: Report) -> None:
    page, _ = files
    html5lib.HTMLParser(strict=True).parse(page)
    assert "<script" not in page
    assert "<link" not in page
    assert not re.findall(r"\ssrc=|\bsrcset=|@import", page)
    assert {address[:5] for address in re.findall(r'url\(["\']?([^)"\']+)', page)} <= {"data:"} | {
        f"#{figure.name}"[:5] for figure in figures(report)
    }
    assert {link[:9] for link in re.findall(r'href="([^"]*)"', page)} == {"#section-"}
    assert set(re.findall(r"https?://[^\s\"'<)]+", page)) == {
        "http://www.w3.org/2000/svg",
        "http://www.w3.org/1999/xlink",
    }
    assert page.count("<svg") == len(figures(report)) > 7
    for title in TITLES:
        for line in lines(report, title):
            assert " ".join(line.split()) in shown(page), line


def test_ids_are_met_once_and_found(files: tuple[str, bytes]) -> None:
    page, _ = files
    ids = re.findall(r'\bid="([^"]+)"', page)
    assert len(ids) == len(set(ids)) >= len(TITLES)
    assert set(re.findall(r"url\(#([^)]+)\)", page)) <= set(ids)
    assert re.findall(r'href="#([^"]+)"', page) == [f"section-{n}" for n in range(1, len(TITLES) + 1)]


def test_the_pdf_says_the_same_on_a4_with_bookmarks(files: tuple[str, bytes], report: Report) -> None:
    paper = files[1]
    reader = PdfReader(BytesIO(paper))
    assert {(round(page.mediabox.width), round(page.mediabox.height)) for page in reader.pages} == {(595, 842)}
    assert [entry.title for entry in reader.outline] == [f"{n}. {title}" for n, title in enumerate(TITLES, start=1)]
    texts = pages_of(paper)
    assert "Appendix: for whoever wants to check" in texts[2], "two pages answer first"
    for number, text in enumerate(texts, start=1):
        assert f"{number} of {len(texts)}" in text
    # a line may go on after the foot of a page: what is asked is its first words
    everything = " ".join(texts)
    for title in TITLES:
        for line in lines(report, title):
            assert " ".join(line.split()[:6]) in everything, line
    assert report.short.text in texts[0]
    assert [len(page.images) for page in reader.pages] == [0] * len(texts), "pictures are lines and letters"
    everywhere = "".join(everything.split())
    for name, drawn in draw(report).items():
        for each in ElementTree.fromstring(drawn).iter("{http://www.w3.org/2000/svg}text"):
            if each.get("opacity") != "0":  # labels of an axis that would overlap are there, and not seen
                assert all("".join(text.split()) in everywhere for text in each.itertext()), (name, each)
    assert len(paper) < 400_000
    assert reader.trailer["/Root"]["/Lang"] == "en"


def test_two_processes_elsewhere_make_the_same_bytes(filled: Path, files: tuple[str, bytes], tmp_path: Path) -> None:
    """Another zone, another order of hashes, another folder, another number of threads allowed."""
    made = []
    for n, (zone, seed) in enumerate((("Pacific/Auckland", "1"), ("America/Los_Angeles", "4242"))):
        out = tmp_path / f"made-{n}"
        environment = os.environ | {
            "TZ": zone,
            "PYTHONHASHSEED": seed,
            "PYTHONPATH": str(ROOT),
            "OPENBLAS_NUM_THREADS": "1",
        }
        words = ["-m", "tidetray", "report", "--home", str(filled), "--out", str(out), "--json"]
        done = subprocess.run(
            [sys.executable, *words], cwd=tmp_path, env=environment, capture_output=True, text=True, check=True
        )
        told = json.loads(done.stdout)
        assert told["files"] == [str(out / "report-plugs-2026-06-01.html"), str(out / "report-plugs-2026-06-01.pdf")]
        made.append([Path(path).read_bytes() for path in told["files"]])
    assert made[0][0] == made[1][0]
    assert made[0][1] == made[1][1]
    assert b"/CreationDate" not in made[0][1]
    assert b"/ModDate" not in made[0][1]


def test_what_is_made_later_in_one_process_is_the_same(files: tuple[str, bytes], report: Report) -> None:
    page, paper = as_files(report)
    assert (page.decode(), paper) == files


# ---------------------------------------------------------------- fingerprint, command, page


def test_a_correction_and_an_event_change_the_fingerprint(home: Path, report: Report) -> None:
    with open_store(home / RECORD_FILE) as store:
        notebook = Notebook(store)
        first = notebook.weigh_ins("plugs")[0]
        (number,) = store.connection.execute("SELECT min(id) FROM weigh_in").fetchone()
        correct(notebook, "plugs", number, gross_g=first.gross_g + 0.01, who="me", why="misread", now=UNTIL)
    corrected = reported(home).fingerprint
    with open_store(home / RECORD_FILE) as store:
        note_event(
            Notebook(store),
            "plugs",
            Event("feed dosed", UNTIL - timedelta(days=1), tray="tray-1", value="feed", who="me"),
            now=UNTIL,
        )
    assert len({report.fingerprint, corrected, reported(home).fingerprint}) == 3


def test_the_command_says_what_it_wrote(filled: Path, tmp_path: Path, report: Report) -> None:
    result = CliRunner().invoke(cli, ["report", "--home", str(filled), "--out", str(tmp_path / "new" / "folder")])
    assert result.exit_code == 0, result.exception
    first = tmp_path / "new" / "folder" / "report-plugs-2026-06-01"
    assert result.output.splitlines() == [
        f"Wrote {first}.html",
        f"Wrote {first}.pdf",
        f"Fingerprint of the data: {report.fingerprint}",
    ]
    assert first.with_suffix(".pdf").read_bytes().startswith(b"%PDF-")


def test_the_command_in_trouble_says_one_line(filled: Path, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    for words, told in (
        (["--trial", "nobody", "--out", tmp_path], "nobody"),
        (["--out", tmp_path / "file" / "below"], "file"),
    ):
        done = subprocess.run(
            [sys.executable, "-m", "tidetray", "report", "--home", str(filled), *map(str, words)],
            cwd=ROOT,
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.returncode in (1, 2)
        assert "Traceback" not in done.stderr
        assert told in done.stderr


def test_the_page_makes_it_when_asked(home: Path, report: Report) -> None:
    app = open_page("views/report.py")
    assert app.get("download_button") == []
    press(app, "Make the report")
    assert report.short.text in said(app)
    assert report.fingerprint in said(app)
    labels = [each.proto.label for each in app.get("download_button")]
    assert labels == ["Report as a page", "Report as PDF"]


def test_the_page_forgets_the_report_of_another_trial(home: Path) -> None:
    with open_store(home / RECORD_FILE) as store:
        plan = Notebook(store).plan("plugs")
        Notebook(store).add_trial(replace(plan, trial=replace(plan.trial, name="another"), pots=()))
    app = open_page("views/report.py")
    press(app, "Make the report")
    assert len(app.get("download_button")) == 2
    app.selectbox(key="trial").select("another").run()
    assert app.get("download_button") == []
    assert labelled(app.button, "Make the report")


@pytest.mark.parametrize(
    ("page", "pictures"), [("growth", 2), ("compare", 4), ("relate", 1), ("positions", 2), ("tune", 0)]
)
def test_pictures_on_the_pages_are_offered_in_three_forms(home: Path, page: str, pictures: int) -> None:
    """Nine days of readings show no dose to tune by; tests/ui/cli/test_tune.py asks for that picture."""
    app = open_page(f"views/{page}.py")
    if page == "growth":  # nine days of nine weeks are too few for hours a day of the whole trial
        assert "less than half of this time is known" in said(app)
        next(box for box in app.selectbox if box.label == "Period").select_index(1).run()
    labels = [each.proto.label for each in app.get("download_button")]
    assert labels.count("Picture, PNG") == labels.count("Picture, SVG") == labels.count("Numbers, CSV") >= pictures


def test_every_picture_of_a_trial_is_offered_as_files() -> None:
    """Drawn by `tidetray.ui.parts.pictures.picture`, which offers them. Strips of trays are of the moment; single maps
    are offered as one."""
    bare = re.compile(r"\b(?:vega_lite_chart|(?<!\.)draw)\(")
    views = (ROOT / "ui" / "views").glob("*.py")
    assert {path.name for path in views if bare.search(path.read_text())} <= {"trays.py", "tray.py", "positions.py"}
    assert "files(together, " in (ROOT / "ui" / "views" / "positions.py").read_text()
