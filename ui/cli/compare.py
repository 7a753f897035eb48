"""`tidetray compare` and the curves of `tidetray growth`: printed for people, or as JSON with all tables."""

from __future__ import annotations

from typing import Any

import click
import pandas as pd

from tidetray.analysis.compare.trial import TrialComparison
from tidetray.analysis.growth.rates import doubling_time
from tidetray.ui.cli import printing

MEANS: printing.Shown = {
    "treatment": ("treatment", 1, 0),
    "estimate": ("mean g", 1, 3),
    "low": ("from", 1, 3),
    "high": ("to", 1, 3),
    "n_trays": ("trays", 1, 0),
    "n_pots": ("pots", 1, 0),
}
PAIRS: printing.Shown = {
    "a": ("treatment", 1, 0),
    "b": ("less", 1, 0),
    "estimate": ("g", 1, 3),
    "low": ("from", 1, 3),
    "high": ("to", 1, 3),
    "percent": ("%", 1, 0),
    "df": ("df", 1, 1),
    "p": ("p", 1, 4),
}
RATES: printing.Shown = {
    "treatment": ("treatment", 1, 0),
    "rate_per_day": ("growth %/day", 100, 2),
    "low_per_day": ("from", 100, 2),
    "high_per_day": ("to", 100, 2),
    "doubling_d": ("doubles in days", 1, 1),
    "doubling_low_d": ("from", 1, 1),
    "doubling_high_d": ("to", 1, 1),
    "n_trays": ("trays", 1, 0),
    "n_pots": ("pots", 1, 0),
}
RATE_PAIRS: printing.Shown = {
    "a": ("treatment", 1, 0),
    "b": ("less", 1, 0),
    "estimate": ("points of %/day", 100, 2),
    "low": ("from", 100, 2),
    "high": ("to", 100, 2),
    "df": ("df", 1, 1),
    "p": ("p", 1, 4),
}
TESTS: printing.Shown = {
    "term": ("of", 1, 0),
    "method": ("method", 1, 0),
    "f": ("F", 1, 3),
    "df_num": ("df", 1, 0),
    "df_den": ("and", 1, 1),
    "p": ("p", 1, 4),
}
LAG: printing.Shown = {
    "treatment": ("treatment", 1, 0),
    "stock": ("stock", 1, 0),
    "lost_d": ("days lost", 1, 1),
    "low": ("from", 1, 1),
    "high": ("to", 1, 1),
    "p": ("p", 1, 4),
    "n_trays": ("trays", 1, 0),
}


def print_comparison(found: TrialComparison, *, as_json: bool) -> None:
    if as_json:
        printing.print_json(as_plain(found))
        return
    for sentence in found.sentences:
        click.echo(sentence)
    for caution in found.cautions:
        click.echo(f"Note: {caution}")
    click.echo(f"\nMass after {found.day} days; 95 % intervals, p for all pairs together, trays counted and not pots")
    printing.listed(found.at_day.means, MEANS)
    printing.listed(found.at_day.pairs, PAIRS)
    printing.listed(found.at_day.anova, TESTS)
    click.echo(f"\nGrowth over {found.day} days")
    printing.listed(rates(found), RATES)
    printing.listed(found.growth.pairs, RATE_PAIRS)
    printing.listed(found.growth.anova, TESTS)
    if len(found.lag.table):
        click.echo("\nDays lost at first; below zero a head start")
        printing.listed(found.lag.table, LAG)


def rates(found: TrialComparison) -> pd.DataFrame:
    """Growth rates with doubling times: treatment, rate_per_day, low_per_day, high_per_day, doubling_d, doubling_low_d,
    doubling_high_d (NaN: growth too slow or unsure for one), n_trays, n_pots."""
    table = found.growth.rates.rename(
        columns={"estimate": "rate_per_day", "low": "low_per_day", "high": "high_per_day"}
    )
    for column, rate in (
        ("doubling_d", "rate_per_day"),
        ("doubling_low_d", "high_per_day"),
        ("doubling_high_d", "low_per_day"),
    ):
        days = doubling_time(table[rate])
        table[column] = days.where(table[rate] > 0)
    return table


def as_plain(found: TrialComparison) -> dict[str, Any]:
    """All tables as lists of plain rows."""
    day, growth = found.at_day, found.growth
    out: dict[str, Any] = {
        "sentences": list(found.sentences),
        "cautions": list(found.cautions),
        "day": found.day,
        "at_day": {
            name: printing.records(getattr(day, name))
            for name in ("anova", "means", "pairs", "variance", "covariates", "tray_means", "games_howell", "checks")
        },
        "growth": {
            name: printing.records(getattr(growth, name))
            for name in ("anova", "pairs", "days", "variance", "tray_rates")
        }
        | {"rates": printing.records(rates(found))},
        "means": printing.records(found.means),
        "crossings": printing.records(found.crossings.table),
        "lag": printing.records(found.lag.table),
        "to_mass": None,
        "wet_dry": None,
    }
    if found.to_mass:
        curves = found.to_mass.curves
        out["to_mass"] = {
            "mass_g": found.to_mass.mass_g,
            "means": printing.records(found.to_mass.comparison.means) if found.to_mass.comparison else [],
            "pairs": printing.records(found.to_mass.comparison.pairs) if found.to_mass.comparison else [],
            "trays": printing.records(curves.trays),
            "treatments": printing.records(curves.treatments),
        }
    if found.wet_dry:
        out["wet_dry"] = {"pairs": printing.records(found.wet_dry.pairs), "holds": found.wet_dry.holds}
    return out
