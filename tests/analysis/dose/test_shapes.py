"""Every shape runs from 0 to 1 over the tested doses, and has its best where it says that it has."""

from __future__ import annotations

import numpy as np
import pytest

from tidetray.analysis.dose.shapes import JOINS, KINDS, POWERS, PRIOR, RATES, family, places

TESTED = np.array([0.0, 0.3, 0.55, 1.0])
NODES = tuple(np.round(places(TESTED), 9))
FOUND = family(NODES)
X = np.unique(np.r_[np.linspace(0, 1, 201), NODES])
AT = FOUND.at(X)


def of(kind: str) -> np.ndarray:
    return AT[:, FOUND.kind == KINDS.index(kind)]


def test_shapes_run_from_0_to_1() -> None:
    assert (of("flat") == 0).all()
    for kind in KINDS[1:]:
        np.testing.assert_allclose(of(kind).max(axis=0), 1, atol=1e-12)
        assert of(kind).min() >= -1e-12
    for kind in ("straight", "levels off", "monotone"):
        np.testing.assert_allclose(of(kind).min(axis=0), 0, atol=1e-12)
        np.testing.assert_allclose(np.sort(of(kind)[[0, -1]], axis=0), np.c_[[0.0, 1.0]] * np.ones(of(kind).shape[1]))


def test_shapes_rise_up_to_their_best_and_fall_after_it() -> None:
    """Where the place is NaN the shape levels off: it rises or falls throughout."""
    step = np.diff(AT, axis=0)
    for at, place in enumerate(FOUND.place):
        if np.isnan(place):
            assert (step[:, at] >= -1e-12).all() or (step[:, at] <= 1e-12).all()
            continue
        assert (step[X[1:] <= place, at] >= -1e-12).all()
        assert (step[X[:-1] >= place, at] <= 1e-12).all()
        if 0 <= place <= 1:
            assert X[AT[:, at].argmax()] == pytest.approx(place)


def test_levelling_shapes_by_their_formulas() -> None:
    """Straight, curved and exponential rises, as the curves of `dose.curves` have them, from 0 to 1 at the last dose;
    and their mirror images."""

    def rising(x: np.ndarray) -> list[np.ndarray]:
        return [
            *(np.minimum(x, join) / join for join in JOINS),
            *(1 - (1 - np.minimum(x, join) / join) ** 2 for join in JOINS),  # a parabola, level from its top on
            *(np.expm1(-rate * x) / np.expm1(-rate) for rate in RATES),
        ]

    np.testing.assert_allclose(of("levels off"), np.column_stack([*rising(X), *rising(1 - X)]), atol=1e-9)


def test_powers_by_their_formulas() -> None:
    """From either end; then from a best at 1.1, 1.25 and 1.5, each followed by its mirror image."""
    x = X[:, None]
    columns = [x**POWERS, 1 - (1 - x) ** POWERS, (1 - x) ** POWERS, 1 - x**POWERS]
    for best in (1.1, 1.25, 1.5):
        whole = 1 - (1 - 1 / best) ** POWERS
        columns += [(1 - (1 - z / best) ** POWERS) / whole for z in (x, 1 - x)]
    np.testing.assert_allclose(of("monotone"), np.column_stack(columns), atol=1e-9)


def test_kinds_have_their_prior_and_places_inside_share_theirs_by_the_doses_nearest() -> None:
    kind = np.bincount(FOUND.kind, FOUND.prior)
    np.testing.assert_allclose(kind, [PRIOR[name] for name in KINDS])
    inside = FOUND.kind == KINDS.index("inside")
    m = np.array(NODES)
    edges = np.r_[0, (m[1:] + m[:-1]) / 2, 1]
    shares = [FOUND.prior[inside & (FOUND.place == node)].sum() for node in m]
    np.testing.assert_allclose(shares, np.diff(edges) * PRIOR["inside"])


def test_places_hold_the_inner_doses_and_the_middles_of_gaps() -> None:
    assert {0.3, 0.55, 0.15, 0.425, 0.775} <= set(np.round(NODES, 6))
    assert 0 < min(NODES) < max(NODES) < 1
    assert np.diff(NODES).max() < 0.07
