"""Drying to constant mass: when to stop, and how much of a plant is water.

In: masses of one sample between spells in the oven. Out: whether it is dry, its dry mass, and the water
as a fraction of the wet mass. A dried plant is spent; the dry masses of a few sampled pots tell how far the
wet masses of the others can be trusted.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import pandas as pd

from tidetray.analysis.base.columns import need
from tidetray.analysis.base.times import utc_ms

STOP_SHARE = 0.001
"""Dry when a further spell takes no more than this of the last mass. The rule's form was read in ISO 11461:2001, 2.2
("constant mass"), in a copy without its figures; 0.1 % and 4 h are those of ISO 11465, from memory: were they wrong, a
sample would be called dry one weighing too early or too late."""

STOP_SPELL_H = 4.0
"""How long that further spell must be at least [h] (same source)."""


def water_fraction(wet_g: float, dry_g: float) -> float:
    """Water on wet basis: (wet - dry) / wet. ValueError unless 0 < dry <= wet."""
    if not 0 < dry_g <= wet_g:
        raise ValueError("the dry mass must be above zero and not above the wet mass")
    return (wet_g - dry_g) / wet_g


@dataclass(frozen=True)
class Drying:
    """How far a sample is. `last_step`: share of the mass that the last spell took, NaN before there was one.

    `water`: fraction of the wet mass, NaN until dry or where the pot was not weighed wet.
    """

    is_dry: bool
    mass_g: float
    last_step: float
    water: float
    sentences: tuple[str, ...]

    @property
    def figures(self) -> dict[str, float | bool | None]:
        """For machines: what is not known is None."""
        known = {"mass_g": self.mass_g, "last_step": self.last_step, "water_fraction": self.water}
        return {"dry": self.is_dry} | {k: None if math.isnan(v) else v for k, v in known.items()}


def judge_drying(weighings: pd.DataFrame, *, wet_g: float | None = None) -> Drying:
    """Whether a sample is dry: the last STOP_SPELL_H or more took no more than STOP_SHARE of its mass.

    A mass that rose again (moist air, another dish) does not count as constant.

    Parameters
    ----------
    weighings : DataFrame
        `time` (with a zone), `net_g` [g], in any order.
    wet_g : float, optional
        The blotted net mass before [g].

    Returns
    -------
    Drying

    Raises
    ------
    ValueError
        For no weighing, or masses that are not above zero.
    """
    need(weighings, ("time", "net_g"), "dry weighings")
    frame = pd.DataFrame({"ms": utc_ms(weighings["time"], "dry weighings"), "net_g": weighings["net_g"].astype(float)})
    frame = frame.sort_values("ms", kind="stable")
    if frame.empty or not (frame["net_g"] > 0).all():
        raise ValueError("a sample in the oven needs masses above zero")
    mass_g = float(frame["net_g"].iloc[-1])
    if len(frame) == 1:
        said = f"{mass_g:.4g} g so far. Dry on, and weigh again after {STOP_SPELL_H:g} hours."
        return Drying(False, mass_g, math.nan, math.nan, (said,))
    # weighed oftener, the rule still asks what the last four hours took
    since = frame["ms"].iloc[-1] - STOP_SPELL_H * 3_600_000
    at = max(int((frame["ms"].iloc[:-1] <= since).sum()) - 1, 0)
    before_g = float(frame["net_g"].iloc[at])
    hours = float(frame["ms"].iloc[-1] - frame["ms"].iloc[at]) / 3_600_000
    step = (before_g - mass_g) / before_g
    if min(step, 1 - mass_g / float(frame["net_g"].iloc[-2])) < -STOP_SHARE:
        return Drying(
            False,
            mass_g,
            step,
            math.nan,
            (f"{mass_g:.4g} g: heavier than before. Let it cool dry, in a desiccator, and dry on.",),
        )
    if abs(step) > STOP_SHARE:
        said = f"{mass_g:.4g} g: the last {hours:.1f} hours took {step:.2%}, more than {STOP_SHARE:.1%}. Dry on."
        return Drying(False, mass_g, step, math.nan, (said,))
    if hours < STOP_SPELL_H:
        said = (
            f"{mass_g:.4g} g: constant, but only over {hours:.1f} hours. Dry on until {STOP_SPELL_H:g} hours "
            "have passed."
        )
        return Drying(False, mass_g, step, math.nan, (said,))
    told = [
        (
            f"Dry: {mass_g:.4g} g. The last {hours:.1f} hours took {max(step, 0):.2%} (rule: at most "
            f"{STOP_SHARE:.1%} in {STOP_SPELL_H:g} hours, ISO 11465)."
        )
    ]
    water = math.nan
    if wet_g is not None and wet_g >= mass_g:
        water = water_fraction(wet_g, mass_g)
        told.append(f"Water was {water:.1%} of the blotted wet mass ({wet_g:.2f} g).")
    elif wet_g is not None:
        told.append(f"It is heavier dry than it was wet ({wet_g:.2f} g): look for a slip in dish or tare.")
    return Drying(True, mass_g, step, water, tuple(told))
