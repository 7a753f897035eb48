"""Sections of a report that answer: growth, comparison, causes, positions, the next schedule.

In: the answers of `tidetray.analysis.questions`, as the commands and pages show them. Out: sections
that say the same sentences. Works nothing out. What cannot be told is said in words, first.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pandas as pd

from tidetray.analysis.base.words import is_technical, natural
from tidetray.analysis.dose.schedules import FACTORS
from tidetray.analysis.pictures import positions
from tidetray.analysis.plan.timetable import clock_text
from tidetray.analysis.questions.compare import CompareAnswer
from tidetray.analysis.questions.growth import GrowthAnswer
from tidetray.analysis.questions.positions import PositionsAnswer
from tidetray.analysis.questions.relate import RelateAnswer
from tidetray.analysis.questions.tune import FACTOR_WORDS, TuneAnswer
from tidetray.analysis.relations.predictors import CAUSES
from tidetray.ui.columns import (
    EFFECTS_PRINTED,
    FEATURES,
    LAG,
    MEANS,
    PAIRS,
    RATE_PAIRS,
    RATES,
    TESTS,
    TRAYS_GROWTH,
    TREATMENTS_GROWTH,
    Column,
    columns,
    next_trial,
)
from tidetray.ui.report.parts import Cautions, Figure, Section, Table, Words, noted, table, words
from tidetray.ui.words import PAGES, WATER_MOVES

WEEKS = 4.0
NEIGHBOURS = "rook"
PAGE = 1.28
"""How many times as high as wide a picture may be that stands on a sheet of A4 with its caption."""

MISLEADING = 4
"""As many cautions stand on the first pages."""


def found(grew: GrowthAnswer, related: RelateAnswer, placed: PositionsAnswer) -> Section:
    """What was found, on the first page: growth, and the first line of each further question."""
    parts: list[Words | Table | Figure] = [Words(grew.summary)]
    if not grew.why_not:
        parts += table("Each treatment: means of its trays", grew.treatments, TREATMENTS_GROWTH)
    parts.append(Words(f"{PAGES['relate']}. {related.summary}"))
    parts.append(Words(f"{PAGES['positions']}. {placed.summary}"))
    return Section("What was found", tuple(parts), appendix=False)


def pictured(grew: GrowthAnswer, compared: CompareAnswer) -> tuple[Section, ...]:
    """Growth drawn, on the second page: the first one answers in words."""
    over_time = compared.picture() or grew.picture_over_time()
    if over_time is None:
        return ()
    caption = (
        "Mass over time, on a log scale. Thick, with marks: mean of the trays; band: where the mean lies "
        "with 95 % confidence, by the scatter of trays (no band: one tray a treatment). Thin: each pot."
    )
    return (Section("Growth over time", (Figure("growth-over-time", caption, over_time),), appendix=False),)


def may_mislead(cautions: tuple[str, ...]) -> Section:
    """The first few of them; each stands in the appendix beside its question, too."""
    several = tuple(dict.fromkeys(cautions))
    lines = tuple(line for line in several if not is_technical(line))
    if not lines:
        return Section("What may mislead", (Words("Nothing in particular was noticed."),), appendix=False)
    left = len(several) - min(len(lines), MISLEADING)
    more = f" The appendix has {left} more." if left else ""
    lead = Words(f"Before you act on it:{more}", "note", lines[:MISLEADING])
    return Section("What may mislead", (lead,), appendix=False)


def to_do(answer: TuneAnswer) -> Section:
    """What to do next; the schedules and their timetable are in the appendix."""
    lines = [answer.summary]
    if answer.tuned is not None:
        proposal = answer.tuned.proposal
        lines.append(answer.tuned.why_no_proposal if proposal is None else proposal.sentence)
    first, *more = [line for line in lines if line]
    return Section("What to do next", (Words(first, "plain", tuple(more)),), appendix=False)


def growth(grew: GrowthAnswer, compared: CompareAnswer) -> Section:
    if grew.why_not:
        return Section("Growth", (Words(grew.why_not, "note"),))
    parts: list[Words | Table | Figure] = []
    if compared.found is not None:
        parts += table("Growth rates with 95 % intervals, from the scatter of trays", compared.rates, RATES)
    against_dry = grew.picture()
    if against_dry is not None:
        parts.append(
            Figure(
                "growth-against-dry",
                "Growth of each pot against the dry hours a day of its tray. Shape and colour show the "
                "treatment; trays with nearly the same dry hours are side by side, under their names. A thin "
                "line spans what unknown hours leave open.",
                against_dry,
            )
        )
    parts += table("Each tray: means of its pots, first weigh-in to last", grew.trays, TRAYS_GROWTH)
    parts.append(
        Words(
            "± weighing: the standard uncertainty of one pot's growth by the weighing alone. Masses are wet and net.",
            "small",
        )
    )
    return Section("Growth", tuple(parts))


def comparison(answer: CompareAnswer, said: Cautions) -> Section:
    found = answer.found
    if found is None:
        return Section(PAGES["compare"], (Words(answer.summary, "note"),))
    first, *more = answer.sentences
    day = found.at_day
    parts: list[Words | Table | Figure] = [
        Words(first, "answer", tuple(more)),
        *noted("What cannot be known yet, and what may mislead:", said.new(answer.keep_in_mind)),
    ]
    of_the_day = answer.picture_of_the_day()
    if of_the_day is not None:
        caption = (
            f"All pots on day {found.day}. Points: pots; the hill above them: where most lie. Diamonds: means of the "
            "trays, which are what is compared."
        )
        parts.append(Figure("pots-of-a-day", caption, of_the_day))
    parts.append(Words("For statisticians.", "small", answer.details))
    for name, (title, spec) in answer.pictures_of_differences().items():
        caption = (
            f"{title[0].upper()}{title[1:]}. Lines: 95 % intervals for all pairs together; one that crosses "
            "zero may be chance."
        )
        parts.append(Figure(f"differences-{name}", caption, spec))
    if found.wet_dry is not None:
        drawn = answer.picture_of_dry_mass()
        if drawn is not None:
            parts.append(Figure("wet-against-dry", "Wet against dry mass of the pots that were dried.", drawn))
    for title, frame, shown in (
        (f"Mass on day {found.day}, 95 % intervals", day.means, MEANS),
        ("Pairs, p for all pairs together", day.pairs, PAIRS),
        (f"Tests of mass on day {found.day}", day.anova, TESTS),
        ("Pairs of growth rates", found.growth.pairs, RATE_PAIRS),
        ("Tests of growth", found.growth.anova, TESTS),
        ("Days lost at first", found.lag.table, LAG),
    ):
        parts += table(title, frame, shown)
    return Section(PAGES["compare"], tuple(parts))


def causes(view: RelateAnswer, said: Cautions) -> Section:
    cautions = noted("Before you read on:", said.new(view.keep_in_mind))
    first, *more = view.sentences
    if view.relation is None:
        return Section(PAGES["relate"], (Words(first, "note"), *cautions))
    parts: list[Words | Table | Figure] = [
        Words(first, "answer", tuple(more)),
        Words(view.rests_on),
        *cautions,
    ]
    for name, spec in view.pictures().items():
        caption = (
            f"Growth against {CAUSES[name].label}, the other conditions held the same. A dot is a pot, a "
            "ring its tray. The line is the effect found, the band its 95 % interval."
        )
        parts.append(Figure(f"cause-{name.replace('_', '-')}", caption, spec))
    return Section(PAGES["relate"], (*parts, *table("Effects with 95 % intervals", view.table, EFFECTS_PRINTED)))


def places(view: PositionsAnswer, said: Cautions) -> Section:
    cautions = noted("Before you read on:", said.new(view.keep_in_mind))
    found = view.positions
    first, *more = view.sentences
    if found is None:
        return Section(PAGES["positions"], (Words(first, "note"), *cautions, *_spread(view)))
    parts: list[Words | Table | Figure] = [
        Words(first, "answer", tuple(more)),
        Words("What to do:", "note" if found.advice.at_risk is True else "plain", tuple(found.advice.sentences)),
        *cautions,
    ]
    maps = view.pictures(page=PAGE)
    for n, spec in enumerate(maps, start=1):
        of = f" ({n} of {len(maps)})" if len(maps) > 1 else ""
        caption = (
            f"The trays from above{of}. A triangle up grew faster than the mean of its tray, one down "
            "slower; larger means more. The bold number is the difference in percentage points a day. Shade "
            "and small number: light at the place, against the tray's own sensor."
        )
        parts.append(Figure(f"places-{n}", caption, spec))
    parts += table("Each feature of a place asked alone, of pots of one tray", view.table, FEATURES)
    return Section(PAGES["positions"], (*parts, *_spread(view)))


def _spread(view: PositionsAnswer) -> Iterator[Words | Figure]:
    if view.spread is None:
        return
    first, *more = view.spread.sentences
    yield Words(f"How pots grew apart: {first}", "plain", tuple(more))
    caption = (
        "The variance of ln mass around the means of treatments, and where it comes from, from weigh-in to weigh-in."
    )
    yield Figure("spread", caption, positions.spread_over_time(view.spread.split))


def decision(answer: TuneAnswer, said: Cautions) -> Section:
    found, data = answer.tuned, answer.data
    if found is None:
        return Section(
            PAGES["tune"], (Words(answer.summary, "note"), *noted("Keep in mind:", said.new(answer.keep_in_mind)))
        )
    fit = found.fit
    parts: list[Words | Table | Figure] = [
        Words(answer.summary, "answer" if fit.best else "note"),
        Words(f"From {'trials' if len(data.trials) > 1 else 'trial'} {', '.join(data.trials)}.", "small"),
        *noted("Keep in mind:", said.new(answer.keep_in_mind)),
    ]
    drawn = answer.picture()
    if drawn is not None:
        caption = (
            "Growth of each tray (the mean of its pots) against its measured dose. Ground: the doses that "
            "were tested. Line and band: the expected growth and 95 of 100 plausible curves, where there are "
            "enough trays. Dashed: the best dose of those tested. Darker: where the best lies, if that can be said."
        )
        parts.append(Figure("response", caption, drawn))
    if found.proposal is None:
        return Section(PAGES["tune"], (*parts, Words(found.why_no_proposal, "note")))
    rows = found.proposal.schedules
    low, high = found.predicted.band() if found.predicted is not None else (np.nan, np.nan)
    shown = rows.assign(low=low, high=high)
    headings = next_trial(FACTOR_WORDS[FACTORS[0]], in_days=False)
    headings |= {name: replace(headings["expected"], heading=said) for name, said in (("low", "from"), ("high", "to"))}
    parts += table(f"The next trial, {WEEKS:.0f} weeks", shown, headings)
    parts.append(Words(found.proposal.sentence))
    parts += noted("Left out:", tuple(f"{reason}." for reason in found.possible.forbidden[:3]))
    if found.timetable is None:
        return Section(PAGES["tune"], (*parts, Words(found.why_no_timetable, "note")))
    plan = found.timetable
    times = pd.DataFrame(
        [
            (tray, plan.schedules[tray].text, ", ".join(map(clock_text, plan.starts(tray))))
            for tray in sorted(plan.schedules, key=natural)
        ],
        columns=["tray", "schedule", "times"],
    )
    headings = columns("tray", "schedule") | {"times": Column("pump on, local time")}
    parts += table("Timetable, trays drawn at random", times, headings)
    return Section(PAGES["tune"], (*parts, *words((WATER_MOVES,), "note")))
