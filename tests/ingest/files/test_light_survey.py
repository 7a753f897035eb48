"""A light survey: read strictly, kept once, refused whole with every fault."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from tidetray.ingest.core.refusals import RefusedError
from tidetray.ingest.files.light_survey import is_light_survey, read_light_survey
from tidetray.ingest.notebook.light_surveys import add_light_survey, light_survey
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.store.recording import Store

NOW = datetime(2026, 6, 2, tzinfo=UTC)
GOOD = "tray,row,column,measured,lux\ntray-1,1,1,2026-06-01 10:00,9000\ntray-1,1,2,2026-06-01 10:00,11000.5\n"


def written(path: Path, text: str) -> Path:
    file = path / "survey.csv"
    file.write_text(text)
    return file


def plan(store: Store):  # type: ignore[no-untyped-def]  # a TrialPlan
    notebook = Notebook(store)
    return notebook.plan(notebook.trials()[0].name)


def test_a_survey_is_kept_once(bench_store: Store, tmp_path: Path) -> None:
    file = written(tmp_path, GOOD)
    assert is_light_survey(file)
    readings = read_light_survey(file, plan(bench_store), now=NOW)
    assert add_light_survey(bench_store, "nursery", readings) == 2
    assert add_light_survey(bench_store, "nursery", readings) == 0
    kept = light_survey(bench_store, "nursery")
    assert [(r.tray, r.row, r.column, r.channel, r.value) for r in kept] == [
        ("tray-1", 1, 1, "light", 9000.0),
        ("tray-1", 1, 2, "light", 11000.5),
    ]
    assert kept[0].time == datetime(2026, 6, 1, 9, tzinfo=UTC)  # Lisbon is an hour ahead in June
    assert light_survey(bench_store, "elsewhere") == ()


def test_every_fault_is_told_with_its_line(bench_store: Store, tmp_path: Path) -> None:
    text = (
        "tray,row,column,measured,ppfd\ntray-9,1,1,2026-06-01,100\ntray-1,0,1,2026-06-01,100\ntray-1,1,1,yesterday,100\n"
        "tray-1,1,1,2026-06-01,-5\ntray-1,1,1,2027-06-01,5\ntray-1,1,1,2026-06-01,nan\n"
    )
    with pytest.raises(RefusedError) as refused:
        read_light_survey(written(tmp_path, text), plan(bench_store), now=NOW)
    said = str(refused.value)
    for n, what in enumerate(
        ("not in the trial", "row is", "not a date", "ppfd is", "in the future", "ppfd is"), start=2
    ):
        assert f"line {n}: " in said
        assert what in said


@pytest.mark.parametrize(
    "head", ["tray,row,column,measured", "tray,row,column,measured,lux,ppfd", "tray,row,column,lux"]
)
def test_columns_must_be_clear(bench_store: Store, tmp_path: Path, head: str) -> None:
    with pytest.raises(RefusedError, match="line 1"):
        read_light_survey(written(tmp_path, head + "\n"), plan(bench_store), now=NOW)


def test_an_empty_survey_and_another_value_for_one_moment(bench_store: Store, tmp_path: Path) -> None:
    with pytest.raises(RefusedError, match="holds no readings"):
        read_light_survey(written(tmp_path, GOOD.splitlines()[0] + "\n"), plan(bench_store), now=NOW)
    add_light_survey(bench_store, "nursery", read_light_survey(written(tmp_path, GOOD), plan(bench_store), now=NOW))
    other = read_light_survey(written(tmp_path, GOOD.replace("9000", "9100")), plan(bench_store), now=NOW)
    with pytest.raises(RefusedError, match="9000 is noted for that moment already"):
        add_light_survey(bench_store, "nursery", other)
    assert len(light_survey(bench_store, "nursery")) == 2


def test_weigh_ins_are_no_survey(tmp_path: Path) -> None:
    assert not is_light_survey(written(tmp_path, "pot,weighed,gross_g\n"))
