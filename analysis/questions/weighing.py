"""How sure masses and growth rates are, by each scale of the record."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import pandas as pd

from tidetray.analysis.growth.drying import Drying, judge_drying
from tidetray.analysis.growth.weighing import WeighingQuality
from tidetray.analysis.questions.answer import Answer
from tidetray.analysis.record.trial_data import TrialData
from tidetray.ingest.notebook.drying import DryWeighing
from tidetray.ingest.notebook.facts import WeighIn
from tidetray.ingest.notebook.scales import Balance

NO_SCALE = "No scale is named, so the precision of masses and growth rates is unknown. Name the scale and its step."


@dataclass(frozen=True, eq=False)
class WeighingAnswer(Answer):
    """`scales`: name -> the scale and how sure its masses are."""

    scales: Mapping[str, tuple[Balance, WeighingQuality]]

    @property
    def table(self) -> pd.DataFrame:
        """A row per scale: `scale, resolution_g` and the figures of `WeighingQuality`, NaN where unknown."""
        rows = [
            {"scale": name, "resolution_g": balance.resolution_g, **quality.figures}
            for name, (balance, quality) in self.scales.items()
        ]
        return pd.DataFrame(rows, columns=None if rows else ["scale"])

    @property
    def summary(self) -> str:
        if not self.scales:
            return NO_SCALE
        return " ".join(
            f"Scale {name}, step {balance.resolution_g:g} g: {quality.sentences[0]}"
            for name, (balance, quality) in self.scales.items()
        )


def weighing(data: TrialData) -> WeighingAnswer:
    """How sure the weigh-ins of a trial are.

    Parameters
    ----------
    data : TrialData
        The trial; all scales of its record count.

    Returns
    -------
    WeighingAnswer
    """
    scales = {balance.name: (balance, data.weighing_quality(balance)) for balance in data.balances}
    return WeighingAnswer(data.growth.cautions, scales)


def judge_sample(so_far: Sequence[DryWeighing], weigh_ins: Sequence[WeighIn]) -> Drying:
    """How dry a pot is by its weighings so far, and its water by the last of its blotted weigh-ins before the oven.

    Parameters
    ----------
    so_far : sequence of DryWeighing
        Of one pot, in order of time.
    weigh_ins : sequence of WeighIn
        That stand, of this pot and perhaps of others.

    Returns
    -------
    Drying
    """
    wet = [w for w in weigh_ins if w.pot == so_far[0].pot and w.blotted and w.time <= so_far[0].time]
    last = max(wet, key=lambda w: w.time, default=None)
    return judge_drying(
        pd.DataFrame({"time": [w.time for w in so_far], "net_g": [w.net_g for w in so_far]}),
        wet_g=None if last is None else last.net_g,
    )
