"""Whatever happens to a trial: an answer or a sentence, never a traceback; and what must not change does not.

From weigh-in to report: masses, rates, exposure, growth beside conditions and places, doses, the words of the report,
and a data package that is loaded again.
"""

from __future__ import annotations

import re
import tempfile
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.awkward_trials import AwkwardTrial, awkward_trials
from tests.made_trials import NOW, WHO, at
from tidetray.analysis.compare.trial import compare_trial
from tidetray.analysis.dose.fit import fit_response
from tidetray.analysis.questions.compare import compare
from tidetray.analysis.questions.growth import growth
from tidetray.analysis.questions.positions import positions
from tidetray.analysis.questions.relate import relate
from tidetray.analysis.questions.tune import doses_of
from tidetray.analysis.record.package import build_record, open_package
from tidetray.analysis.record.trial_data import TrialData, tuning_data
from tidetray.analysis.relations.spread import repeat_sd, spread
from tidetray.ingest.core.readings import from_ms, to_ms
from tidetray.ingest.core.refusals import EntryError, RefusedError
from tidetray.ingest.files.package_file import WHO_STOPS, load_package
from tidetray.ingest.files.package_tables import counted_from_one, notebook_rows
from tidetray.ingest.notebook.corrections import remove
from tidetray.ingest.notebook.facts import Event
from tidetray.ingest.notebook.flood_plans import flood_plans
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.notebook.timetables import timetable_in_force
from tidetray.ingest.notebook.trial_events import note_event, take_back
from tidetray.ingest.settings.model import RECORD_FILE, Settings
from tidetray.ingest.store.recording import open_store
from tidetray.ui.prints.export import export
from tidetray.ui.report.make import make_report
from tidetray.ui.report.parts import Table, Words

SHORT, LONG = 3, 2000
WORDS = 200
"""Examples of the report and of packages: each takes as long as many of the others."""


def each(
    trial: Callable[..., None], *more: st.SearchStrategy[object], long_form: bool, few: int = SHORT, many: int = LONG
) -> None:
    """`trial` for few examples, or with --long for many; it gets a number of chance beside, and what `more` draws."""
    seeds = st.integers(0, 2**32 - 1)
    run = given(awkward_trials(), seeds, *more)(trial)
    settings(max_examples=many if long_form else few, deadline=None)(run)()


def frames(data: TrialData) -> dict[str, pd.DataFrame]:
    """What all answers rest on, in an order of its own."""
    growth = data.growth.table[["pot", "days", "mass_start_g", "mass_end_g", "rgr_per_day"]]
    whole = data.growth_of_whole[["pot", "days", "rgr_per_day"]]
    masses = data.masses[["pot", "day", "net_g", "start_g", "gone"]]
    exposure = data.exposure[["pot", "start", "hours", "wet_h", "dry_h", "unknown_h", "floods"]].drop(columns="start")
    places = data.pot_places[["pot", "row", "column", "rgr_per_day"]]
    doses = tuning_data(data._store, [data.trial]).measured[["pot", "dry_h_day", "floods_day", "rgr_per_day"]]
    doses = doses.drop(columns="pot")  # of a crossover the tray stands there
    return {
        name: frame.sort_values(list(frame.columns), ignore_index=True)
        for name, frame in (
            ("growth", growth),
            ("whole", whole),
            ("masses", masses),
            ("exposure", exposure),
            ("places", places),
            ("doses", doses.round(9)),
        )
    }


def weighing_quality(data: TrialData) -> dict[str, object]:
    """What is told of each scale."""
    return {balance.name: (balance, data.weighing_quality(balance)) for balance in data.balances}


def answers(data: TrialData) -> dict[str, pd.DataFrame]:
    """What is told of growth beside conditions, places and treatments: all that is not drawn at random."""
    related, placed, compared = relate(data, ["dry_h_d"]), positions(data), compare(data)
    effects = related.relation.effects[["estimate", "df", "level", "n_rows"]] if related.relation else pd.DataFrame()
    features = placed.table[["feature", "estimate", "df_den", "p"]] if placed.positions else pd.DataFrame()
    means = compared.rates[["rate_per_day", "n_trays", "n_pots"]] if compared.found else pd.DataFrame()
    means = means.sort_values(list(means.columns), ignore_index=True)
    return {"effects": effects, "features": features, "means": means}


def told_alike(a: dict[str, pd.DataFrame], b: dict[str, pd.DataFrame]) -> None:
    """Fits come to rest within their own tolerance, not to the last digit."""
    for name, frame in a.items():
        pd.testing.assert_frame_equal(frame, b[name], rtol=1e-3, atol=1e-6, obj=name)


