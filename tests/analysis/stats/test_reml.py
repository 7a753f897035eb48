"""The REML fitter and its degrees of freedom: by hand, against dense matrices, against statsmodels' likelihood."""

import warnings

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from hypothesis import example, given, settings
from hypothesis import strategies as st
from statsmodels.regression.mixed_linear_model import MixedLMParams

from tidetray.analysis.stats.grouped_design import RandomTerm
from tidetray.analysis.stats.kenward_roger import KenwardRoger, Satterthwaite
from tidetray.analysis.stats.reml import MixedFit, fit_mixed, refit_resampled


def ones(n: int) -> np.ndarray:
    return np.ones((n, 1))


def test_balanced_one_way_by_hand() -> None:
    """{10,11,12} {14,15,16} {9,10,11}: mean squares 21 and 1, so 1 within and (21 - 1) / 3 between."""
    y = [10, 11, 12, 14, 15, 16, 9, 10, 11]
    fit = fit_mixed(y, ones(9), [RandomTerm("tray", np.repeat(["a", "b", "c"], 3))])
    np.testing.assert_allclose([fit.residual, fit.variance("tray")[0, 0]], [1, 20 / 3], rtol=1e-8)
    mean = KenwardRoger(fit).contrasts([[1.0]])
    np.testing.assert_allclose([mean.estimate[0], mean.se[0], mean.df[0]], [12, np.sqrt(21 / 9), 2], rtol=1e-8)
    assert not fit.singular


def test_no_difference_between_groups_is_zero_variance() -> None:
    y = [1, 2, 3, 3, 2, 1, 2, 1, 3]
    fit = fit_mixed(y, ones(9), [RandomTerm("tray", np.repeat([1, 2, 3], 3))])
    assert fit.variance("tray")[0, 0] == 0
    assert fit.singular
    assert KenwardRoger(fit).contrasts([[1.0]]).df[0] == pytest.approx(2)
    assert Satterthwaite(fit).contrasts([[1.0]]).df[0] == pytest.approx(8)


@pytest.mark.parametrize("seed", range(8))
def test_a_spread_that_the_means_take_up_whole_changes_nothing(seed: int) -> None:
    """Trays as fixed and as random: of the second the data say nothing, and least squares is left."""
    tray = np.repeat([0, 1, 2], 4)
    x = np.array([0.1, 0.4, 0.2, 0.9, 0.3, 0.8, 0.2, 0.5, 0.7, 0.1, 0.6, 0.4])
    y = 2 + 0.5 * x + np.random.default_rng(seed).normal(0, 0.1, 12) + tray
    X = np.column_stack([np.eye(3)[tray], x])
    pots = RandomTerm("pot", np.repeat(np.arange(6), 2))
    slope = [[0.0, 0.0, 0.0, 1.0]]
    for terms in ([], [pots]):
        alone = fit_mixed(y, X, terms)
        both = fit_mixed(y, X, [RandomTerm("tray", tray), *terms])
        for way in (KenwardRoger, Satterthwaite):
            without, with_trays = way(alone).contrasts(slope), way(both).contrasts(slope)
            np.testing.assert_allclose(with_trays.estimate, without.estimate, rtol=1e-5)
            np.testing.assert_allclose([with_trays.se, with_trays.df], [without.se, without.df], rtol=1e-5)
    assert KenwardRoger(fit_mixed(y, X, [])).contrasts(slope).df[0] == pytest.approx(12 - 4)


def test_without_groups_it_is_least_squares() -> None:
    x = np.array([0.0, 1, 2, 3, 4])
    fit = fit_mixed([1, 2, 2, 4, 5], np.column_stack([ones(5), x]))
    np.testing.assert_allclose(fit.beta, [0.8, 1.0], rtol=1e-10)
    assert fit.residual == pytest.approx(0.8 / 3)  # residuals 0.2 0.2 -0.8 0.2 0.2
    for method in (KenwardRoger, Satterthwaite):
        assert method(fit).f_test([[0, 1]]).f == pytest.approx(10 / (0.8 / 3))
        assert method(fit).f_test([[0, 1]]).df_den == pytest.approx(3)


