"""Sections of a report that tell what was done and measured: question, design, conditions, methods. Compares
nothing."""

from __future__ import annotations

import platform
from collections.abc import Iterator
from importlib.metadata import PackageNotFoundError, version

import pandas as pd

from tidetray.analysis.base.words import natural
from tidetray.analysis.questions.conditions import ConditionsAnswer
from tidetray.analysis.questions.weighing import weighing
from tidetray.analysis.record.trial_data import TrialData
from tidetray.ui.charts.design_map import design_maps
from tidetray.ui.columns import CONDITIONS, Column, columns
from tidetray.ui.report.parts import Cautions, Figure, Section, Table, Words, noted, table, words
from tidetray.ui.words import many

EVENTS_SHOWN = 40
SEED = 1
"""Of all chance that a report draws, as of the commands it stands beside."""

SOFTWARE = ("numpy", "scipy", "pandas", "vl-convert-python", "reportlab", "jinja2")


def question(data: TrialData) -> Section:
    trial = data.trial
    asked = Words(trial.question, "answer") if trial.question.strip() else Words("No question is noted for this trial.")
    return Section("Question", (asked,))


def design(data: TrialData) -> Section:
    trial, treatments = data.trial, data.treatments
    standing = data.pots.drop_duplicates("pot", keep="last")
    parts: list[Words | Table | Figure] = [
        Words(
            f"{many(len(data.noted_trays), 'tray')} with {many(standing['pot'].nunique(), 'pot')} of "
            f"{trial.species.strip().rstrip('.') or 'an unnamed species'}. {_unit(data)}"
        ),
        *_treatments(data, standing),
        Words(
            f"The layout was drawn at random, with draw number {trial.layout_seed}."
            if trial.layout_seed is not None
            else "No draw number of a layout is recorded. If treatments were not assigned to trays at random, "
            "other differences between trays are mixed into the comparison.",
            "small",
        ),
        *_trays(data, standing),
    ]
    placed = standing.dropna(subset=["row", "column"]).astype({"row": int, "column": int})
    named = [
        (f"{tray}: {treatments[tray]}", placed[placed["tray"] == tray])
        for tray in sorted(data.noted_trays, key=natural)
    ]
    pictures = design_maps(named) if len(placed) else []
    for n, spec in enumerate(pictures, start=1):
        of = f" ({n} of {len(pictures)})" if len(pictures) > 1 else ""
        parts.append(
            Figure(f"map-{n}", f"Map{of}: each tray with its treatment and its pots, by row and column.", spec)
        )
    if not pictures:
        none = "no pots of this trial yet" if standing.empty else "no places of its pots"
        parts.append(Words(f"The notebook holds {none}: there is no map.", "note"))
    return Section("Design", (*parts, *_events(data)))


def _unit(data: TrialData) -> str:
    shared = "pots of one tray share its water, its light and its luck"
    if data.noted_trays == data.trays.keys():
        return f"The treatment was given to trays, so the tray is the unit: {shared}."
    return f"Which tray each pot stood on was not noted, so pots are compared as though each stood alone; but {shared}."


def _treatments(data: TrialData, standing: pd.DataFrame) -> tuple[Table, ...]:
    trays = pd.Series(data.treatments)
    rows = [
        {
            "treatment": each.name,
            "culture": each.culture or "not noted",
            "floods": f"{', '.join(each.flood_times)}; {each.wet_minutes:g} min each" if each.flood_times else "none",
            "trays": int((trays[trays.index.isin(data.noted_trays)] == each.name).sum()),
            "pots": int(standing["tray"].map(trays).eq(each.name).sum()),
        }
        for each in data.plan.treatments
    ]
    shown = columns("treatment", "culture", "floods", "trays", "pots") | {"floods": Column("planned floods")}
    return table("Treatments", pd.DataFrame(rows), shown)


def _trays(data: TrialData, standing: pd.DataFrame) -> tuple[Table, ...]:
    pots = standing.groupby("tray").size()
    rows = []
    for each in sorted((tray for tray in data.plan.trays if tray.noted), key=lambda tray: natural(tray.name)):
        on = f"row {each.bench_row}, column {each.bench_column}" if each.bench_row and each.bench_column else ""
        rows.append(
            {
                "tray": each.name,
                "treatment": data.treatments[each.name],
                "block": each.block or "–",
                "place": ", ".join(part for part in (each.bench, on) if part) or "not noted",
                "lamp": each.lamp or "not named",
                "length": each.tray.length_m,
                "width": each.tray.width_m,
                "pots": int(pots.get(each.name, 0)),
            }
        )
    shown = columns("tray", "treatment", "block") | {
        "place": Column("stands at"),
        "lamp": Column("lamp"),
        "length": Column("length cm", 0, 100.0),
        "width": Column("width cm", 0, 100.0),
        "pots": Column("pots", 0),
    }
    return table("Trays", pd.DataFrame(rows), shown)


