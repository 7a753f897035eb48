"""Growth against published figures: rates, Hoffmann and Poorter's bias, curves of R and of NIST."""

import csv
import json
import math
from pathlib import Path

import numpy as np
import pytest

from tidetray.analysis.growth.curves import fit_curve
from tidetray.analysis.growth.rates import doubling_time, relative_growth_rate

DATA = Path(__file__).parent / "data"
REFERENCE = json.loads((DATA / "growth_curves.json").read_text(encoding="utf-8"))
COLUMNS = {"Orange": ("age", "circumference"), "ChickWeight": ("Time", "weight"), "Loblolly": ("age", "height")}


def series(data: str, where: list | None) -> tuple[list[float], list[float]]:
    with (DATA / f"{data}.csv").open(encoding="utf-8", newline="") as file:
        rows = [row for row in csv.DictReader(file) if where is None or row[where[0]] == str(where[1])]
    x, y = COLUMNS[data]
    return [float(row[x]) for row in rows], [float(row[y]) for row in rows]


# Formula: Hoffmann and Poorter 2002, Ann Bot 90:37-42, equation 2 (read; they cite Hunt 1982); the numbers are own
# arithmetic.
@pytest.mark.parametrize(
    ("pot", "rgr", "doubling"),
    [
        ((1.0, 2.0, 10.0), 0.069315, 10.00),
        ((10.0, 15.0, 14.0), 0.028962, 23.93),
        ((5.0, 5.5, 7.0), 0.013616, 50.91),
        ((20.0, 18.0, 7.0), -0.015052, -46.05),
    ],
)
def test_rates(pot, rgr, doubling):
    rate = relative_growth_rate(*pot)
    assert rate == pytest.approx(rgr, abs=5e-7)
    assert doubling_time(rate) == pytest.approx(doubling, abs=5e-3)


def test_the_mean_of_logarithms_is_used_not_the_logarithm_of_the_mean():
    # Hoffmann and Poorter 2002, Ann Bot 90:37-42 (abstract read); the cases are own arithmetic.
    two = relative_growth_rate(np.array([1.0, 1.0]), np.array([2.0, 8.0]), 10.0)
    assert two.mean() == pytest.approx(0.13863, abs=5e-6)  # ln of means: 0.16094
    three = relative_growth_rate(np.array([8.0, 10.0, 12.0]), np.array([12.0, 18.0, 20.0]), 14.0)
    assert three.mean() == pytest.approx(0.035811, abs=5e-7)
    assert three.std(ddof=1) == pytest.approx(0.006538, abs=5e-7)


def test_curves_through_known_points():
    # K = 100 g, W0 = 5 g, r = 0.2 /day: forms of R's SSlogis and SSgompertz (help pages read), numbers by own
    # arithmetic.
    days = np.arange(0.0, 41.0, 4.0)
    logistic = fit_curve(days, 100 / (1 + 19 * np.exp(-0.2 * days)), "logistic")
    assert logistic.mass_g([0, 10, 30]) == pytest.approx([5, 28.0005, 95.5022], abs=5e-5)
    assert logistic.params["xmid"] == pytest.approx(14.7222, abs=5e-5)
    gompertz = fit_curve(days, 100 * np.exp(math.log(0.05) * np.exp(-0.2 * days)), "gompertz")
    assert gompertz.mass_g([0, 10, 30]) == pytest.approx([5, 66.6691, 99.2602], abs=5e-5)
    # inflection where b2 * b3**day = 1, at K/e
    turn = math.log(gompertz.params["b2"]) / -math.log(gompertz.params["b3"])
    assert turn == pytest.approx(5.4859, abs=5e-5)
    assert gompertz.mass_g(turn) == pytest.approx(36.788, abs=5e-4)


