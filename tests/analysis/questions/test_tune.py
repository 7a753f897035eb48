"""Tuning answered once: with growth, without, with planned doses that nobody can know."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from tests.made_home import make_home
from tidetray.analysis.questions.tune import GROWTH, tune, tune_two
from tidetray.analysis.record.trial_data import open_record
from tidetray.ingest.settings.model import RECORD_FILE, Settings
from tidetray.ingest.store.recording import open_store

PRICED = Settings.model_validate({"value": {"price": 4.0}})


@pytest.fixture(scope="module")
def no_readings(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Weigh-ins of nine weeks, and not one reading: neither exposure nor how trays fill is known."""
    until = datetime(2026, 6, 1, 12, tzinfo=UTC)
    home = make_home(tmp_path_factory.mktemp("dry"), until, readings_of=timedelta(0))
    with open_store(home / RECORD_FILE) as store:
        for column in ("pump_flow_m3_s", "drain_hole_diameter_m"):
            store.connection.execute(f"UPDATE tray SET {column} = NULL")
    return home


def test_one_answer_with_a_sentence_a_table_and_a_chart(joints: Path) -> None:
    with open_record(joints) as store:
        answer = tune(store, PRICED)
        both = tune_two(answer.data, PRICED)
    assert answer.tuned is not None
    assert answer.tuned.response == GROWTH
    assert answer.summary == answer.tuned.fit.verdict
    assert {"trial", "tray", "dose", "response"} <= set(answer.table)
    assert answer.picture() is not None
    assert answer.plot().to_dict()["layer"]
    assert answer.summary.split("'")[0] in answer._repr_html_()
    assert both.summary


@pytest.mark.parametrize("planned", [False, True])
def test_without_readings_the_answer_says_what_is_missing(no_readings: Path, planned: bool) -> None:
    """Asking for the planned schedule as dose ended in 'the table has no rows'."""
    with open_record(no_readings) as store:
        answer = tune(store, Settings(), planned=planned)
        both = tune_two(answer.data, Settings(), planned=planned)
    if planned:
        assert answer.tuned is None
        assert both.tuned is None
        assert "how the trays fill and drain" in answer.summary == both.summary
        assert answer.picture() is None
        with pytest.raises(ValueError, match="nothing to draw"):
            answer.plot()
    else:
        assert answer.tuned is None
        assert "No sensor has recorded these trays" in answer.summary
