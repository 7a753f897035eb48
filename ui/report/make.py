"""A trial's report: what was asked, done, measured and found, what cannot be told, and what to do next.

In: an open store, a trial, the settings. Out: a `Report`, for `ui/report/html.py` and `ui/report/pdf.py` to set out. It
says the sentences of the commands and pages, works out nothing of its own, and knows no clock: its time is that of the
data.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import asdict, replace
from functools import partial
from pathlib import Path

import pandas as pd

from tidetray.analysis.base.fingerprint import fingerprint
from tidetray.analysis.questions.compare import CompareAnswer, compare
from tidetray.analysis.questions.growth import WATER, GrowthAnswer, growth
from tidetray.analysis.questions.positions import positions
from tidetray.analysis.questions.relate import relate
from tidetray.analysis.questions.tune import TuneAnswer, tune
from tidetray.analysis.record.trial_data import HOURLY, TrialData, choose_trial
from tidetray.ingest.notebook.drying import dry_weighings
from tidetray.ingest.notebook.facts import Trial
from tidetray.ingest.notebook.light_surveys import light_survey
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.notebook.scales import all_balances, check_weighings
from tidetray.ingest.settings.model import FloodingSettings, Settings
from tidetray.ingest.store.recording import Store
from tidetray.ui.charts.drawing import Drawer
from tidetray.ui.report import answers
from tidetray.ui.report import done_and_measured as bench
from tidetray.ui.report.html import as_html, begin_drawing, draw
from tidetray.ui.report.parts import Cautions, Report, Section, Words, noted
from tidetray.ui.report.pdf import as_pdf


def make_report(
    store: Store, settings: Settings, trial_name: str | None, *, begun: Callable[[Section], None] | None = None
) -> Report:
    """The report of a trial (the one with most to say, unless named), from what the store holds. NoTrialError,
    EntryError as for commands. `begun` is given sections with pictures before all are worked out."""
    data = TrialData(store, choose_trial(store, trial_name))
    said, begin = Cautions(), begun or (lambda section: None)
    grew, found = growth(data), compare(data)
    pictured, designed = answers.pictured(grew, found), bench.design(data)
    # what leaves out cautions that stand elsewhere comes in its order below: of these, the pictures count
    for section in (*pictured, designed, answers.growth(grew, found), answers.comparison(found, Cautions())):
        begin(section)
    places = positions(data, neighbours=answers.NEIGHBOURS)
    begin(answers.places(places, Cautions()))
    trials, limits = _up_to(store, data.trial), limits_in_words(settings.flooding)
    earlier = [TrialData(store, trial) for trial in trials if trial != data.trial]
    names, read = [trial.name for trial in trials], [data, *earlier]
    step = tune(store, settings, trials=names, weeks=answers.WEEKS, seed=bench.SEED, known=read)
    begin(answers.decision(step, Cautions()))
    relation = relate(data)
    went_through, compared = bench.conditions(relation.conditions, said), answers.comparison(found, said)
    marked = data_fingerprint(store, read, limits)
    sections = (
        replace(bench.question(data), appendix=False),
        answers.found(grew, relation, places),
        answers.may_mislead((*found.keep_in_mind, *grew.keep_in_mind)),
        answers.to_do(step),
        *pictured,
        designed,
        went_through,
        answers.growth(grew, found),
        compared,
        _cautions(data, grew, said),
        answers.causes(relation, said),
        answers.places(places, said),
        answers.decision(step, said),
        bench.methods(data, marked, limits),
    )
    trial = data.trial
    facts = {
        "Trial": trial.name,
        "Site": trial.site,
        "Plants": trial.species or "not named",
        "Started": bench.stamp(pd.Timestamp(trial.started), trial.zone),
        "Data up to": f"{bench.stamp(_as_of(data), trial.zone)} ({trial.zone})",
        "Fingerprint": marked[:16],
    }
    stem = f"report-{trial.name}-{_as_of(data).tz_convert(trial.zone):%Y-%m-%d}"
    return Report(stem, f"Trial {trial.name}", facts, _short(data, found, step), sections, marked)


def report_files(store: Store, settings: Settings, trial_name: str | None) -> tuple[Report, bytes, bytes]:
    """The report of a trial with its HTML and its PDF; its pictures are drawn while answers are worked out."""
    with Drawer() as drawer:
        report = make_report(store, settings, trial_name, begun=partial(begin_drawing, drawer))
        return report, *as_files(report, drawer)


def write_report(report: Report, files: tuple[bytes, bytes], folder: Path) -> tuple[Path, Path]:
    """The report's page and its PDF in `folder`, made where it is missing. A report of the same name is replaced."""
    folder.mkdir(parents=True, exist_ok=True)
    paths = folder / f"{report.name}.html", folder / f"{report.name}.pdf"
    for path, content in zip(paths, files, strict=True):
        path.write_bytes(content)
    return paths


