"""Which conditions growth went with, and how surely. Going together is not causing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from tidetray.analysis.compare.crossover import said_of_runs
from tidetray.analysis.growth.runs import within_runs
from tidetray.analysis.pictures.base import Spec
from tidetray.analysis.pictures.positions import partial_effect
from tidetray.analysis.questions.answer import Answer
from tidetray.analysis.questions.conditions import ConditionsAnswer, conditions
from tidetray.analysis.questions.growth import NO_GROWTH, not_weighed_twice
from tidetray.analysis.record.trial_data import UNMEASURED, TrialData
from tidetray.analysis.relations.predictors import CAUSES, choose_causes
from tidetray.analysis.relations.relate import Relation
from tidetray.analysis.relations.relate import relate as relate_growth


@dataclass(frozen=True, eq=False)
class RelateAnswer(Answer):
    """Attributes
    ----------
    relation : Relation or None
        None: `why_not` says what is missing.
    intervals : DataFrame
        What was asked: a row per pot and interval.
    conditions : ConditionsAnswer
        What each tray went through.
    """

    relation: Relation | None
    why_not: str
    intervals: pd.DataFrame
    conditions: ConditionsAnswer

    @property
    def table(self) -> pd.DataFrame:
        """A row per cause: the effects with `label`, `more` (what one step is), and for a step, in % a day, `effect,
        effect_low, effect_high, effect_without_low, effect_without_high`."""
        if self.relation is None:
            return pd.DataFrame(columns=["cause"])
        effects = self.relation.effects
        asked = [CAUSES[name] for name in effects["cause"]]
        step = pd.Series([100 * cause.step for cause in asked], index=effects.index)
        of = {"effect": "estimate"} | {
            f"effect_{name}": name for name in ("low", "high", "without_low", "without_high")
        }
        return effects.assign(
            label=[cause.label for cause in asked],
            more=[cause.more for cause in asked],
            **{name: effects[source] * step for name, source in of.items()},
        )

    @property
    def sentences(self) -> tuple[str, ...]:
        return (self.why_not,) if self.relation is None else tuple(self.relation.sentences)

    @property
    def summary(self) -> str:
        return self.sentences[0]

    @property
    def rests_on(self) -> str:
        """How many intervals, pots and trays the answer rests on; '' without one."""
        if self.relation is None:
            return ""
        first = self.relation.effects.iloc[0]
        return (
            f"From {int(first['n_rows'])} intervals between weigh-ins of {int(first['n_pots'])} pots on "
            f"{int(first['n_trays'])} trays, at equal age and starting mass. In brackets: 95 % intervals. "
            "Going together is not causing, unless treatments were given to trays at random."
        )

    def pictures(self) -> dict[str, Spec]:
        """Cause -> growth against it, the other causes held equal."""
        found: dict[str, Spec] = {}
        if self.relation is None:
            return found
        for name in self.relation.effects["cause"]:
            cause = CAUSES[name]
            points, line = (frame[frame["cause"] == name] for frame in (self.relation.points, self.relation.lines))
            found[name] = partial_effect(points, line, f"{cause.label}, {cause.unit}" if cause.unit else cause.label)
        return found

    def picture(self) -> Spec | None:
        return next(iter(self.pictures().values()), None)


def relate(data: TrialData, causes: Sequence[str] = ()) -> RelateAnswer:
    """Relate growth between weigh-ins to what pots went through.

    Parameters
    ----------
    data : TrialData
        The trial.
    causes : sequence of str
        Names of `tidetray.analysis.relations.predictors.CAUSES`; those that this trial can separate where none is
        named.

    Returns
    -------
    RelateAnswer

    Raises
    ------
    ValueError
        For a cause that there is none of.
    """
    unknown = [name for name in causes if name not in CAUSES]
    if unknown:
        raise ValueError(f"no cause {unknown[0]!r}. There are: {', '.join(CAUSES)}")
    about = (
        *data.light[1],
        *data.places[1],
        *data.water[1],
        *data.left_out,
        *data.growth.cautions,
        *not_weighed_twice(data),
    )
    around = conditions(data)
    if data.growth.table.empty:
        return RelateAnswer(about, None, NO_GROWTH, pd.DataFrame(), around)
    if data.unmeasured:
        return RelateAnswer(tuple(each for each in about if each != UNMEASURED), None, UNMEASURED, data.causes, around)
    table, said = data.causes, list[str]()
    crossed = said_of_runs(data.growth_in_runs)
    if crossed:
        table, about = within_runs(table)[0], (*crossed, *about)
    if not causes:
        causes, said = choose_causes(table)
    if not causes:
        nothing = "Of exposure, light, warmth and air nothing is known that differs between trays or pots."
        return RelateAnswer((*said, *about), None, nothing, table, around)
    try:
        found = relate_growth(table, causes=causes, period="period", size="mass_first_g")
    except ValueError as error:
        return RelateAnswer((*said, *about), None, f"This cannot be answered yet: {error}", table, around)
    # what bends the figures themselves stands where it is not folded
    cautions = tuple(dict.fromkeys((*data.lopsided, *said, *found.cautions, *about)))
    return RelateAnswer(cautions, found, "", table, around)
