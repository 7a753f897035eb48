"""Places: a map of each tray, whether place went with growth, how pots grew apart, and what to do about it."""

from __future__ import annotations

import pandas as pd
import streamlit as st

from analysis.trays_now import natural
from ui import charts_place, look
from ui.head import head
from ui.pictures import draw, files, picture
from ui.place_reading import place_view
from ui.place_views import PlaceView
from ui.reading import chosen_trial

NEIGHBOURS = {
    "beside, before and behind": "rook",
    "at the corners too": "queen",
    "along the row": "row",
    "along the column": "column",
}
# So many maps are drawn at first: a browser takes seconds over forty.
MAPS = 9
_FEATURES = {
    "row": "row", "column": "column", "edge": "edge or middle", "inlet_distance": "distance from the inlet",
    "light_factor": "light at the place", "height_m": "height above the floor",
}  # fmt: skip
_HEADINGS = {
    "feature": ("of the place", 0), "estimate": ("%/day each", 2), "low": ("from", 2), "high": ("to", 2), "f": ("F", 2),
    "df_num": ("df", 0), "df_den": ("of", 0), "p": ("p", 3), "p_adjusted": ("p, Holm", 3), "share": ("share %", 0),
    "n_pots": ("pots", 0), "n_trays": ("trays", 0),
}  # fmt: skip


def page() -> None:
    with look.clear_words():
        view = place_view(chosen_trial(), NEIGHBOURS[st.session_state.get("neighbours", "beside, before and behind")])
    if view.positions is None:
        look.say("note", view.why_not, view.cautions)
    else:
        _answers(view)
        _map(view)
        _figures(view)
    _spread(view)


def _answers(view: PlaceView) -> None:
    if view.positions is None:
        return
    first, *more = view.positions.sentences
    settled = view.positions.explained_p < 0.05
    look.say("note" if settled else "fine", first, tuple(more))
    risky = view.positions.advice.at_risk is True
    look.say("wrong" if risky else "fine", "What to do:", view.positions.advice.sentences)
    if view.cautions:
        look.say("note", "Before you read on:", view.cautions)


def _map(view: PlaceView) -> None:
    if view.positions is None:
        return
    st.subheader("The trays from above", anchor=False)
    look.small(
        "▲ grew faster than the mean of its tray, ▼ slower, the larger the more; the bold number says by how much, in points of % a day. "
        "Shade and small number: light at the place, against the tray's own sensor."
    )
    pots = view.positions.pots
    pots = pots.assign(residual_pct=100 * pots["residual"], growth_pct=100 * pots["rgr_per_day"])
    if "light_factor" not in pots.columns:
        pots["light_factor"] = float("nan")
    largest = float(pots["residual_pct"].abs().max())
    trays = view.trays.sort_values("tray", key=lambda names: names.map(natural)).to_dict("records")
    shown = [tray for tray in trays if (pots["tray"] == tray["tray"]).any()]
    if len(shown) > MAPS and not st.toggle(
        f"All {len(shown)} trays, not only the {MAPS} whose pots differ most", key="all_maps"
    ):
        most = pots["residual_pct"].abs().groupby(pots["tray"]).max().nlargest(MAPS).index
        shown = [tray for tray in shown if tray["tray"] in most]
    wide = int(pots["column"].max()) > 5
    per_line = 2 if wide else 3
    maps: list[tuple[str, charts_place.Spec]] = []
    for first in range(0, len(shown), per_line):
        for column, tray in zip(st.columns(per_line), shown[first : first + per_line], strict=False):
            with column:
                st.markdown(f"**{tray['tray']}** · {tray['treatment']}")
                look.small(_water(tray))
                own = pots[pots["tray"] == tray["tray"]]
                drawn = charts_place.tray_map(own, pd.Series(tray), largest)
                maps.append((f"{tray['tray']}, {tray['treatment']}: {_water(tray)}", drawn))
                draw(drawn)
    look.small("These maps as one file, to print or to show a friend:")
    files(charts_place.whole_map(maps), "places", view.positions.pots)


def _water(tray: dict[str, float]) -> str:
    if pd.isna(tray["wet_h_d"]):
        return "water: unknown all the time"
    unknown = f", {100 * tray['unknown_share']:.0f} % of the time unknown" if tray["unknown_share"] > 0.005 else ""
    light = "" if pd.isna(tray["light_mol_m2_d"]) else f" · light {tray['light_mol_m2_d']:.1f} mol/m² a day"
    return f"≈ under water {tray['wet_h_d']:.1f} h a day{unknown}{light}"


def _figures(view: PlaceView) -> None:
    if view.positions is None:
        return
    st.subheader("The figures", anchor=False)
    st.selectbox("Neighbours are the pots", list(NEIGHBOURS), key="neighbours")
    features = view.positions.features
    table = features.assign(
        feature=features["feature"].map(_FEATURES),
        share=100 * features["share"],
        **{name: 100 * features[name] for name in ("estimate", "low", "high")},
    )
    columns = {
        name: st.column_config.NumberColumn(heading, format=f"%.{digits}f")
        if name != "feature"
        else st.column_config.TextColumn(heading, pinned=True)
        for name, (heading, digits) in _HEADINGS.items()
    }
    st.dataframe(table, hide_index=True, column_config=columns)
    look.small(
        "Each is asked alone, of pots of one tray. Share: of the spread between pots of a tray. 'p, Holm' allows for asking several. "
        "%/day each: per place further from the inlet, per whole tray's light, per metre of height."
    )


def _spread(view: PlaceView) -> None:
    if view.spread is None:
        return
    st.subheader("How pots grew apart", anchor=False)
    first, *more = view.spread.sentences
    look.say("note", first, tuple(more))
    picture(charts_place.spread_over_time(view.spread.split), "spread", view.spread.split)
    look.small("The variance of ln mass around the means of treatments, and what it is owed to.")


head("Places")
page()