def alike(a: dict[str, pd.DataFrame], b: dict[str, pd.DataFrame], *, grams: float = 1.0) -> None:
    for name, frame in a.items():
        other = b[name].assign(**{c: b[name][c] / grams for c in frame.columns if c.endswith("_g")})
        pd.testing.assert_frame_equal(frame, other, rtol=1e-7, atol=1e-9, obj=name)


def told(ask: Callable[[], object]) -> None:
    """An answer, or a ValueError with a sentence."""
    sentence = "an answer"
    try:
        ask()
    except ValueError as why:
        sentence = str(why)
    assert sentence.count(" ") > 0


def test_every_question_has_an_answer_or_a_sentence(long_form: bool) -> None:
    def check(trial: AwkwardTrial, seed: int) -> None:
        with trial.opened() as data:
            intervals = data.growth_in_runs
            told(lambda: compare_trial(data.masses, intervals=intervals, saleable_g=8.0))
            pots = tuning_data(data._store, [data.trial])
            named = {"tray": "tray", "trial": "trial", "own_tray": "own_tray"}
            for rows in (pots.planned, pots.measured):
                told(partial(fit_response, rows, response="rgr_per_day", dose="dry_h_day", bootstraps=0, **named))
            told(lambda: doses_of(pots, planned=True))
            told(lambda: spread(data.weigh_days, scale_sd=repeat_sd(data.weigh_days, day="session")))
            for answer in (growth(data), compare(data), relate(data), positions(data)):
                assert answer.summary.count(" ") > 2
                assert not [line for line in (answer.summary, *answer.cautions) if WRONG.search(line)]
            assert len(data.weighings) <= len(trial.weighed)

    each(check, long_form=long_form)


WRONG = re.compile(r"\bnan\b|\bNone\b(?! of )|\binf\b|\bNaT\b|<NA>|  ")
"""What no sentence may hold."""


def words(data: TrialData) -> list[str]:
    """All words of the report, those of its tables too."""
    parts = [part for section in make_report(data._store, Settings(), None).sections for part in section.parts]
    lines = [line for part in parts if isinstance(part, Words) for line in (part.text, *part.more)]
    return lines + [cell for part in parts if isinstance(part, Table) for row in part.rows for cell in row]


def test_the_report_says_the_same_whatever_the_order_of_entries(long_form: bool) -> None:
    def check(trial: AwkwardTrial, seed: int) -> None:
        trial = replace(trial, beside=False)  # a report needs to know which trial is meant
        with trial.opened() as data:
            said = words(data)
        assert len(said) > 20
        assert not [line for line in said if WRONG.search(line)]
        with trial.opened(order=np.random.default_rng(seed)) as data:
            other = [line for line in words(data) if line not in said]
        assert not [line for line in other if not ENTERED.search(line)]

    each(check, long_form=long_form, few=1, many=WORDS)


ENTERED = re.compile(r"entered|entry|fingerprint|[0-9a-f]{16}")
"""What a report says of how its entries came about depends on their order."""


def test_a_package_gives_back_what_it_was_made_of(long_form: bool) -> None:
    def check(trial: AwkwardTrial, seed: int) -> None:
        with tempfile.TemporaryDirectory() as folder, trial.opened() as data:
            package, home = Path(folder) / "package", Path(folder) / "home"
            export(data._store, data.trial, package, now=NOW)
            name = build_record(package, home, now=NOW)
            with open_package(package, home) as store:
                other = TrialData(store, Notebook(store).trial(name))
                alike(frames(data), frames(other))
                assert weighing_quality(other) == weighing_quality(data)
                before, after = (counted_from_one(notebook_rows(Notebook(each._store), name)) for each in (data, other))
                acts = after["timetable_acts"][len(before["timetable_acts"]) :]
                assert [act["who"] for act in acts] in ([], [WHO_STOPS])
                assert before == after | {"timetable_acts": before["timetable_acts"]}
                until_ms = to_ms(acts[0]["time"]) if acts else to_ms(NOW)
                in_force = timetable_in_force(Notebook(store), name, from_ms(until_ms))
                assert in_force.published is None, "no node of this home was asked"
                with open_store(home / RECORD_FILE) as loaded:
                    assert load_package(Notebook(loaded), package, now=NOW).endswith("is in the notebook already.")
                plans = [flood_plans(Notebook(each._store), zone="UTC") for each in (data, other)]
                for tray in data.treatments:
                    due = [list(plan[data.trial.site, tray].due(0, until_ms - 1)) for plan in plans]
                    assert due[0] == due[1]

    each(check, long_form=long_form, few=2, many=WORDS)