def nursery(seed: int, *, slopes: bool = True, benches: bool = False, missing: float = 0.15) -> tuple:  # type: ignore[type-arg]
    """y, X, terms of an unbalanced trial: trays, pots on them, days; some weigh-ins missing."""
    rng = np.random.default_rng(seed)
    trays, pots, days = rng.integers(4, 8), 4, np.arange(5.0)
    tray = np.repeat(np.arange(trays), pots * len(days))
    pot = np.repeat(np.arange(trays * pots), len(days))
    day = np.tile(days, trays * pots)
    sd = rng.uniform(0, 1, 5)
    y = (
        rng.normal(0, sd[0], trays)[tray]
        + rng.normal(0, sd[1], trays * pots)[pot]
        + day * (0.2 + rng.normal(0, sd[2], trays)[tray] + rng.normal(0, sd[3], trays * pots)[pot])
        + rng.normal(0, 0.2 + sd[4], len(day))
    )
    kept = rng.uniform(size=len(y)) > missing
    tray, pot, day, y = tray[kept], pot[kept], day[kept], y[kept]
    line = np.column_stack([np.ones_like(day), day])
    group = (tray % 2).astype(float)[:, None]
    X = np.column_stack([line, group, group * day[:, None]])
    columns = line if slopes else None
    terms = [RandomTerm("tray", tray, columns), RandomTerm("pot", pot, columns)]
    return y, X, [*terms, RandomTerm("bench", tray % 3)] if benches else terms


def pieces(terms: list[RandomTerm], n: int) -> list[np.ndarray]:
    """G_i of V = sum of (co)variances times G_i, the residual's last, as dense matrices."""
    out = []
    for t in terms:
        same = np.equal.outer(np.asarray(t.groups), np.asarray(t.groups)).astype(float)
        b = np.ones((n, 1)) if t.columns is None else np.asarray(t.columns, dtype=float).reshape(n, -1)
        out.append(same * np.outer(b[:, 0], b[:, 0]))
        if b.shape[1] == 2:
            out.append(same * (np.outer(b[:, 1], b[:, 0]) + np.outer(b[:, 0], b[:, 1])))
            out.append(same * np.outer(b[:, 1], b[:, 1]))
    return [*out, np.eye(n)]


def gammas(fit: MixedFit) -> list[float]:
    return [float(x) for _, g in fit.variances for x in g[np.tril_indices(len(g))]] + [fit.residual]


def dense_criterion(y: np.ndarray, X: np.ndarray, V: np.ndarray) -> float:
    W = np.linalg.inv(V)
    A = X.T @ W @ X
    r = y - X @ np.linalg.solve(A, X.T @ W @ y)
    return float(
        np.linalg.slogdet(V)[1] + np.linalg.slogdet(A)[1] + r @ W @ r + (len(y) - X.shape[1]) * np.log(2 * np.pi)
    )


@pytest.mark.parametrize(("slopes", "benches"), [(True, False), (False, False), (False, True)])
@settings(max_examples=12, deadline=None)
@given(seed=st.integers(0, 10_000))
@example(seed=8914)  # an earlier search stopped short of the optimum here
def test_against_dense_matrices(slopes: bool, benches: bool, seed: int) -> None:
    """Criterion at the optimum, no better point beside it, and Kenward-Roger's terms from their definitions."""
    y, X, terms = nursery(seed, slopes=slopes, benches=benches)
    fit = fit_mixed(y, X, terms)
    G, g = pieces(terms, len(y)), np.array(gammas(fit))
    V = np.tensordot(g, G, 1)
    assert fit.criterion == pytest.approx(dense_criterion(y, X, V), abs=1e-6)
    rng = np.random.default_rng(seed)
    for size in (1e-3, 1e-2, 0.1):
        for _ in range(4):
            root = [np.linalg.cholesky(c + 1e-12 * fit.residual * np.eye(len(c))) for _, c in fit.variances]
            moved = [r + size * rng.normal(size=r.shape) * np.abs(r).max() for r in root]
            near = [float(x) for r in moved for x in (r @ r.T)[np.tril_indices(len(r))]]
            other = np.tensordot(np.array([*near, fit.residual * (1 + size * rng.normal())]), G, 1)
            assert dense_criterion(y, X, other) > fit.criterion - 1e-5
    W = np.linalg.inv(V)
    C = np.linalg.inv(X.T @ W @ X)
    P = W - W @ X @ C @ X.T @ W
    information = np.array([[np.trace(P @ a @ P @ b) / 2 for b in G] for a in G])
    cov = np.linalg.pinv(information / np.outer(s := np.sqrt(np.diag(information)), s), rcond=1e-10) / np.outer(s, s)
    D = [-X.T @ W @ a @ W @ X for a in G]
    Q = np.array([[X.T @ W @ a @ W @ b @ W @ X for b in G] for a in G])
    inner = sum(cov[i, j] * (Q[i, j] - D[i] @ C @ D[j]) for i in range(len(G)) for j in range(len(G)))
    kr = KenwardRoger(fit).contrasts(np.eye(4))
    np.testing.assert_allclose(kr.se, np.sqrt(np.diag(C + 2 * C @ inner @ C)), rtol=1e-5)
    ratio = np.array([np.diag(C @ d @ C) / np.diag(C) for d in D])
    np.testing.assert_allclose(kr.df, 2 / np.einsum("ij,im,jm->m", cov, ratio, ratio), rtol=1e-4)


