"""What to do about places: which to even out or leave empty, how to block the next layout, what is at risk now.

In: pots with what is left over and what their place explains, the features tested. Out: a `PositionAdvice` in plain
words with the figures behind it. Tests nothing itself; where nothing is settled it advises nothing but a layout.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from tidetray.analysis.base.words import signed

RISK_SHARE = 0.25
"""From this share of a comparison's own standard error on, uneven places count as a risk (common practice, no
source)."""

_IN_TURN = (
    "Trays changed treatments during the trial: whether positions bias the comparison of treatments was not "
    "worked out. Between the runs of one tray they do not, since its pots stayed in their places."
)


@dataclass(frozen=True)
class PositionAdvice:
    """`even_out`: line (as 'column 1'), effect, n_pots, of settled rows and columns that fall behind, worst first.

    `block_by`: "row", "column" or "" (nothing to block by). `balance`: treatment, place_effect (mean over its pots),
    n_trays. `at_risk`: whether places may have tilted the comparison of treatments; None where that cannot be told.
    """

    even_out: pd.DataFrame
    block_by: str
    balance: pd.DataFrame
    at_risk: bool | None
    sentences: tuple[str, ...]


def advise(
    pots: pd.DataFrame,
    places: pd.DataFrame,
    clear: pd.DataFrame,
    *,
    response: str,
    treatment: str | None,
    tray: str,
    explained: float,
    unit: str,
) -> PositionAdvice:
    """`pots`: with `residual` and `place_effect`; `places`: row, column, effect, n_trays; `clear`: those of
    `Positions.features` that may be called clear."""
    settled = clear.set_index("feature")
    lines = [name for name in ("row", "column") if name in settled.index or f"{name}_trend" in settled.index]
    shares = settled["share"].to_dict()
    block_by = max(lines, key=lambda name: max(shares.get(f"{name}{of}", 0.0) for of in ("", "_trend")), default="")
    even_out = _behind(places, lines)
    if treatment is None:
        balance, at_risk, said = pd.DataFrame(columns=["treatment", "place_effect", "n_trays"]), None, _IN_TURN
    else:
        balance, at_risk, said = _balance(pots, response, treatment, tray, settled=bool(lines))
    sentences = [
        *_even_out_words(even_out, unit),
        *_light_words(settled),
        *_block_words(block_by),
        said,
    ]
    if not len(settled) and not np.isnan(explained):
        sentences.insert(0, "No position clearly needs a change.")
    return PositionAdvice(even_out, block_by, balance, at_risk, tuple(sentences))


def _behind(places: pd.DataFrame, lines: list[str]) -> pd.DataFrame:
    rows = []
    for name in lines:
        weighted = places.assign(total=places["effect"] * places["n_trays"]).groupby(name)[["total", "n_trays"]].sum()
        effects = (weighted["total"] / weighted["n_trays"]).to_dict()
        rows += [
            (f"{name} {at}", effect, int(weighted["n_trays"].to_dict()[at]))
            for at, effect in effects.items()
            if effect < 0
        ]
    table = pd.DataFrame(rows, columns=["line", "effect", "n_pots"])
    return table.sort_values("effect", ignore_index=True)


def _even_out_words(even_out: pd.DataFrame, unit: str) -> list[str]:
    if even_out.empty:
        return []
    factor, said = (100, "percentage points a day") if unit == "1/day" else (1, unit)
    first = even_out.head(4)
    listed = ", ".join(
        f"{line} ({signed(factor * effect)} {said})"
        for line, effect in zip(first["line"], first["effect"], strict=True)
    )
    return [
        f"Fell behind the mean of their tray: {listed}. Even these out first (lamp, inlet, draught); until "
        "then leave them empty or fill them with pots that are not weighed."
    ]


def _light_words(settled: pd.DataFrame) -> list[str]:
    if "light_factor" not in settled.index:
        return []
    if settled["estimate"].to_dict()["light_factor"] < 0:
        return ["Pots in brighter places fell behind: shade the middle, or raise the lamp and run it longer."]
    return [
        (
            "Measured light is linked to growth. Unplug the lamp before you move it: raise it, add a second one, "
            "or put the tray under its middle."
        )
    ]


def _block_words(block_by: str) -> list[str]:
    if not block_by:
        return [("Next layout: positions need no blocks; still place pots at random, and keep them where they are.")]
    other = "rows" if block_by == "column" else "columns"
    return [
        f"Next layout: take each {block_by} as a block. Whatever is compared within a tray is equally often in every"
        f" {block_by}, drawn at random along its {other}; then keep the pots where they are. "
        "Moving pots around mixes positions into every pot instead."
    ]


def _balance(
    pots: pd.DataFrame, response: str, treatment: str, tray: str, *, settled: bool
) -> tuple[pd.DataFrame, bool | None, str]:
    each = pots.groupby([treatment, tray], sort=True).agg(
        place_effect=("place_effect", "mean"), mean=(response, "mean")
    )
    groups = each.groupby(level=0)
    balance = pd.DataFrame({"place_effect": groups["place_effect"].mean(), "n_trays": groups.size()}).reset_index(
        names="treatment"
    )
    if len(balance) < 2:
        return balance, None, "There is one treatment only: no comparison that places could tilt."
    tilt = float(np.ptp(balance["place_effect"]))
    if tilt < 1e-9 * max(float(pots[response].abs().max()), 1e-300):
        return (
            balance,
            False,
            "Position does not bias the comparison of treatments: each treatment is in the same positions. It only "
            "adds scatter between pots.",
        )
    if not settled:
        return (
            balance,
            None,
            "No row or column is clearly better or worse. Whether places tilt the comparison of treatments cannot be "
            "said from that: small differences could have been missed.",
        )
    spare = balance["n_trays"].to_numpy() - 1
    if spare.sum() < 1:
        return (
            balance,
            None,
            "With one tray per treatment the risk from position is unknown: compare after adjusting for position.",
        )
    spread = float(np.sqrt((groups["mean"].var(ddof=1).fillna(0) * spare).sum() / spare.sum()))
    at_risk, said = _tilt_against(spread * float(np.sqrt(2 / balance["n_trays"].mean())), tilt, balance)
    return balance, at_risk, said


def _tilt_against(error: float, tilt: float, balance: pd.DataFrame) -> tuple[bool, str]:
    """Whether the largest difference in position counts beside the comparison's standard error, and the sentence."""
    ranked = balance.sort_values("place_effect")["treatment"].to_list()
    worst, best = ranked[0], ranked[-1]
    if tilt > RISK_SHARE * error:
        return True, (
            f"The comparison of treatments is at risk from place: {best} is in better positions than {worst}, by "
            f"{100 * tilt / error:.0f} % of the comparison's standard error. Compare after adjusting for position."
        )
    return False, (
        f"Treatments are in slightly different positions ({best} best, {worst} worst), too little to tilt "
        "their comparison."
    )
