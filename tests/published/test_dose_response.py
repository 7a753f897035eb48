"""Curves against a dose, against R 4.2.2 (lm, optimize, uniroot, lme4 1.1-31, lmerTest 3.1-3, msm 1.7).

The calls stand in `reference/06_dose_*.json`. Data: Puromycin (Treloar 1974), CO2 (Potvin, Lechowicz and Tardif 1990),
Oats (Yates 1935), ethanol (Brinkman 1981), methionine (Kratzer and Littell 2006), all as in R's packages.
"""

import numpy as np
import pandas as pd
import pytest

from tests.published.compare_reference import close, results, table
from tidetray.analysis.dose.curves import fit_dose_curves
from tidetray.analysis.dose.fit import ResponseFit, fit_response
from tidetray.analysis.dose.profile import CURVES, LEVELLING, Units
from tidetray.analysis.dose.quadratic_top import quadratic_top

R_NAMES = dict(
    zip(
        CURVES, ("mean_only", "linear", "quadratic", "linear_plateau", "quadratic_plateau", "mitscherlich"), strict=True
    )
)


def _sets() -> dict[tuple[str, str], tuple[np.ndarray, np.ndarray]]:
    methionine, ethanol, oats, puromycin, co2 = (
        table(n) for n in ("methionine", "ethanol", "Oats", "Puromycin", "CO2")
    )
    middle = ethanol[(ethanol.E > 0.7) & (ethanol.E < 1.1)]
    quebec = co2[(co2.Type == "Quebec") & (co2.Treatment == "nonchilled")]
    frames = {
        ("methionine", "both"): (methionine, "dose", "gain"),
        ("ethanol", "all_models"): (ethanol, "E", "NOx"),
        ("ethanol", "middle_only"): (middle, "E", "NOx"),
        ("Oats", "all_plots"): (oats, "nitro", "yield"),
        ("CO2", "means_Quebec_nonchilled"): (quebec.groupby("conc", as_index=False).uptake.mean(), "conc", "uptake"),
        ("CO2", "three_doses_Quebec_nonchilled"): (quebec[quebec.conc.isin([95, 350, 1000])], "conc", "uptake"),
    }
    for source in ("DLM", "MHA"):
        frames["methionine", source] = (methionine[methionine["product"].isin(["control", source])], "dose", "gain")
    for name, rows in oats.groupby("Variety"):
        frames["Oats", f"variety_{name}".replace(" ", "_")] = (rows, "nitro", "yield")
    for name, rows in puromycin.groupby("state"):
        frames["Puromycin", str(name)] = (rows, "conc", "rate")
    for (kind, treatment), rows in co2.groupby(["Type", "Treatment"]):
        frames["CO2", f"{kind}_{treatment}"] = (rows, "conc", "uptake")
    return {key: (f[x].to_numpy(dtype=float), f[y].to_numpy(dtype=float)) for key, (f, x, y) in frames.items()}


SETS = _sets()
everywhere = pytest.mark.parametrize("key", sorted(SETS), ids="-".join)


def _fit(key: tuple[str, str]) -> ResponseFit:
    x, y = SETS[key]
    frame = pd.DataFrame({"dose": x, "growth": y, "tray": np.arange(len(x))})
    return fit_response(frame, response="growth", dose="dose", tray="tray", bootstraps=0)


@everywhere
def test_curves_agree(key: tuple[str, str]) -> None:
    reference, fit = results(f"06_dose_{key[0]}")[key[1]], _fit(key)
    for row in fit.curves.itertuples():
        expected = reference[R_NAMES[row.curve]]
        close(row.rss, expected["rss"], 1e-8)
        if expected["AICc"] is None:
            assert np.isnan(row.aicc)
        else:
            close(row.aicc, expected["AICc"], 1e-8)
        if row.curve in LEVELLING[:2] and expected["join_inside_range"]:
            close(row.x0, expected["coef"]["x0"], 0, 1e-5 * np.ptp(SETS[key][0]))
    assert R_NAMES[fit.best] in np.atleast_1d(reference["AICc_best"])


@everywhere
def test_estimates_and_their_standard_errors_agree(key: tuple[str, str]) -> None:
    reference, fit = results(f"06_dose_{key[0]}")[key[1]], _fit(key)
    for curve, rows in fit.estimates.groupby("curve"):
        expected = reference[R_NAMES[curve]]
        if expected.get("join_inside_range") is False or expected.get("x0_at_data_value"):
            continue
        far = (
            expected["coef"].get("B", 0) > 1e6
        )  # B = drop * exp(k * lowest dose): there it says what k says, magnified
        keep = [name != "B" or not far for name in expected["coef"]]
        close(rows["estimate"][keep], np.array(list(expected["coef"].values()))[keep], 1e-5)
        se = np.array([np.nan if v is None else v for v in expected["se"].values()])[keep]
        if np.isfinite(se).all():
            close(rows["se"][keep], se, 1e-4)


