"""Moran's I and analyses of rows and columns against R.

R 4.2.2, spdep 1.2-7 (moran.test, lm.morantest, moran.mc), car 3.1-1 (Anova, type 2); the calls stand in the JSON files.
Data: OrchardSprays (Finney 1947) and Wheat2 (Pinheiro and Bates 2000), as in R's packages datasets and nlme.
"""

import numpy as np
import pandas as pd
import pytest

from tests.published.compare_reference import cell, results, table
from tidetray.analysis.relations.positions import dummies, place_anova
from tidetray.analysis.stats.morans_i import morans_i


def wheat(block: int | None = None) -> pd.DataFrame:
    d = table("Wheat2")
    d = d if block is None else d[d["Block"] == block]
    return d.assign(row=round(d["latitude"] / 4.3).astype(int), col=round(d["longitude"] / 1.2).astype(int))


def orchard() -> pd.DataFrame:
    d = table("OrchardSprays")
    return d.assign(row=d["rowpos"], col=d["colpos"])


def columns(d: pd.DataFrame, *names: str) -> np.ndarray:
    return np.column_stack([dummies(d[name].astype(str).to_numpy(dtype=object)) for name in names])


def residuals(d: pd.DataFrame, y: str, *names: str) -> tuple[np.ndarray, np.ndarray]:
    X = columns(d, *names)
    v = d[y].to_numpy(dtype=float)
    return v - X @ np.linalg.lstsq(X, v, rcond=None)[0], X


RAW = [
    ("08_spatial_Wheat2_one_block", "raw", lambda: wheat(2), "yield"),
    ("08_spatial_Wheat2", "raw_yield", wheat, "yield"),
    ("08_spatial_OrchardSprays", "raw", orchard, "decrease"),
]


@pytest.mark.parametrize(("case", "name", "data", "y"), RAW)
def test_moran_of_raw_values(case: str, name: str, data, y: str) -> None:
    d = data()
    for standardised, kind in ((False, "binary"), (True, "row_standardised")):
        want = results(case)[f"{name}.moran_{kind}"]
        got = morans_i(d[y], d["row"], d["col"], permutations=0, standardised=standardised)
        assert (got.n, got.joins, got.without_neighbour) == (want["n"], want["n_joins"], want["n_without_neighbour"])
        assert got.statistic == pytest.approx(want["I"], rel=1e-8)
        assert got.expected == pytest.approx(want["E"], rel=1e-8)
        assert got.variance == pytest.approx(want["var_randomisation"], rel=1e-8)
        assert got.p_normal == pytest.approx(want["p_two_sided_randomisation"], rel=1e-8)


RESIDUAL = [
    ("08_spatial_Wheat2_one_block", "row_col", lambda: wheat(2), "yield", ("row", "col")),
    ("08_spatial_Wheat2", "variety_block", wheat, "yield", ("Block", "variety")),
    ("08_spatial_Wheat2", "row_col", wheat, "yield", ("row", "col", "variety")),
    ("08_spatial_OrchardSprays", "latin_square", orchard, "decrease", ("row", "col", "treatment")),
    ("08_spatial_OrchardSprays", "treatment_only", orchard, "decrease", ("treatment",)),
]


@pytest.mark.parametrize(("case", "name", "data", "y", "model"), RESIDUAL)
def test_moran_of_residuals_has_the_moments_of_residuals(case: str, name: str, data, y: str, model) -> None:
    d = data()
    e, X = residuals(d, y, *model)
    want = results(case)[f"{name}.residual_moran"]
    for standardised, style in ((False, "B"), (True, "W")):
        got = morans_i(e, d["row"], d["col"], permutations=0, design=X, standardised=standardised)
        assert got.statistic == pytest.approx(want[style]["I"], rel=1e-7)
        assert got.expected == pytest.approx(want[style]["E"], rel=1e-7, abs=1e-10)
        assert got.variance == pytest.approx(want[style]["var"], rel=1e-7)
        assert got.p_normal == pytest.approx(want[style]["p_two_sided"], rel=1e-6)


