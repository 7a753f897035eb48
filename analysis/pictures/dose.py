"""The chart of tuning: growth against a dose, every tray a dot, plausible curves as a band.

In: frames of `tidetray.analysis.dose.fit.ResponseFit`. Out: a Vega-Lite specification as a plain dict, in the palette.
Fits nothing.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from tidetray.analysis.dose.fit import ResponseFit
from tidetray.analysis.pictures import palette as p
from tidetray.analysis.pictures.base import Spec, layer, measured, named, plain, treatment_scales

HEIGHT = 400


def response_chart(
    fit: ResponseFit, title: str, treatments: dict[tuple[str, str], str], kinds: Mapping[str, str]
) -> Spec:
    """The response of trays to a dose; growth is drawn in % a day.

    Shaded ground: the tested doses. Darker: where the best lies, where that may be claimed. Rule: the best tested dose.

    Parameters
    ----------
    fit : ResponseFit
        As from `fit_response`; its units are the dots.
    title : str
        Of the dose.
    treatments : dict[tuple[str, str], str]
        (trial, tray) -> the name of the dot.
    kinds : Mapping[str, str]
        That name -> the kind of treatment, which gives the dot its looks.

    Returns
    -------
    Spec
    """
    units = fit.units.assign(
        response=100 * fit.units["response"],
        treatment=[
            treatments.get((trial, tray), "") for trial, tray in zip(fit.units["trial"], fit.units["tray"], strict=True)
        ],
    )
    band = fit.band.assign(**{name: 100 * fit.band[name] for name in ("response", "low", "high")})
    low, high = float(units["dose"].min()), float(units["dose"].max())
    room = 0.03 * (high - low or 1.0)
    x = {
        **measured("dose"),
        "title": title,
        "scale": {"domain": [low - room, high + room], "nice": False},
        "axis": {"grid": False},
    }
    values = np.r_[units["response"], band["low"], band["high"]] if len(band) else units["response"].to_numpy()
    floor = (
        min(float(np.nanmin(values)), 0.0)
        if np.nanmin(values) < 0.4 * np.nanmax(values)
        else 0.9 * float(np.nanmin(values))
    )
    ceiling = float(np.nanmax(values)) + 0.05 * (float(np.nanmax(values)) - floor or 1.0)
    y_scale = {"domain": [floor, ceiling], "nice": False}
    y = {**measured("response"), "title": "growth, % a day", "scale": y_scale}
    tested = pd.DataFrame({"dose": [low], "to": [high]})
    layers = [layer(tested, {"type": "rect", "color": "#eef3ea"}, {"x": x, "x2": {"field": "to"}})]
    if len(band):
        limits = {"x": x, "y": {**measured("low"), "title": y["title"], "scale": y_scale}, "y2": {"field": "high"}}
        layers.append(layer(band, {"type": "area", "color": p.DEEP, "opacity": 0.16}, limits))
        layers.append(layer(band, {"type": "line", "color": p.DEEP, "strokeWidth": 2.5}, {"x": x, "y": y}))
    if np.isfinite(fit.region_low):
        region = pd.DataFrame({"dose": [fit.region_low], "to": [fit.region_high]})
        shade = {"type": "rect", "color": p.FINE, "opacity": 0.18}
        layers.append(layer(region, shade, {"x": x, "x2": {"field": "to"}}))
    if np.isfinite(fit.best_tested):
        best = pd.DataFrame({"at": [fit.best_tested]})
        rule = {"type": "rule", "color": p.FINE, "strokeWidth": 2, "strokeDash": [6, 3]}
        layers.append(layer(best, rule, {"x": {**measured("at"), "scale": x["scale"], "title": title}}))
    colour, shape = treatment_scales(kinds, units["treatment"].unique())
    about = [
        named("trial"),
        named("tray"),
        named("treatment"),
        {**measured("dose"), "format": ".2f", "title": title},
        {**measured("response"), "format": ".2f", "title": "growth, % a day"},
    ]
    dot = {"type": "point", "size": 110, "strokeWidth": 2.5, "filled": False, "opacity": 1}
    layers.append(layer(units, dot, {"x": x, "y": y, "color": colour, "shape": shape, "tooltip": about}))
    return plain(layers, height=HEIGHT)
