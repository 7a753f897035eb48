"""Growth: what each pot grew, beside the hours it stood dry and wet. Compares nothing."""

from __future__ import annotations

import pandas as pd
import streamlit as st

from tidetray.analysis.pictures import base
from tidetray.ui.cache.reading import GrowthView, as_csv, chosen_trial, growth_view
from tidetray.ui.cli import printing
from tidetray.ui.parts import look
from tidetray.ui.parts.head import head
from tidetray.ui.parts.pictures import picture
from tidetray.ui.words import many

WHOLE = "the whole trial"
SHOWN = (
    "pot",
    "tray",
    "treatment",
    "rgr_per_day",
    "rgr_u_per_day",
    "dry_h_day",
    "wet_h_day",
    "unknown_h",
    "mass_start_g",
    "mass_end_g",
    "days",
    "floods",
    "dli_mol_m2_d",
    "dry_lit_h",
    "dry_dark_h",
    "wet_lit_h",
    "wet_dark_h",
)


def page() -> None:
    with look.clear_words():
        view = growth_view(chosen_trial())
    if view.whole.empty:
        look.say(
            "note", "Growth needs two weigh-ins of a pot: there are none yet. Weigh all pots, and again in a week."
        )
        return
    parts = _intervals(view.intervals, view.zone)
    chosen = st.selectbox("Growth from one weigh-in to another, over", (WHOLE, *parts))
    table = view.whole if chosen == WHOLE else view.intervals.loc[parts[chosen]]
    _cautions(view, table)
    points = base.dry_points(table)
    if len(points) < len(table):
        look.say(
            "note", f"Not drawn: {many(len(table) - len(points), 'pot')} whose surroundings are unknown all the time."
        )
    _charts(points)
    _table(table, view.zone)


def _intervals(intervals: pd.DataFrame, zone: str) -> dict[str, pd.Index]:
    """Rows by the days of their two weigh-ins, the latest first."""
    start, end = (intervals[name].dt.tz_convert(zone) for name in ("start", "end"))
    keys = pd.DataFrame({"end": end.dt.date, "start": start.dt.date})
    groups = keys.groupby(["end", "start"]).groups
    return {f"{b.day} {b:%b} to {e.day} {e:%b %Y}": rows for (e, b), rows in sorted(groups.items(), reverse=True)}


def _cautions(view: GrowthView, table: pd.DataFrame) -> None:
    trays = table.drop_duplicates("tray").groupby("treatment", sort=True).size()
    counted = ", ".join(f"{name} {n}" for name, n in trays.items())
    lines = [
        f"Trays of each treatment: {counted}. Pots of one tray share its water, its light and its luck: the "
        "tray counts, not the pot. This page shows; it claims nothing about treatments."
    ]
    unknown = table[table["unknown_h"] > 0.05]
    if len(unknown):
        lines.append(
            f"{many(len(unknown), 'pot')} of {len(table)} had unknown hours, up to "
            f"{unknown['unknown_h'].max():.1f} h of {unknown['hours'].max():.0f} h. They count neither as "
            "dry nor as wet."
        )
    lines.append("Fresh mass holds water too: blot alike each time, or water is taken for growth.")
    look.say("note", "Before you read on:", (*lines, *view.cautions))


def _charts(points: pd.DataFrame) -> None:
    st.subheader("Growth against dry hours a day", anchor=False)
    if points.empty:
        return
    order = sorted(
        points["treatment"].unique(), key=lambda name: points.loc[points["treatment"] == name, "dry_h_day"].mean()
    )
    picture(base.growth_against_dry(points, order), "growth-against-dry-hours", points)
    look.small(
        "Each point is a pot; shape and colour tell its treatment. Trays with like dry hours stand side by "
        "side, under their names. A thin line reaches from the least dry hours to the most, by unknown hours."
    )


def _table(table: pd.DataFrame, zone: str) -> None:
    st.subheader("Each pot", anchor=False)
    known_h = table["dry_h"] + table["wet_h"]
    shown = table.assign(
        dry_h_day=24 * table["dry_h"] / known_h.where(known_h > 0),
        wet_h_day=24 * table["wet_h"] / known_h.where(known_h > 0),
        rgr_per_day=100 * table["rgr_per_day"],
        rgr_u_per_day=100 * table["rgr_u_per_day"],
    )[list(SHOWN)]
    headings = printing.HEADINGS | {"dry_h_day": "dry h/day", "wet_h_day": "wet h/day"}
    digits = {"mass_start_g": 2, "mass_end_g": 2, "rgr_per_day": 2, "rgr_u_per_day": 2, "floods": 0}
    columns = {
        name: st.column_config.NumberColumn(headings[name], format=f"%.{digits.get(name, 1)}f")
        if shown[name].dtype.kind in "fi"
        else st.column_config.TextColumn(headings[name], pinned=name == "pot")
        for name in SHOWN
    }
    st.dataframe(shown, hide_index=True, column_config=columns, height=min(38 * (len(shown) + 1), 420))
    st.download_button(
        "Download as CSV", as_csv(table), file_name="growth-and-exposure.csv", mime="text/csv", on_click="ignore"
    )
    look.small("The file holds all columns unrounded: times in UTC, growth per day (not %), masses in g, hours in h.")


head("growth")
page()
