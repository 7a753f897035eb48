"""Pictures of a comparison: pots and trays of one day, growth over time, differences of pairs, wet against dry.

In: frames as `tidetray.analysis.compare.trial` and `TrialData.masses` have them. Out: Vega-Lite specifications as plain
dicts, in the palette of `analysis/pictures/base.py`. Colour never tells alone: every treatment has its name, place or
shape.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from tidetray.analysis.compare.tables import claimed
from tidetray.analysis.pictures import palette as p
from tidetray.analysis.pictures.base import Spec, layer, measured, named, plain, treatment_scales

ROW_PX = 110
MANY_POTS = 120
"""Of more pots the thin lines are those of trays (geometric means): single ones could not be told apart."""

_GRID = 60

_EVERY_DECADE: Spec = {"labelSeparation": 0}
"""On a log scale names make way from below upwards: with more room between them 0.9 would stand and 1 would not."""


def pots_of_a_day(masses: pd.DataFrame, treatments: list[str], trays: pd.DataFrame, kinds: Mapping[str, str]) -> Spec:
    """Every treatment a row, in the order given: where most pots lie as a hill, each pot a point below it, tray means
    as large marks.

    Parameters
    ----------
    masses : DataFrame
        `treatment, tray, pot, net_g` [g].
    treatments : list of str
        In the order of the rows.
    trays : DataFrame
        `treatment, tray, mean` [g], as in `Comparison.tray_means`.
    kinds : Mapping[str, str]
        Treatment -> its kind, all of the trial in the order of its file.

    Returns
    -------
    Spec
    """
    place = {name: float(-n) for n, name in enumerate(treatments)}
    low, high = float(masses["net_g"].min()), float(masses["net_g"].max())
    room = 0.12 * (high - low or 1.0)
    edges = (max(low - room, 0.0), high + room)
    mass = measured("net_g") | {"title": "mass, g", "scale": {"domain": list(edges), "nice": False}}
    axes = {"x": mass, "y": measured("at") | _rows_named(place)}
    colour, _ = treatment_scales(kinds, treatments, legend=False)
    about = [named("pot"), named("tray"), {**measured("net_g"), "format": ".2f", "title": "mass, g"}]
    scatter = np.random.default_rng(0)
    layers = []
    for name, at in place.items():
        own = masses[masses["treatment"] == name]
        if len(own) > 2 and own["net_g"].nunique() > 1:
            floor = {"y2": {"field": "floor"}, "color": colour}
            layers.append(layer(_hill(own["net_g"], name, at, edges), {"type": "area", "opacity": 0.35}, axes | floor))
        points = own[["treatment", "tray", "pot", "net_g"]].assign(at=at - 0.12 - 0.16 * scatter.uniform(size=len(own)))
        look = {"type": "point", "filled": True, "size": 34, "opacity": 0.65}
        layers.append(layer(points, look, axes | {"color": colour, "tooltip": about}))
    marks = trays.assign(at=trays["treatment"].map(place) - 0.2, net_g=trays["mean"])
    about_tray = [named("tray"), {**measured("net_g"), "format": ".2f", "title": "mean of the tray, g"}]
    diamond = {
        "type": "point",
        "shape": "diamond",
        "size": 170,
        "fill": p.PAPER,
        "stroke": p.INK,
        "strokeWidth": 2.2,
        "opacity": 1,
    }
    layers.append(layer(marks, diamond, axes | {"tooltip": about_tray}))
    return plain(layers, height=ROW_PX * len(treatments))


def _rows_named(place: Mapping[str, float]) -> dict[str, Any]:
    """Scale and axis that name a row per treatment, the hill of the topmost included."""
    axis = {
        "title": None,
        "grid": False,
        "values": list(place.values()),
        "labelFontWeight": "bold",
        "labelLimit": 140,
        "labelExpr": f"{_as_object({str(int(v)): name for name, v in place.items()})}[datum.value]",
    }
    return {"scale": {"domain": [-len(place) + 0.45, 0.6], "nice": False}, "axis": axis}


def _hill(masses_g: pd.Series[float], treatment: str, at: float, edges: tuple[float, float]) -> pd.DataFrame:
    """Where the masses lie, as a hill on the row at `at`, cut off at the edges of the picture."""
    width_g = float(masses_g.std()) * len(masses_g) ** -0.2  # Scott's rule
    tail_g = 2.5 * width_g
    over = np.linspace(max(masses_g.min() - tail_g, edges[0]), min(masses_g.max() + tail_g, edges[1]), _GRID)
    height = np.exp(-0.5 * ((over[:, None] - masses_g.to_numpy()) / width_g) ** 2).sum(axis=1)
    return pd.DataFrame({"treatment": treatment, "net_g": over, "at": at + 0.42 * height / height.max(), "floor": at})


def growth_over_time(masses: pd.DataFrame, means: pd.DataFrame, kinds: Mapping[str, str]) -> Spec:
    """Means of trays with their 95 % interval over single pots; mass on a log scale, so that steady growth is straight.

    Parameters
    ----------
    masses : DataFrame
        `treatment, tray, pot, day, net_g` [g].
    means : DataFrame
        `treatment, day, mass_g, low, high` [g].
    kinds : Mapping[str, str]
        Treatment -> its kind, all of the trial in the order of its file.

    Returns
    -------
    Spec
    """
    x = measured("day") | {"title": "days", "axis": {"tickMinStep": 1}}
    low, high = float(masses["net_g"].min()), float(masses["net_g"].max())
    scale = {"type": "log", "domain": [low / 1.15, high * 1.15], "nice": False}
    y = measured("mass_g") | {"scale": scale, "title": "mass, g (log scale)", "axis": _EVERY_DECADE}
    colour, shape = treatment_scales(kinds, masses["treatment"].unique())
    thin_of = "pot" if masses["pot"].nunique() <= MANY_POTS else "tray"
    pots = masses[["treatment", "tray", "pot", "day", "net_g"]].rename(columns={"net_g": "mass_g"})
    if thin_of == "tray":
        logs = pots.assign(mass_g=np.log(pots["mass_g"]))
        pots = logs.groupby(["treatment", "tray", "day"], as_index=False).agg(mass_g=("mass_g", "mean"))
        pots["mass_g"] = np.exp(pots["mass_g"])
    # opacity of the stroke, not of the mark: a file's drawer takes a layer of its own for each mark with one
    thin = {"type": "line", "strokeWidth": 0.7, "opacity": 1, "strokeOpacity": 0.28, "tooltip": None}
    marks = {"type": "point", "filled": True, "size": 70, "opacity": 1}
    about = [
        named("treatment"),
        measured("day"),
        *({**measured(c), "format": ".2f"} for c in ("mass_g", "low", "high")),
    ]
    limits = means.dropna(subset=["low"])
    layers = [layer(pots, thin, {"x": x, "y": y, "color": colour, "detail": named(thin_of)})]
    if len(limits):
        area = {"type": "area", "opacity": 0.22}
        lower = {**measured("low"), "scale": scale, "title": y["title"]}
        layers.append(layer(limits, area, {"x": x, "y": lower, "y2": {"field": "high"}, "color": colour}))
    layers += [
        layer(means, {"type": "line", "strokeWidth": 2.5}, {"x": x, "y": y, "color": colour}),
        layer(_nothing_missing(means), marks, {"x": x, "y": y, "color": colour, "shape": shape, "tooltip": about}),
    ]
    return plain(layers, height=380)


def pot_over_time(of_tray: pd.DataFrame, own: pd.DataFrame, treatment: str, kinds: Mapping[str, str]) -> Spec:
    """One pot's masses over the thin lines of the other pots on its tray.

    Parameters
    ----------
    of_tray : DataFrame
        `pot, day, net_g` [g].
    own : DataFrame
        `day, net_g` [g], every weighing.
    treatment : str
        The pot's.
    kinds : Mapping[str, str]
        Treatment -> its kind, all of the trial in the order of its file.

    Returns
    -------
    Spec
    """
    x = measured("day") | {"title": "days", "axis": {"tickMinStep": 1}}
    low = min(float(each["net_g"].min()) for each in (of_tray, own) if len(each))
    high = max(float(each["net_g"].max()) for each in (of_tray, own) if len(each))
    scale = {"type": "log", "domain": [low / 1.15, high * 1.15], "nice": False}
    y = measured("net_g") | {"scale": scale, "title": "mass, g (log scale)", "axis": _EVERY_DECADE}
    colour, shape = p.treatment_looks(kinds).get(treatment, (p.INK, p.SHAPES[0]))
    thin = {"type": "line", "strokeWidth": 0.8, "color": p.QUIET, "strokeOpacity": 0.5, "tooltip": None}
    about = [measured("day"), {**measured("net_g"), "format": ".2f", "title": "mass, g"}]
    mark = {"type": "point", "filled": True, "size": 90, "opacity": 1, "color": colour, "shape": shape}
    own = own[["day", "net_g"]]
    return plain(
        [
            layer(of_tray, thin, {"x": x, "y": y, "detail": named("pot")}),
            layer(_of_each_day(own), {"type": "line", "strokeWidth": 3, "color": colour}, {"x": x, "y": y}),
            layer(own, mark, {"x": x, "y": y, "tooltip": about}),
        ],
        height=340,
    )


def _of_each_day(own: pd.DataFrame) -> pd.DataFrame:
    """The mean of each day: a pot that was weighed twice did not shrink in between."""
    return own.groupby(own["day"].round().to_numpy())[["day", "net_g"]].mean()


def means_of_trays(masses: pd.DataFrame) -> pd.DataFrame:
    """Geometric means of the trays' geometric means, without limits.

    Parameters
    ----------
    masses : DataFrame
        `treatment, tray, day, net_g` [g].

    Returns
    -------
    DataFrame
        `treatment, day, mass_g, low, high` [g], the last two NaN.
    """
    logs = masses.assign(mass_g=np.log(masses["net_g"]))
    trays = logs.groupby(["treatment", "tray", "day"], as_index=False)["mass_g"].mean()
    means: pd.DataFrame = trays.groupby(["treatment", "day"], as_index=False)["mass_g"].mean()
    return means.assign(mass_g=np.exp(means["mass_g"]), low=np.nan, high=np.nan)


def differences(pairs: pd.DataFrame, *, factor: float, title: str) -> Spec:
    """Each pair's difference with its 95 % interval; a filled mark where it leaves out zero, a grey one untested.

    Parameters
    ----------
    pairs : DataFrame
        `a, b, estimate, low, high, p`.
    factor : float
        From their unit to the one that is drawn.
    title : str
        Of the axis, with its unit.

    Returns
    -------
    Spec
    """
    pairs = claimed(pairs)
    rows = pd.DataFrame(
        {
            "pair": [f"{a} − {b}" for a, b in zip(pairs["a"], pairs["b"], strict=True)],
            "estimate": pairs["estimate"] * factor,
            "low": pairs["low"] * factor,
            "high": pairs["high"] * factor,
            "told": np.select(
                [pairs["p"].isna(), pairs["p"] < 0.05], ["not tested", "more than chance"], "may be chance"
            ),
        }
    )
    y = named("pair") | {"title": None, "sort": None, "axis": {"labelLimit": 220}}
    x = measured("estimate") | {"title": title}
    lower = measured("low") | {"title": title}
    legend = {"title": None, "orient": "top", "columns": 1}
    states = {"more than chance": p.INK, "may be chance": p.PAPER, "not tested": p.LINE}
    shown = {state: colour for state, colour in states.items() if state in set(rows["told"])}
    fill = named("told") | {"scale": {"domain": list(shown), "range": list(shown.values())}, "legend": legend}
    about = [named("pair"), *({**measured(c), "format": ".3g"} for c in ("estimate", "low", "high")), named("told")]
    zero = pd.DataFrame({"estimate": [0.0]})
    layers = [
        layer(zero, {"type": "rule", "strokeDash": [4, 4], "color": p.QUIET}, {"x": x}),
        layer(
            rows.dropna(subset=["low"]),
            {"type": "rule", "strokeWidth": 2.5, "color": p.INK},
            {"y": y, "x": lower, "x2": {"field": "high"}},
        ),
        layer(
            rows,
            {"type": "point", "size": 110, "stroke": p.INK, "strokeWidth": 2, "opacity": 1},
            {"y": y, "x": x, "fill": fill, "tooltip": about},
        ),
    ]
    return plain(layers, height=44 * len(rows) + 20)


def wet_against_dry(masses: pd.DataFrame, kinds: Mapping[str, str]) -> Spec:
    """Each dried pot: wet mass across, dry mass up; lines where water is 90, 93 and 96 % of the wet mass.

    Parameters
    ----------
    masses : DataFrame
        `treatment, tray, pot, net_g, dry_g` [g].
    kinds : Mapping[str, str]
        Treatment -> its kind, all of the trial in the order of its file.

    Returns
    -------
    Spec
    """
    colour, shape = treatment_scales(kinds, masses["treatment"].unique())
    x = measured("net_g") | {"title": "wet mass, g", "scale": {"zero": True}}
    y = measured("dry_g") | {"title": "dry mass, g", "scale": {"zero": True}}
    top = float(masses["net_g"].max()) * 1.05
    lines = pd.DataFrame(
        [{"water": f"{w} % water", "net_g": g, "dry_g": g * (100 - w) / 100} for w in (90, 93, 96) for g in (0.0, top)]
    )
    about = [
        named("pot"),
        named("tray"),
        named("treatment"),
        *({**measured(c), "format": ".3f"} for c in ("net_g", "dry_g")),
    ]
    ends = lines[lines["net_g"] > 0]
    dashes = {"type": "line", "strokeDash": [4, 4], "strokeWidth": 1, "color": p.QUIET}
    layers = [
        layer(lines, dashes, {"x": x, "y": y, "detail": named("water")}),
        layer(
            ends,
            {"type": "text", "align": "right", "dy": -6, "color": p.QUIET},
            {"x": x, "y": y, "text": named("water")},
        ),
        layer(
            masses[["treatment", "tray", "pot", "net_g", "dry_g"]],
            {"type": "point", "size": 70, "strokeWidth": 2},
            {"x": x, "y": y, "color": colour, "shape": shape, "tooltip": about},
        ),
    ]
    return plain(layers, height=360)


def _nothing_missing(rows: pd.DataFrame) -> pd.DataFrame:
    """None for NaN: a page takes no NaN."""
    return rows.astype(object).where(rows.notna(), None)


def _as_object(names: dict[str, Any]) -> str:
    """A dict as an expression of Vega's, whatever the names hold."""
    return json.dumps(names, ensure_ascii=False)
