"""Whatever happens to a trial: an answer or a sentence, never a traceback; and what must not change does not."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.awkward_trials import AwkwardTrial, awkward_trials
from tests.made_trials import NOW, WHO, at
from tidetray.analysis.compare.trial import compare_trial
from tidetray.analysis.dose.fit import fit_response
from tidetray.analysis.record.trial_data import TrialData, tuning_data
from tidetray.analysis.relations.spread import repeat_sd, spread
from tidetray.ingest.notebook.facts import Event
from tidetray.ingest.notebook.trial_events import note_event, take_back
from tidetray.ingest.store.recording import open_store

SHORT, LONG = 4, 2000


def each(trial: Callable[[AwkwardTrial, int], None], *, long_form: bool) -> None:
    """`trial` for few examples, or with --long for many; it gets a number of chance beside."""
    seeds = st.integers(0, 2**32 - 1)
    run = given(awkward_trials(), seeds)(trial)
    settings(max_examples=LONG if long_form else SHORT, deadline=None)(run)()


def frames(data: TrialData) -> dict[str, pd.DataFrame]:
    """What all answers rest on, in an order of its own."""
    growth = data.growth.table[["pot", "days", "mass_start_g", "mass_end_g", "rgr_per_day"]]
    whole = data.growth_of_whole[["pot", "days", "rgr_per_day"]]
    masses = data.masses[["pot", "day", "net_g", "start_g", "gone"]]
    return {
        name: frame.sort_values(list(frame.columns[:3]), ignore_index=True)
        for name, frame in (("growth", growth), ("whole", whole), ("masses", masses))
    }


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
            rows = tuning_data(data._store, [data.trial]).planned
            told(lambda: fit_response(rows, response="rgr_per_day", dose="dry_h_day", tray="tray", trial="trial"))
            told(lambda: spread(data.weigh_days, scale_sd=repeat_sd(data.weigh_days, day="session")))
            assert data.growth.cautions is not None
            assert len(data.weighings) <= len(trial.weighed)

    each(check, long_form=long_form)


def test_what_must_not_change_does_not(long_form: bool) -> None:
    """Entries in another order, trays renamed, weeks later, plants of another scale, an event noted and taken back."""

    def check(trial: AwkwardTrial, seed: int) -> None:
        rng = np.random.default_rng(seed)
        with trial.opened() as data:
            plain = frames(data)
        with trial.opened(order=rng) as data:
            alike(plain, frames(data))
        with replace(trial, names=lambda name: "z" + name[::-1].replace("-", "0")).opened() as data:
            alike(plain, frames(data))
        with replace(trial, zone="UTC").opened() as data:
            at_greenwich = frames(data)
        later = replace(trial, zone="UTC", started=trial.started + timedelta(days=7 * int(rng.integers(1, 20))))
        with later.opened() as data:
            alike(at_greenwich, frames(data))
        factor = float(rng.choice([0.5, 2.0, 3.0]))
        with trial.opened(factor=factor) as data:
            alike(plain, frames(data), grams=factor)
        with open_store(":memory:") as store:
            notebook = trial.write(store)
            name, last = trial.plan.trial.name, max([0.0, *(w.day for w in trial.weighed)])
            when, first = at(last / 2 + 0.01, trial.started), trial.plan.trays[0].name
            moved = Event("pot moved", when, "t2-1", first, 60, 1, who="me", why="so")
            try:
                number = note_event(notebook, name, moved, now=NOW).number or 0
            except ValueError:
                return  # the pot is gone by then
            take_back(notebook, name, number, now=NOW, **WHO)
            alike(plain, frames(TrialData(store, trial.plan.trial)))

    each(check, long_form=long_form)


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