def entered_and_undone(notebook: Notebook, trial: AwkwardTrial, rng: np.random.Generator) -> None:
    """Something entered in the middle of the trial, and taken back or removed, or refused."""
    name, first, last = trial.plan.trial.name, trial.plan.trays[0].name, max([0.0, *(w.day for w in trial.weighed)])
    when, who = at(last / 2 + 0.01, trial.started), {"who": "me", "why": "so"}
    happened = {
        "move": Event("pot moved", when, "t2-1", first, 60, 1, **who),
        "swap": Event("pots swapped", when, "t1-1", value="t2-1", **who),
        "net pot": Event("pot re-potted", when, "t2-1", tare_g=35.0, **who),
        "feed": Event("feed dosed", when, tray=first, value="2 mL/L", **who),
        "treatment": Event("treatment changed", when, tray=first, value=trial.called("floods-6"), **who),
        "loss": Event("pot lost", at(last + 0.5, trial.started), "t1-1", **who),
    }
    what, number = str(rng.choice([*happened, "weigh-in"])), 0
    try:
        if what == "weigh-in":
            notebook.add_weigh_in(name, pot="t1-1", time=when, gross_g=41.0, now=NOW)
        else:
            number = note_event(notebook, name, happened[what], now=NOW).number or 0
    except (EntryError, RefusedError):
        return  # the pot is gone by then, the tray has that treatment: nothing may have changed
    if what == "weigh-in":
        remove(notebook, name, notebook.last_entry(), now=NOW, **WHO)
    else:
        take_back(notebook, name, number, now=NOW, **WHO)


CHANGES = ("order", "names", "beside", "later", "scale", "undone")
"""Entries in another order, trays and treatments renamed, another site's trial in the record, weeks later, plants of
another scale, something entered and undone."""


def test_what_must_not_change_does_not(long_form: bool) -> None:
    """Any of CHANGES, and several at once."""

    def check(trial: AwkwardTrial, seed: int, changes: set[str]) -> None:
        rng = np.random.default_rng(seed)
        if "later" in changes:
            trial = replace(trial, zone="UTC")  # elsewhere clocks change in other weeks
        with trial.opened() as data:
            plain = frames(data)
            asked = answers(data) if changes <= {"order", "names"} else {}
        other, factor = trial, 1.0
        if "names" in changes:
            names = {"names": lambda name: "z" + name[::-1].replace("-", "0"), "called": lambda name: name[::-1]}
            other = replace(other, **names)
        if "beside" in changes:
            other = replace(other, beside=not other.beside)
        if "later" in changes:
            other = replace(other, started=other.started + timedelta(days=7 * int(rng.integers(1, 20))))
        if "scale" in changes:
            factor = float(rng.choice([0.5, 2.0, 3.0]))
        with open_store(":memory:") as store:
            notebook = other.write(store, factor=factor, order=rng if "order" in changes else None)
            if "undone" in changes:
                entered_and_undone(notebook, other, rng)
            data = TrialData(store, notebook.trial(other.plan.trial.name))
            alike(plain, frames(data), grams=factor)
            told_alike(asked, answers(data) if asked else {})

    each(check, st.sets(st.sampled_from(CHANGES), min_size=1), long_form=long_form, few=6)


def test_growth_and_hours_add_up(long_form: bool) -> None:
    """Gains of a pot that was never split add up to ln of its last mass by its first; hours of an interval to
    its span."""

    def check(trial: AwkwardTrial, seed: int) -> None:
        with trial.opened() as data:
            table = data.growth.table
            troubled = {one.facts.get(k) for one in trial.happened for k in ("pot", "value")}
            for pot, own in table.groupby("pot"):
                if pot not in troubled and "x" not in str(pot):
                    gain = float((own["rgr_per_day"] * own["days"]).sum())
                    ends = own.sort_values("start")
                    whole = np.log(ends["mass_end_g"].iloc[-1] / ends["mass_start_g"].iloc[0])
                    assert gain == pytest.approx(whole, abs=1e-9)
                    assert (ends["start"].iloc[1:].to_numpy() == ends["end"].iloc[:-1].to_numpy()).all()
            went = data.exposure
            hours = (went["end"] - went["start"]).dt.total_seconds() / 3600
            parts = went["wet_h"] + went["dry_h"] + went["unknown_h"]
            np.testing.assert_allclose(parts.to_numpy(dtype=float), hours.to_numpy(dtype=float), atol=1e-6)

    each(check, long_form=long_form)