@pytest.mark.parametrize("seed", range(4))
def test_not_below_statsmodels(seed: int) -> None:
    """statsmodels' own likelihood is the same at our estimates as our criterion, and no lower than at its own."""
    y, X, terms = nursery(seed, slopes=False, missing=0.0)
    fit = fit_mixed(y, X, terms)
    d = pd.DataFrame({"y": y, "day": X[:, 1], "g": X[:, 2], "tray": terms[0].groups, "pot": terms[1].groups})
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it warns of variances near zero
        theirs = smf.mixedlm("y ~ day * g", d, groups="tray", re_formula="1", vc_formula={"pot": "0 + C(pot)"}).fit()
        # at zero itself it cannot be evaluated
        tray, pot = (max(v[0, 0] / fit.residual, 1e-9) for _, v in fit.variances)
        params = MixedLMParams.from_components(fe_params=fit.beta, cov_re=np.array([[tray]]), vcomp=np.array([pot]))
        ours = theirs.model.loglike(params)
    assert ours == pytest.approx(-fit.criterion / 2, abs=1e-6)
    assert ours >= theirs.llf - 1e-6


def test_crossed_groups_and_where_days_are_counted_from() -> None:
    y, X, terms = nursery(5)
    later = X.copy()
    later[:, 1] += 100
    later[:, 3] = later[:, 2] * later[:, 1]
    moved = [RandomTerm(t.name, t.groups, later[:, :2]) for t in terms]
    a, b = fit_mixed(y, X, terms), fit_mixed(y, later, moved)
    assert a.criterion == pytest.approx(b.criterion, abs=1e-6)
    assert KenwardRoger(a).f_test([[0, 0, 0, 1]]) == pytest.approx(KenwardRoger(b).f_test([[0, 0, 0, 1]]), rel=1e-4)
    row, column = np.repeat(np.arange(6), 5), np.tile(np.arange(5), 6)
    y = np.random.default_rng(1).normal(size=30) + row * 0.5 + column * 0.3
    terms = [RandomTerm("row", row), RandomTerm("column", column)]
    fit = fit_mixed(y, ones(30), terms)
    assert fit.criterion == pytest.approx(
        dense_criterion(y, ones(30), np.tensordot(gammas(fit), pieces(terms, 30), 1)), abs=1e-6
    )


def test_refits_weigh_trays() -> None:
    y, X, terms = nursery(3, slopes=False)
    tray = np.asarray(terms[0].groups)
    n = tray.max() + 1
    counts = np.ones((2, n))
    counts[1, 0] = 2
    beta = refit_resampled(y, X, terms, tray, counts)
    np.testing.assert_allclose(beta[0], fit_mixed(y, X, terms).beta, rtol=1e-4)
    again = np.flatnonzero(tray == 0)
    rows = np.concatenate([np.arange(len(y)), again])
    twice = [RandomTerm(t.name, np.concatenate([t.groups, 1000 + np.asarray(t.groups)[again]])) for t in terms]
    np.testing.assert_allclose(beta[1], fit_mixed(y[rows], X[rows], twice).beta, rtol=1e-4)


@pytest.mark.parametrize(
    ("y", "X", "terms", "said"),
    [
        ([1, np.nan, 2], ones(3), [], "NaN"),
        ([1.0, 2.0], np.eye(2), [], "2 rows"),
        ([1, 2, 3, 4], np.column_stack([ones(4), ones(4)]), [], "separated"),
        ([2, 2, 2, 2], ones(4), [], "does not vary"),
        ([1, 1, 2, 2, 4, 4], ones(6), [RandomTerm("tray", [1, 1, 2, 2, 3, 3])], "within the groups"),
        ([1, 2, 3, 5], ones(4), [RandomTerm("tray", [1, 1, 2, 2], np.ones((4, 2)))], "do not differ"),
    ],
)
def test_what_cannot_be_fitted_says_so(y: list[float], X: np.ndarray, terms: list[RandomTerm], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        fit_mixed(y, X, terms)
