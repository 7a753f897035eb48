"""Samples in the oven, judged for command and page: how far each one is, in words."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from tidetray.analysis.growth.drying import Drying, judge_drying
from tidetray.ingest.notebook.facts import WeighIn
from tidetray.ingest.notebook.scales import DryWeighing


def judge_sample(so_far: Sequence[DryWeighing], weigh_ins: Sequence[WeighIn]) -> Drying:
    """How dry a pot is by its weighings so far, and its water by the last of its blotted weigh-ins before the oven."""
    wet = [w for w in weigh_ins if w.pot == so_far[0].pot and w.blotted and w.time <= so_far[0].time]
    last = max(wet, key=lambda w: w.time, default=None)
    return judge_drying(
        pd.DataFrame({"time": [w.time for w in so_far], "net_g": [w.net_g for w in so_far]}),
        wet_g=None if last is None else last.net_g,
    )