@pytest.mark.parametrize("case", REFERENCE["fits"], ids=lambda case: f"{case['data']}-{case['kind']}-{case['where']}")
def test_curves_of_r(case):
    # R 4.2.2, nls with SSlogis or SSgompertz; sources and calls are in growth_curves.json.
    fit = fit_curve(*series(case["data"], case["where"]), case["kind"])
    assert list(fit.params.values()) == pytest.approx(case["estimate"], rel=1e-5)
    assert list(fit.se.values()) == pytest.approx(case["se"], rel=1e-4)
    assert fit.rss == pytest.approx(case["rss"], rel=1e-8)
    assert fit.aicc == pytest.approx(case["AICc"], rel=1e-8)
    assert fit.df == case["df"]


@pytest.mark.parametrize("case", REFERENCE["nls_does_not_converge"], ids=lambda case: f"Chick-{case['Chick']}")
def test_where_r_finds_no_logistic_none_is_claimed(case):
    with pytest.raises(ValueError, match="logistic curve"):
        fit_curve(*series("ChickWeight", ["Chick", case["Chick"]]), "logistic")


RAT42 = ([9.0, 14, 21, 28, 42, 57, 63, 70, 79], [8.93, 10.8, 18.59, 22.33, 39.35, 56.11, 61.73, 64.62, 67.08])
RAT43 = (
    list(range(1, 16)),
    [
        16.08, 33.83, 65.80, 97.20, 191.55, 326.20, 386.87, 520.53, 590.03, 651.92, 724.93, 699.56, 689.96, 637.56,
        717.41,
    ],
)  # fmt: skip


# NIST StRD nonlinear regression, both of higher difficulty: start 1, start 2 and the certified values as NIST
# gives them, and the program's own (None). Read in public copies of the data sheets, not on the NIST page itself.
@pytest.mark.parametrize("b", [(100, 1, 0.1), (75, 2.5, 0.07), (7.2462237576e01, 2.6180768402, 6.7359200066e-02), None])
def test_nist_rat42(b):
    """Ratkowsky 1983, pp. 61 and 88: y = b1 / (1 + exp(b2 - b3 x)), so that xmid = b2 / b3 and scal = 1 / b3."""
    start = None if b is None else {"Asym": b[0], "xmid": b[1] / b[2], "scal": 1 / b[2]}
    fit = fit_curve(*RAT42, "logistic", start=start)
    b3 = 1 / fit.params["scal"]
    assert fit.params["Asym"] == pytest.approx(7.2462237576e01, rel=1e-8)
    assert fit.params["xmid"] * b3 == pytest.approx(2.6180768402, rel=1e-8)
    assert b3 == pytest.approx(6.7359200066e-02, rel=1e-8)
    assert fit.rss == pytest.approx(8.0565229338, rel=1e-9)
    assert fit.df == 6
    assert fit.se["Asym"] == pytest.approx(1.7340283401, rel=1e-7)
    assert fit.se["scal"] * b3**2 == pytest.approx(3.4465663377e-03, rel=1e-7)


RAT43_CERTIFIED = (6.9964151270e02, 5.2771253025, 7.5962938329e-01, 1.2792483859)


@pytest.mark.parametrize("b", [(100, 10, 1, 1), (700, 5, 0.75, 1.3), RAT43_CERTIFIED, None])
def test_nist_rat43(b):
    """Ratkowsky 1983, pp. 62 and 88: y = b1 / (1 + exp(b2 - b3 x))^(1 / b4)."""
    start = None if b is None else {"Asym": b[0], "xmid": b[1] / b[2], "scal": 1 / b[2], "nu": b[3]}
    fit = fit_curve(*RAT43, "richards", start=start)
    found = (fit.params["Asym"], fit.params["xmid"] / fit.params["scal"], 1 / fit.params["scal"], fit.params["nu"])
    assert found == pytest.approx(RAT43_CERTIFIED, rel=1e-7)
    assert fit.rss == pytest.approx(8.7864049080e03, rel=1e-9)
    assert fit.se["Asym"] == pytest.approx(1.6302297817e01, rel=1e-6)
    assert fit.se["scal"] / fit.params["scal"] ** 2 == pytest.approx(1.9566123451e-01, rel=1e-6)
    assert fit.se["nu"] == pytest.approx(6.8761936385e-01, rel=1e-6)
