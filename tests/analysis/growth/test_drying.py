"""Drying to constant mass: worked by hand, the stop rule at its edges."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta

import pandas as pd
import pytest

from tests.ingest.notebook.test_notebook import PLAN, WEIGHED
from tidetray.analysis.growth.drying import judge_drying, water_fraction
from tidetray.analysis.record.trial_data import TrialData
from tidetray.ingest.core.refusals import EntryError, RefusedError
from tidetray.ingest.notebook import drying, scales
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.notebook.trial_events import take_back
from tidetray.ingest.store.recording import Store

T0 = datetime(2026, 6, 1, 8, tzinfo=UTC)


def weighed(*net_g: float, hours: float = 4.0) -> pd.DataFrame:
    return pd.DataFrame({"time": [T0 + n * timedelta(hours=hours) for n in range(len(net_g))], "net_g": net_g})


@pytest.mark.parametrize(
    ("net_g", "stops_at"),
    [((3.120, 2.260, 2.105, 2.098, 2.0965), 5), ((1.6000, 1.5210, 1.5195), 3)],
)
def test_the_stop_rule_on_two_series(net_g: tuple[float, ...], stops_at: int) -> None:
    """0.1 % a further 4 h (source: `tidetray.analysis.growth.drying`); steps 27.6, 6.86, 0.333, 0.0715 % and 4.9,
    0.0986 % of the mass before."""
    found = [judge_drying(weighed(*net_g[:n])).is_dry for n in range(1, len(net_g) + 1)]
    assert found.index(True) + 1 == stops_at


def test_water_on_wet_basis_by_hand() -> None:
    """12.0 g wet, 1.5 g dry: 87.5 % (definition)."""
    assert water_fraction(12.0, 1.5) == pytest.approx(0.875)


def test_water_of_a_submersed_plant_is_of_the_usual_size() -> None:
    """93 to 94 % of the blotted wet mass (common practice, no source): 8.00 g wet that dries to 0.52 g."""
    found = judge_drying(weighed(0.5203, 0.5200), wet_g=8.0)
    assert 0.93 < found.water < 0.94
    assert "Water was 93.5% of the blotted wet mass (8.00 g)" in found.sentences[1]


def test_too_short_a_spell_and_a_mass_that_rose_do_not_count() -> None:
    for found, said in (
        (judge_drying(weighed(2.0, 1.9995, hours=1)), "only over 1.0 hours"),
        (judge_drying(weighed(2.0, 2.01)), "heavier than before"),
        (judge_drying(weighed(2.0, 1.99)), "took 0.50%, more than 0.1%"),
    ):
        assert said in found.sentences[0]
        assert not found.is_dry
        assert math.isnan(found.water)
    first = judge_drying(weighed(2.0))
    assert "weigh again after 4 hours" in first.sentences[0]
    assert math.isnan(first.last_step)
    assert first.figures == {"dry": False, "mass_g": 2.0, "last_step": None, "water_fraction": None}
    assert "slip in dish or tare" in judge_drying(weighed(2.0, 2.0), wet_g=1.0).sentences[1]


def test_weighed_oftener_the_rule_still_asks_of_four_hours() -> None:
    """2.000, 1.999, 1.9985, 1.9984 g every two hours: the last four hours took (1.999 - 1.9984) / 1.999 = 0.03 %."""
    found = judge_drying(weighed(2.0, 1.999, 1.9985, 1.9984, hours=2))
    assert found.is_dry
    assert found.last_step == pytest.approx((1.999 - 1.9984) / 1.999)
    assert not judge_drying(weighed(2.0, 1.997, 1.9965, hours=2)).is_dry, "0.18 % in the last four"
    assert "heavier" in judge_drying(weighed(2.0, 1.99, 2.0, hours=2)).sentences[0], "no rise is constant mass"


def test_what_cannot_be_dried() -> None:
    with pytest.raises(ValueError, match="masses above zero"):
        judge_drying(weighed(2.0, 0.0))
    with pytest.raises(ValueError, match="not above the wet mass"):
        water_fraction(1.0, 2.0)


@pytest.fixture
def notebook(store: Store) -> Notebook:
    notebook = Notebook(store)
    notebook.add_trial(PLAN)
    notebook.add_weigh_in("bench", pot="a-1", time=WEIGHED, gross_g=38.0, now=T0)
    return notebook


def dry(notebook: Notebook, gross_g: float = 13.4, **more: object) -> tuple[drying.DryWeighing, ...]:
    facts = {
        "pot": "a-1",
        "time": T0 + timedelta(hours=1),
        "gross_g": gross_g,
        "dish_g": 12.87,
        "oven_temp_c": 65.0,
        "who": "me",
    }
    weighing = drying.DryWeighing(**(facts | more))  # type: ignore[arg-type]
    return drying.add_dry_weighing(notebook, "bench", weighing, now=T0 + timedelta(days=1))


def test_a_dried_pot_is_spent(notebook: Notebook) -> None:
    assert [d.net_g for d in dry(notebook)] == [pytest.approx(0.53)]
    assert [e.kind for e in notebook.events("bench")] == ["pot sampled"]
    with pytest.raises(RefusedError, match="was taken out to be dried"):
        notebook.add_weigh_in(
            "bench", pot="a-1", time=T0 + timedelta(hours=9), gross_g=38.0, now=T0 + timedelta(days=1)
        )
    assert len(dry(notebook, 13.39, time=T0 + timedelta(hours=5))) == 2
    assert len(dry(notebook, 13.39, time=T0 + timedelta(hours=5))) == 2, "the very same changes nothing"
    assert len(notebook.events("bench")) == 1


def test_a_misread_dry_mass_is_put_right_and_the_past_knows_the_old_one(notebook: Notebook) -> None:
    dry(notebook, 19.4)
    wrong_as_of = T0 + timedelta(days=1)
    right = drying.DryWeighing("a-1", T0 + timedelta(hours=1), 13.4, 12.87, 65.0, "me")
    (counts,) = drying.add_dry_weighing(notebook, "bench", right, now=T0 + timedelta(days=2))
    assert counts.gross_g == 13.4
    (counted,) = drying.dry_weighings(notebook.store, "bench", as_of=wrong_as_of)
    assert counted.gross_g == 19.4
    assert drying.dry_weighings(notebook.store, "bench", as_of=T0) == ()


def test_a_sampling_taken_back_takes_its_dry_masses_along(notebook: Notebook) -> None:
    dry(notebook)
    dry(notebook, time=T0 + timedelta(hours=6))
    trial = notebook.trial("bench")
    assert TrialData(notebook.store, trial).masses["dry_g"].tolist() == [pytest.approx(0.53)]
    (event,) = notebook.events("bench")
    take_back(notebook, "bench", event.number or 0, now=T0 + timedelta(days=2), who="me", why="another pot")
    assert drying.dry_weighings(notebook.store, "bench") == ()
    assert TrialData(notebook.store, trial).masses["dry_g"].isna().all()
    assert len(drying.dry_weighings(notebook.store, "bench", as_of=T0 + timedelta(days=1))) == 2
    dry(notebook, 13.9, time=T0 + timedelta(hours=9), oven_temp_c=70.0)
    assert [w.gross_g for w in drying.dry_weighings(notebook.store, "bench")] == [13.9]
    with pytest.raises(EntryError, match="taken out to be dried later than that"):
        dry(notebook, 13.9, time=T0 + timedelta(hours=8), oven_temp_c=70.0)


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"oven_temp_c": 180.0}, "plant matter chars and can take fire"),
        ({"gross_g": 12.0}, "a dish of 12.87 g with the sample in it at 12 g is impossible"),
        ({"time": T0 + timedelta(days=3)}, "in the future"),
        ({"pot": "a-9"}, "has no pot 'a-9'"),
    ],
)
def test_dry_weighings_that_cannot_be(notebook: Notebook, change: dict[str, object], told: str) -> None:
    with pytest.raises(EntryError) as caught:
        dry(notebook, **change)  # type: ignore[arg-type]
    assert told in str(caught.value)
    assert drying.dry_weighings(notebook.store, "bench") == ()


def test_one_temperature_for_a_sample(notebook: Notebook) -> None:
    dry(notebook)
    with pytest.raises(EntryError, match="dried at 65 °C before"):
        dry(notebook, 13.3, time=T0 + timedelta(hours=5), oven_temp_c=105.0)


def test_scales_and_check_weights(store: Store) -> None:
    assert scales.add_balance(store, "bench", 0.01, now=T0)
    assert not scales.add_balance(store, "bench", 0.01, now=T0)
    with pytest.raises(EntryError, match=r"has a step of 0\.01 g"):
        scales.add_balance(store, "bench", 0.1, now=T0)
    for step in (0.0, -1.0, 11.0, math.nan):
        with pytest.raises(EntryError, match="is impossible"):
            scales.add_balance(store, "other", step, now=T0)
    check = scales.CheckWeighing("bench", T0, 100.0, 100.02, "me")
    scales.add_check_weighing(store, check, now=T0)
    assert scales.check_weighings(store, "bench") == (check,)
    assert scales.balance_named(store, None).name == "bench"
    with pytest.raises(EntryError, match="there is no scale 'kitchen'"):
        scales.balance_named(store, "kitchen")
    with pytest.raises(EntryError, match="what the scale showed is 0 g"):
        scales.add_check_weighing(store, scales.CheckWeighing("bench", T0, 100.0, 0.0), now=T0)