def test_the_plain_formula_would_have_claimed_what_is_not_there() -> None:
    """Wheat2, block 2, rows and columns taken out: 0.007 by the plain moments, 0.92 by those of residuals."""
    d = wheat(2)
    e, X = residuals(d, "yield", "row", "col")
    plain = morans_i(e, d["row"], d["col"], permutations=999, seed=1)
    right = morans_i(e, d["row"], d["col"], permutations=999, seed=1, design=X)
    assert plain.p_normal == pytest.approx(0.00701354, rel=1e-4)
    assert right.p_normal == pytest.approx(0.91775, rel=1e-4)
    assert right.p_two_sided > 0.5, "also by permutation, each fitted again"


@pytest.mark.parametrize(("case", "name", "data", "y"), RAW)
def test_permutation_p(case: str, name: str, data, y: str) -> None:
    d = data()
    want = results(case)[f"{name}.permutation"]["p_greater"]
    assert morans_i(d[y], d["row"], d["col"], permutations=9999, seed=1).p == pytest.approx(want, abs=0.02)


TYPE_TWO = [
    ("08_spatial_Wheat2_one_block", "row_col", lambda: wheat(2), "yield", {"rf": "row", "cf": "col"}),
    ("08_spatial_Wheat2", "row_col", wheat, "yield", {"rf": "row", "cf": "col", "variety": "variety"}),
]


@pytest.mark.parametrize(("case", "name", "data", "y", "terms"), TYPE_TWO)
def test_rows_and_columns_type_two(case: str, name: str, data, y: str, terms: dict[str, str]) -> None:
    d = data()
    want = results(case)[f"{name}.type2"]
    got = place_anova(
        d[y].to_numpy(dtype=float), np.ones((len(d), 1)), {key: columns(d, column) for key, column in terms.items()}
    ).set_index("term")
    for key in terms:
        assert got.loc[key, "ss"] == pytest.approx(cell(want, "Sum Sq", key), rel=1e-8)
        assert got.loc[key, "df"] == cell(want, "Df", key)
        assert got.loc[key, "f"] == pytest.approx(cell(want, "F value", key), rel=1e-8)
    assert got.loc["residual", "df"] == cell(want, "Df", "Residuals")


def test_a_latin_square() -> None:
    d = orchard()
    want = results("08_spatial_OrchardSprays")["latin_square.model_anova"]
    terms = {"rf": columns(d, "row"), "cf": columns(d, "col"), "treatment": columns(d, "treatment")}
    got = place_anova(d["decrease"].to_numpy(dtype=float), np.ones((64, 1)), terms).set_index("term")
    for key in terms:  # orthogonal, so the order of terms does not matter
        assert got.loc[key, "f"] == pytest.approx(cell(want, "F value", key), rel=1e-8)
        assert got.loc[key, "p"] == pytest.approx(cell(want, "Pr(>F)", key), rel=1e-7)


def test_randomised_block_by_hand() -> None:
    """Own arithmetic: 4 blocks x 3 treatments, SST 70.9167, treatments 44.6667, blocks 25.5833, rest 0.6667, F 201."""
    y = np.array([12, 15, 11, 14, 18, 13, 10, 14, 9, 13, 16, 12.0])
    blocks, treatment = np.eye(4)[np.repeat(range(4), 3)], np.eye(3)[np.tile(range(3), 4)]
    got = place_anova(y, blocks, {"treatment": treatment}).set_index("term")
    assert got.loc["treatment", "ss"] == pytest.approx(44.6667, abs=5e-5)
    assert got.loc["residual", "ss"] == pytest.approx(0.6667, abs=5e-5)
    assert (got.loc["treatment", "f"], got.loc["residual", "df"]) == (pytest.approx(201.0), 6)