def _events(data: TrialData) -> Iterator[Words | Table]:
    events = data.events
    if events.empty:
        yield Words(
            "Nothing is noted to have happened to pots or trays (moved, lost, split, lamp or treatment changed).",
            "small",
        )
        return
    last = events.tail(EVENTS_SHOWN)
    rows = last.assign(
        at=[stamp(at, data.trial.zone) for at in last["time"]],
        of=[pot or tray for pot, tray in zip(last["pot"], last["tray"], strict=True)],
    )
    shown = {
        "at": Column("when"),
        "kind": Column("what"),
        "of": Column("of"),
        "value": Column("to"),
        "why": Column("why"),
    }
    yield from table("What happened to pots and trays", rows[list(shown)].fillna(""), shown)
    if len(events) > len(last):
        yield Words(f"The last {len(last)} of {len(events)}; the others are in the notebook.", "small")


def conditions(found: ConditionsAnswer, said: Cautions) -> Section:
    if found.trays.empty:
        said.new(found.cautions)  # that no tray has light readings goes without saying
        return Section("Conditions", (Words(found.over, "note"),))
    together = found.with_means
    strong = together.index[together["order"] == 0]
    parts: list[Words | Table] = [
        Words(found.over),
        *table("What the trays went through", together, CONDITIONS, strong=strong),
    ]
    parts.append(
        Words(
            "Hours are of known hours; unknown ones count neither as wet nor as dry. 'Known' is the share of "
            "the time that a mean rests on. Light: mol of photons of 400 to 700 nm. VPD: dryness of the air. "
            "–: less than half of the time known, or never dry.",
            "small",
        )
    )
    return Section("Conditions", (*parts, *noted("What is not known, or was left out:", said.new(found.cautions))))


def methods(data: TrialData, fingerprint: str, limits: str) -> Section:
    """How it was worked out: enough to do it again."""
    found: list[Words | Table] = [*words(_HOW)]
    for balance, quality in weighing(data).scales.values():
        found.append(Words(f"Scale {balance.name}, step {balance.resolution_g:g} g.", "plain", quality.sentences))
    found.append(Words(f"Limits for the next schedule, from the settings: {limits}."))
    software = pd.DataFrame(
        [
            ("tidetray", _version("tidetray")),
            ("Python", platform.python_version()),
            *((name, _version(name)) for name in SOFTWARE),
        ],
        columns=["what", "version"],
    )
    found += table("Software", software, {"what": Column("software"), "version": Column("version")})
    found.append(
        Words(
            f"Everything that depends on chance uses draw number {SEED}: permutations of places (9999), "
            "plausible curves, the trays of the next trial. The "
            "same data and software give this report again, byte for byte.",
        )
    )
    found.append(
        Words(
            "Fingerprint of the data (SHA-256 over the plan, all entries of weigh-ins, events, the light "
            "survey, cycles and hourly summaries, of this trial and the earlier ones it is tuned with; and "
            f"the limits): {fingerprint}"
        )
    )
    return Section("Methods", tuple(found))


_HOW = (
    "Growth is the difference of ln net mass per day, pot by pot (Hunt 1982), then averaged over the pots of "
    "a tray (Hoffmann and Poorter 2002). Wet mass includes water: blotting the same way each time is part of "
    "the method.",
    "Treatments are compared by linear mixed models with the tray as a random effect and the degrees of "
    "freedom of Kenward and Roger; pairs with Tukey's range. The tray is the experimental unit (Hurlbert "
    "1984); no p-value takes pots for independent.",
    "Growth and conditions: a mixed model of growth rate on what was measured, with period fixed, and tray, "
    "tray in its period and pot as random effects. A condition that trays were given has the degrees of "
    "freedom of trays. A link is not a cause.",
    (
        "Places: each feature of a place against the pots of the same tray; likeness of neighbours by Moran's I "
        "of residuals."
    ),
    "The best dose: curves side by side by AICc, a best value only where the quadratic clearly turns down "
    "inside the doses tested (Fieller's limits), plausible curves by Akaike weight and profile likelihood.",
    (
        "Wet and dry come from level, float switch and pump. A time without readings, or with readings that "
        "contradict each other, is unknown."
    ),
)


def stamp(at: pd.Timestamp, zone: str) -> str:
    """'31 May 2026 10:55', in the trial's zone."""
    local = pd.Timestamp(at).tz_convert(zone)
    return f"{local.day} {local:%b %Y %H:%M}"


def _version(name: str) -> str:
    try:
        return version(name)
    except PackageNotFoundError:
        return "not installed as a package"
