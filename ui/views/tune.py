"""Tune floods: the timetable in force, growth against a dose, the verdict, the next trial and its timetable, what it is
worth, what came of earlier ones."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import UTC, datetime
from functools import partial
from typing import Any
from zoneinfo import ZoneInfo

import pandas as pd
import streamlit as st

from tidetray.analysis.base.words import minutes
from tidetray.analysis.dose.schedules import FACTORS
from tidetray.analysis.plan.next_plan import predicted_and_happened
from tidetray.analysis.questions.trays import timetable as ask_timetable
from tidetray.analysis.questions.tune import FACTOR_WORDS, GROWTH, TuneAnswer, TuneTwoAnswer
from tidetray.analysis.record.trial_data import TuningData, choose_trial, open_record
from tidetray.ingest.files.written_values import parse_time
from tidetray.ingest.settings.model import Settings, home_folder, load_settings
from tidetray.ui import words
from tidetray.ui.cache.reading import chosen_trial, tuned_trials
from tidetray.ui.changes import timetable as changes
from tidetray.ui.changes.next_trial import begin
from tidetray.ui.columns import CURVES, as_csv, columns, each_row, predictions, worth_of
from tidetray.ui.parts import flooding_asked, look, tables
from tidetray.ui.parts.asking import ask
from tidetray.ui.parts.head import head
from tidetray.ui.parts.pictures import picture
from tidetray.ui.prints import timetable_files
from tidetray.ui.tag import Markup, tag
from tidetray.ui.web import sign_in

MEASURED, PLANNED = "what the trays really did", "the planned schedule"
MOST_CARDS = 12
"""So many cards stand open."""


def page() -> None:
    flooding_asked.say_noted()
    above, below = st.container(), st.container()
    with below, look.clear_words():  # first, whatever the answer needs
        settings = load_settings(home_folder())
        in_force(settings)
    with above:
        tuned(settings)


def tuned(settings: Settings) -> None:
    with look.clear_words():
        trials = trial_choice()
    top = st.container()
    left, right, third = st.columns([2, 2, 1])
    factor = left.selectbox("What to tune", FACTORS, format_func=lambda name: FACTOR_WORDS[name], key="factor")
    dose = right.selectbox("Based on", (MEASURED, PLANNED), key="dose")
    weeks = third.selectbox("Weeks of the next trial", (2, 3, 4, 6, 8), index=2, key="weeks")
    with look.clear_words():
        answer: TuneAnswer = ask("tune", list(trials), factor, dose == PLANNED, float(weeks))
    data, found = answer.data, answer.tuned
    if found is None:
        look.answer(answer.summary)
        if dose == PLANNED:
            flooding_asked.show(chosen_trial())
        look.may_mislead(answer.keep_in_mind)
        return
    with top:
        look.answer(found.fit.first, [line for line in (found.fit.following,) if line])
    chart(answer)
    notes(answer)
    next_trial(answer, settings)
    if found.proposal is not None:
        timetable(answer)
    two_factors(trials, planned=dose == PLANNED, weeks=float(weeks))
    value(answer)
    earlier(data)


def trial_choice() -> tuple[str, ...]:
    """All trials of the site count together unless fewer are chosen."""
    known = tuned_trials()
    if len(known) < 2:
        return known
    chosen = st.multiselect("Trials brought together", known, default=list(known), key="tuned-trials")
    return tuple(chosen) or known


def chart(answer: TuneAnswer) -> None:
    found, spec = answer.tuned, answer.picture()
    if found is None or spec is None:
        return
    picture(spec, f"growth-against-{answer.factor.replace('_', '-')}", answer.table)
    band = (
        " The line is the expected growth; the band holds 95 of 100 curves that fit the trays."
        if len(found.fit.band)
        else ""
    )
    top = " Dashed: the best of what was tested." if pd.notna(found.fit.best_tested) else ""
    top += " Darker green: where the best lies." if pd.notna(found.fit.region_low) else ""
    look.small(f"Each mark is a tray (the mean of its pots). Pale green: what was tested.{band}{top}")


def notes(answer: TuneAnswer) -> None:
    found = answer.tuned
    look.may_mislead(answer.keep_in_mind)
    if found is not None and found.fit.best:
        with look.statisticians():
            look.technical(answer.cautions)
            tables.show(found.fit.curves, CURVES)
            look.small(
                "The lower AICc, the better a curve fits for its number of coefficients. Within 2 of the "
                "least fits as well."
            )


def next_trial(answer: TuneAnswer, settings: Settings) -> None:
    found = answer.tuned
    if found is None:
        return
    st.subheader("The next trial", anchor=False)
    if found.proposal is None:
        look.say("note", found.why_no_proposal)
        return
    rows = found.proposal.schedules
    look.cards(card(row._asdict(), FACTOR_WORDS[found.factor]) for row in each_row(rows))
    look.small(
        "Near the best: within 2 % of the best growth that can be expected. Several schedules can be that at once."
    )
    look.say("note", found.proposal.sentence, tuple(f"Left out: {reason}." for reason in found.possible.forbidden[:3]))
    if sign_in.may("manage"):
        begin_form(answer, settings)
    else:
        look.small("Whoever manages the record can create this trial here.")


def card(row: Mapping[str, Any], factor: str) -> Markup:
    best = "best so far" if row["is_present_best"] else ""
    facts = look.facts(
        {
            factor: f"{row['dose']:.1f}",
            "expected": f"{100 * row['expected']:.2f} % a day",
            "near the best": f"{100 * row['near_best']:.0f} times in 100",
        },
    )
    return tag(
        "div",
        tag("div", words.many(int(row["trays"]), "tray"), tag("span", best), css="head"),
        tag("div", f"{words.many(int(row['floods_day']), 'flood')} of {minutes(row['hold_minutes'])}", css="state"),
        facts,
        css="tt-card",
    )


def begin_form(answer: TuneAnswer, settings: Settings) -> None:
    with st.form("begin", border=True):
        look.small(
            "Schedules are given to the trays at random. Trays keep their pots. Weigh every pot on the first "
            "day. What is predicted now is kept, to be compared with what happens."
        )
        name = st.text_input("Name of the new trial", placeholder="a-z, 0-9 and -", key="new-trial")
        started = st.text_input("Begins (local time; empty: now)", placeholder="2026-06-01 08:00", key="new-start")
        if not st.form_submit_button("Create the trial"):
            return
    if not re.fullmatch(r"[a-z0-9][a-z0-9-]{0,31}", name):
        look.say("wrong", "A trial's name has a-z, 0-9 and '-', at most 32, and begins with a letter or digit.")
        return
    with look.clear_words(), sign_in.writing("manage") as store:
        now = datetime.now(UTC)
        zone = ZoneInfo(answer.data.plan.trial.zone)
        at = parse_time(started, zone, hour_of_date=0).time if started.strip() else now
        said = begin(store, answer, settings, name=name, started=at, seed=1, now=now)
    sign_in.note(f"trial {name} begun")
    look.say("fine", said)


def timetable(answer: TuneAnswer) -> None:
    """The timetable of the next trial: a proposal."""
    found, data = answer.tuned, answer.data
    if found is None:
        return
    st.subheader("Timetable of the next trial", anchor=False)
    if found.timetable is None:
        look.say("note", found.why_no_timetable)
        return
    zone = data.plan.trial.zone
    flood_cards(timetable_files.rows_of(found.timetable))
    sump = found.timetable.day.least_m3
    unknown = found.timetable.day.unknown_volume
    told = f" At the lowest, the sump holds {1000 * sump:.1f} L."
    if unknown:
        told = f" The sump was not checked: how much water {', '.join(unknown)} take is not known. Enter their area."
    elif not sump < float("inf"):
        told = " The sump has no size in the settings, so it was not checked."
    look.small(
        f"{timetable_files.PROPOSAL} Local times. One pump fills the trays one after another: "
        f"{found.timetable.day.pump_s / 60:.0f} min a day in all.{told}"
    )
    card = timetable_files.card_html(timetable_files.rows_of(found.timetable), zone, about=timetable_files.PROPOSAL)
    downloads("proposed-timetable", card, timetable_files.as_csv(found.timetable))


def in_force(settings: Settings) -> None:
    """The timetable in force of the trial that the page is about, and what may be done with it."""
    st.subheader("Timetable in force", anchor=False)
    now = datetime.now(UTC)
    with look.clear_words(), open_record(home_folder()) as store:
        answer = ask_timetable(store, choose_trial(store, chosen_trial()).name, now)
    if answer.keep_in_mind or answer.force.ready is None:
        look.say("note", answer.summary, answer.keep_in_mind)
    else:
        look.small(answer.summary)
    if answer.force.flooded:
        flood_cards(timetable_files.rows_in_force(answer))
        card = timetable_files.card_html(timetable_files.rows_in_force(answer), answer.force.zone, about=answer.summary)
        downloads("timetable", card, timetable_files.in_force_csv(answer))
    if not sign_in.may("manage"):
        return
    trial, send = answer.force.trial, partial(timetable_files.publish, settings.broker)
    if answer.force.ready is None and now >= answer.force.started:
        look.small("Press this when the trays are rebuilt and timers or people flood them. Nothing is sent to nodes.")
        if st.button("Trays are ready", key="trays-ready"):
            with look.clear_words(), sign_in.writing("manage") as store:
                say_done([changes.ready(store, trial, now=now, who=sign_in.who())])
    with st.expander("Publish to the nodes, or stop"):
        look.say("note", words.WATER_MOVES)
        looked = st.checkbox("I have looked at every tray", key="looked-at-trays")
        left, right = st.columns(2)
        if left.button("Publish timetable", key="publish-timetable", disabled=not looked):
            with look.clear_words(), sign_in.writing("manage") as store:
                say_done(changes.publish(store, settings, trial, send, now=now, who=sign_in.who()))
            sign_in.note(f"timetable of {trial} published")
        if right.button("Stop floods", key="stop-floods", disabled=not (looked and answer.force.flooded)):
            with look.clear_words(), sign_in.writing("manage") as store:
                say_done(changes.stop(store, trial, send, now=now, who=sign_in.who()))
            sign_in.note(f"floods of {trial} stopped")


def say_done(lines: list[str]) -> None:
    first, *rest = [line for line in lines if line]
    look.say("fine", first, tuple(rest))


def flood_cards(rows: list[timetable_files.CardRow]) -> None:
    """A card for all trays that flood alike; many of them folded, or what stands below would not be found."""
    alike: dict[tuple[str, tuple[str, ...]], list[str]] = {}
    for row in rows:
        alike.setdefault((row.schedule, row.clocks), []).append(row.tray)
    with st.expander(f"Times of {len(rows)} trays") if len(alike) > MOST_CARDS else st.container():
        look.cards(
            tag(
                "div",
                tag("div", ", ".join(trays), tag("span", schedule), css="head"),
                tag("div", ", ".join(clocks) or "no flood"),
                css="tt-card",
            )
            for (schedule, clocks), trays in alike.items()
        )


def downloads(name: str, card: str, table: str) -> None:
    first, second = st.columns(2)
    first.download_button("Times to print", card, file_name=f"{name}.html", mime="text/html", on_click="ignore")
    second.download_button("Times as CSV", table, file_name=f"{name}.csv", mime="text/csv", on_click="ignore")


def two_factors(trials: tuple[str, ...], *, planned: bool, weeks: float) -> None:
    with st.expander("Floods a day and wet minutes together"):
        answer: TuneTwoAnswer = ask("tune_two", list(trials), planned, weeks)
        both = answer.tuned
        if both is None:
            look.answer(answer.summary)
            return
        look.answer(answer.summary)
        if both.proposal is not None:
            look.small(f"A trial of both would be: {answer.expects}")
            tables.show(
                both.proposal.schedules, columns("floods_day", "hold_minutes", "trays", "expected", "near_best")
            )


def value(answer: TuneAnswer) -> None:
    st.subheader("What it is worth", anchor=False)
    worth = answer.value
    if worth is None:
        look.small(
            "Enter your price, masses, tariff and the powers of lamp and pump on the page Settings, under Prices, "
            "to see pots and electricity here."
        )
        return
    tables.show(*worth_of(worth, FACTOR_WORDS[answer.factor]))
    look.small(
        "Earned: price less electricity, without labour, plants and water. Days assume that growth continues "
        "as measured. In brackets: 95 % limits of the mean of many trays; a single batch varies more."
    )


def earlier(data: TuningData) -> None:
    if not data.predictions:
        return
    st.subheader("Predicted, and what happened", anchor=False)
    table = predicted_and_happened(data.predictions, data.measured)
    done = table[table["happened"].notna()]
    if len(done):
        inside = int(done["inside"].astype(bool).sum())
        look.say("note", f"Of {len(done)} predictions, {inside} were within their limits (about 95 % should be).")
    in_days = [told.response != GROWTH for told in data.predictions]
    for days in sorted(set(in_days)):
        tables.show(table[[each == days for each in in_days]], predictions(in_days=days))
    st.download_button(
        "Download as CSV", as_csv(table), file_name="predictions.csv", mime="text/csv", on_click="ignore"
    )


head("tune")
page()
