"""Random effects eliminated: the short derivatives of many plain variances are those of the general way."""

from __future__ import annotations

import numpy as np
import pytest

from tidetray.analysis.stats import block_elimination
from tidetray.analysis.stats.block_elimination import eliminate
from tidetray.analysis.stats.grouped_design import RandomTerm, prepare


@pytest.mark.parametrize("with_treatments", [False, True], ids=["crossed in trays", "crossed in all rows"])
def test_short_derivatives_are_those_of_the_general_way(with_treatments: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    """Pots and periods cross within trays; treatments that change with the runs cross with the trays themselves."""
    rng = np.random.default_rng(1)
    tray, pot, period = np.repeat(np.arange(4), 15), np.repeat(np.arange(20), 3), np.tile(np.arange(3), 20)
    kept = rng.uniform(size=len(tray)) > 0.1
    tray, pot, period = tray[kept], pot[kept], period[kept]
    terms = [RandomTerm("tray", tray), RandomTerm("pot", pot), RandomTerm("cell", 3 * tray + period)]
    if with_treatments:
        terms.append(RandomTerm("treatment", (tray + (period > 0) * (tray % 2)) % 3))
    x = np.column_stack([np.eye(3)[period], rng.normal(size=len(tray))])
    model = prepare(rng.normal(size=len(tray)) + rng.normal(size=4)[tray], x, terms)
    assert model.levels[0].width > 6
    variances = rng.uniform(0, 2, (3, model.k))
    variances[1, 0] = 0.0
    found = []
    for few in (6, 10**6):
        monkeypatch.setattr(block_elimination, "_FEW_COLUMNS", few)
        found.append(eliminate(model, variances))
    for short, general in zip(*found, strict=True):
        np.testing.assert_allclose(short.a, general.a, rtol=1e-9, atol=1e-9 * np.abs(general.a).max())