@everywhere
def test_profile_limits_of_the_join_agree(key: tuple[str, str]) -> None:
    reference, fit = results(f"06_dose_{key[0]}")[key[1]], _fit(key)
    for row in fit.curves[fit.curves["curve"].isin(LEVELLING[:2])].itertuples():
        expected = reference[R_NAMES[row.curve]]
        limits = [np.nan if v is None else v for v in expected["x0_profileF"]]
        if expected["join_inside_range"]:
            # Between the lowest dose and the next the RSS of the linear plateau does not hang on x0: a limit at the
            # very end is where
            # R's least squares takes its columns for one, not a crossing.
            reach = np.ptp(SETS[key][0])
            low = np.nan if limits[0] < SETS[key][0].min() + 1e-3 * reach else limits[0]
            close([row.x0_low, row.x0_high], [low, limits[1]], 0, 2e-3 * reach)


@everywhere
def test_the_quadratics_top_agrees(key: tuple[str, str]) -> None:
    reference = results(f"06_dose_{key[0]}")[key[1]]["quadratic_optimum"]
    top = _fit(key).quadratic
    assert top is not None
    close(top.x, reference["x_opt"], 1e-8)
    close(top.se_delta, reference["x_opt_se_delta"], 1e-8)
    close([top.delta_low, top.delta_high], reference["delta_ci"], 1e-7)
    close([top.response, top.response_se], [reference["y_at_opt"], reference["y_at_opt_se"]], 1e-8)
    close(top.curvature_t, reference["curvature_t"], 1e-8)
    assert top.is_bounded == reference["fieller_bounded"]
    if top.is_bounded:
        close([top.fieller_low, top.fieller_high], reference["fieller_ci"], 1e-8)


def test_only_ethanol_has_a_top_to_claim() -> None:
    claimed = {key for key in SETS if np.isfinite(_fit(key).region_low)}
    assert claimed == {("ethanol", "all_models"), ("ethanol", "middle_only")}


@pytest.mark.parametrize(
    "key", [("Puromycin", "treated"), ("CO2", "Quebec_nonchilled"), ("CO2", "Mississippi_nonchilled")], ids="-".join
)
def test_a_saturating_response_passes_all_but_the_last_rule(key: tuple[str, str]) -> None:
    top = results(f"06_dose_{key[0]}")[key[1]]["quadratic_optimum"]
    assert top["curvature_p"] < 0.05
    assert top["is_maximum"]
    assert top["fieller_ci_inside_range"]
    fit = _fit(key)
    assert fit.finding == "levels off"
    assert np.isnan(fit.region_low)


@pytest.mark.parametrize(
    ("name", "dose", "response", "trays"),
    [("CO2", "conc", "uptake", ["Plant"]), ("Oats", "nitro", "yield", ["Block", "Variety"])],
)
def test_trays_as_random_effect_agree_with_lme4(name: str, dose: str, response: str, trays: list[str]) -> None:
    data, reference = table(name), results(f"06_dose_{name}")["mixed_quadratic.optimum_delta"]
    codes = pd.factorize(data[trays].agg(" ".join, axis=1))[0]
    units = Units(data[dose].to_numpy(float), data[response].to_numpy(float), np.ones((len(data), 1)), codes)
    top = quadratic_top(units, bootstraps=0)
    close(top.x, reference["x_opt"], 1e-6)
    close(top.se_delta, reference["se_delta"], 1e-5)
    fit = fit_response(data.assign(tray=codes), response=response, dose=dose, tray="tray", bootstraps=0)
    assert fit.quadratic is not None
    close(fit.quadratic.se_delta, reference["se_delta"], 1e-5)


def test_maximum_likelihood_of_a_mixed_line_agrees_with_statsmodels() -> None:
    from statsmodels.regression.mixed_linear_model import MixedLM  # noqa: PLC0415

    data = table("Oats")
    codes = pd.factorize(data["Block"] + data["Variety"])[0]
    x, y = data["nitro"].to_numpy(float), data["yield"].to_numpy(float)
    fits = fit_dose_curves(Units(x, y, np.ones((72, 1)), codes))
    other = MixedLM(y, np.column_stack([np.ones(72), x]), groups=codes).fit(reml=False)
    close(fits.of("linear").log_likelihood, other.llf, 1e-7)
    close(list(fits.of("linear").estimates.values()), other.fe_params, 1e-4)