def as_files(report: Report, drawer: Drawer | None = None) -> tuple[bytes, bytes]:
    """The report as HTML and as PDF."""
    drawn = draw(report, drawer)
    return as_html(report, drawn).encode(), as_pdf(report, drawn)


def data_fingerprint(store: Store, several: Sequence[TrialData], limits: str) -> str:
    """Of all that a report rests on: plans, entries of the notebook, the light survey, cycles and hours of the trials'
    trays, and the limits of the next schedule."""
    balances = all_balances(store)
    lists: dict[str, Sequence[object]] = {
        "balances": balances,
        "limits": [limits],
        "survey": light_survey(store, several[0].trial.site),
        "checks": [check for balance in balances for check in check_weighings(store, balance.name)],
    }
    frames: dict[str, pd.DataFrame] = {}
    for data in several:
        name = data.trial.name
        lists[f"plan of {name}"] = [json.dumps(asdict(data.plan), default=str, sort_keys=True)]
        lists[f"dried of {name}"] = dry_weighings(store, name)
        own = {"trail": data.trail, "events": data.events, "cycles": data.cycles()}
        own |= {f"hours of {channel}": data.flagged_hours(channel) for channel in HOURLY}
        frames |= {f"{what} of {name}": frame for what, frame in own.items()}
    return fingerprint(
        frames | {what: pd.DataFrame({"each": [str(each) for each in rows]}) for what, rows in lists.items()}
    )


def limits_in_words(limits: FloodingSettings) -> str:
    said = []
    if limits.longest_dry_h is not None:
        said.append(f"no dry spell longer than {limits.longest_dry_h:g} h")
    if (limits.flood_from, limits.flood_until) != ("00:00", "24:00"):
        said.append(f"floods between {limits.flood_from} and {limits.flood_until}")
    if limits.pump_share < 1:
        said.append(f"the pump at most {100 * limits.pump_share:g} % of the day")
    if limits.sump_m3 is not None:
        said.append(f"a sump of {1000 * limits.sump_m3:g} L, of which {1000 * limits.sump_min_m3:g} L must stay")
    return "; ".join(said) or "none are set"


def _up_to(store: Store, trial: Trial) -> list[Trial]:
    """The trial, and those of its site that began before it: later ones would change an old report."""
    return [
        t
        for t in Notebook(store).trials()
        if t.site == trial.site and (t.started, t.name) <= (trial.started, trial.name)
    ]


def _cautions(data: TrialData, grew: GrowthAnswer, said: Cautions) -> Section:
    """What to mind of growth and exposure as a whole; what concerns one question stands beside its answer."""
    lines = [WATER, *grew.unknown(), *said.new((*grew.cautions, *data.places[1]))]
    lead = Words("The cautions of each question are beside its answer. For the data as a whole:")
    return Section("Cautions", (lead, *noted("To mind:", lines)))


def _short(data: TrialData, found: CompareAnswer, step: TuneAnswer) -> Words:
    """The answers to take along, with what cannot be told."""
    lines = [*found.sentences]
    if step.tuned is not None:
        lines.append(step.summary)
    if data.record_span is None:
        lines.append("Nothing was recorded of these trays yet.")
    first, *more = lines
    return Words(first, "answer", tuple(more))


def _as_of(data: TrialData) -> pd.Timestamp:
    """The latest time that the data know of."""
    ends = [data.trial.started, *(data.record_span or ())[1:]]
    ends += [frame["time"].max() for frame in (data.weighins, data.events) if len(frame)]
    return max(pd.Timestamp(end) for end in ends)
