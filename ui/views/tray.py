"""Tray: its state, its channels, drainings, cycles, events, pots, and the calibration of its sensors."""

from __future__ import annotations

from datetime import UTC, datetime
from urllib.parse import quote

import pandas as pd
import streamlit as st

from tidetray.analysis.base.words import capital
from tidetray.ingest.core.readings import CHANNELS
from tidetray.ui import words
from tidetray.ui.cache.reading import alarms_view, trays_view
from tidetray.ui.cache.tray_reading import DAILY_DAYS, RAW_DAYS, TrayView, strips_view, tray_view
from tidetray.ui.charts import tray
from tidetray.ui.charts.strips import KEY
from tidetray.ui.columns import Column, as_csv, columns, each_row
from tidetray.ui.parts import look, tables, tray_cards
from tidetray.ui.parts.head import Chosen, head
from tidetray.ui.parts.pictures import picture
from tidetray.ui.tag import tag

REFRESH_S = 10
CYCLES_SHOWN = 200
_SHOWN_AS = {"level": ("mm", 1000.0), "mass": ("g", 1000.0)}
_UNITS = {"Cel": "°C", "%RH": "% RH", "%EL": "%", "lx": "lx", "V": "V"}


@st.fragment(run_every=REFRESH_S)
def now_of(chosen: Chosen) -> None:
    with look.clear_words():
        view, past = trays_view(chosen.trial), strips_view(chosen.trial)
        alarms, now = alarms_view(), datetime.now(UTC)
    row = next(each for each in each_row(view.trays) if each.tray == chosen.tray)
    look.draw(tray_cards.card(row, past, alarms, now, link=False))
    look.draw(KEY)


def page(chosen: Chosen) -> None:
    if not chosen.tray:
        look.say("note", "No tray of this trial was noted. Add trays in Set-up, then move the pots to them.")
        return
    now_of(chosen)
    with look.clear_words():
        view = tray_view(chosen.trial, chosen.tray, chosen.days)
    zone = view.zone
    _channels(view, chosen)
    _pots(view, zone)
    _drains(view, chosen)
    _events(view, zone)
    _cycles(view, chosen)
    with look.statisticians():
        _calibrations(view)


def _pots(view: TrayView, zone: str) -> None:
    st.subheader("Pots on this tray", anchor=False)
    look.small("; ".join(f"{name}: {value}" for name, value in view.facts.items()) + ".")
    if view.pots.empty:
        look.say("note", "There are no pots on this tray. Add them to the trial's file and load it again.")
        return
    now = datetime.now(UTC)
    items = (
        tag(
            "li",
            tag("a", row.pot, href=f"pot?pot={quote(row.pot)}", target="_self"),
            f" {words.place(row.row, row.column)}: ",
            "not weighed yet" if pd.isna(row.mass_g) else f"{row.mass_g:.2f} g net, {words.age(row.weighed, now)}",
        )
        for row in each_row(view.pots)
    )
    look.draw(tag("ul", *items, css="tt-pots"))


def _drains(view: TrayView, chosen: Chosen) -> None:
    st.subheader("How it drains", anchor=False)
    drains = view.drains.dropna(subset=["share"])
    if view.channels.empty:
        look.small("Nothing was measured in this time, so it is not known.")
        return
    if view.drains.empty:
        look.small("The tray did not drain in this time. Look back further, above.")
        return
    if drains.empty:
        look.small("How long it should take is not known: give the tray's size and drain hole in the trial's file.")
        return
    picture(tray.drain_trend(drains, view.zone), f"{chosen.tray}-draining", view.drains)
    by = {
        "learned": "what this tray usually takes, measured in its own first clean floods",
        "geometry": "worked out from its size and drain hole; a real tray takes at least that long",
    }[drains["expectation"].iloc[0]]
    look.small(f"Each point is a draining. Dashed, 100 %: {by}. Points that climb: the strainer is clogging.")


def _channels(view: TrayView, chosen: Chosen) -> None:
    if view.channels.empty:
        if view.facts.get("node") == "no reading yet":
            look.small(f"Nothing was measured on {chosen.tray} yet: no node has sent a reading of it.")
        else:
            look.say("note", f"No reading of {chosen.tray} in this time. Check its node, or look back further, above.")
        return
    gap = pd.Timedelta(minutes=15) if chosen.days <= RAW_DAYS else pd.Timedelta(hours=1.5)
    gap = pd.Timedelta(days=1.5) if chosen.days >= DAILY_DAYS else gap
    lanes = []
    for name, about in CHANNELS.items():
        rows = view.channels[view.channels["channel"] == name]
        if rows.empty:
            continue
        unit, factor = _SHOWN_AS.get(name, (_UNITS.get(about.unit, ""), 1.0))
        unit = "µmol/m²·s" if name == "ppfd" else "0 off, 1 on" if about.is_flag else unit
        label = about.label.partition(" [")[0]
        heading = f"{capital(label)}{f', {unit}' if unit else ''}"
        broken = pd.Timedelta(days=400) if about.is_flag else gap
        lanes.append(tray.Lane(heading, rows, factor, broken, switch=about.is_flag))
    picture(tray.all_channels(lanes, _floods(view), view.zone), f"{chosen.tray}-measured", view.channels)
    kind = (
        "Single readings"
        if chosen.days <= RAW_DAYS
        else "Means of each day"
        if chosen.days >= DAILY_DAYS
        else "Means of each hour"
    )
    band = " The pale band reaches from the lowest to the highest." if chosen.days > RAW_DAYS else ""
    look.small(
        f"{kind}.{band} Blue behind: flooded. A gap: nothing was measured. With a mouse: drag to move along, turn the "
        "wheel with Shift to zoom, double-click to see all of it again."
    )


def _floods(view: TrayView) -> pd.DataFrame:
    """`from, to` of the floods of this time; one that has not ended lasts until the last reading."""
    cycles = view.cycles[view.cycles["outcome"] != "no flood"]
    began = cycles["flood_start"].fillna(cycles["flood_reached"]).fillna(cycles["drain_start"])
    last = view.channels["time"].max()
    return pd.DataFrame({"from": began, "to": cycles["dry"].fillna(last)}).dropna()


def _cycles(view: TrayView, chosen: Chosen) -> None:
    st.subheader("Floods", anchor=False)
    if view.cycles.empty:
        none = (
            "No flood in this time." if len(view.channels) else "Nothing was measured in this time: floods are unknown."
        )
        look.small(none)
        return
    cycles = view.cycles.head(CYCLES_SHOWN)
    zone, began = view.zone, cycles["flood_start"].fillna(cycles["flood_reached"]).fillna(cycles["drain_start"])
    shown = cycles.assign(flood_start=began)
    tables.show(shown, columns("flood_start", "outcome", "fill_s", "wet_s", "drain_s", "peak_level_m"), zone=zone)
    look.small(
        f"{words.many(len(view.cycles), 'cycle')}"
        + (f", the newest {CYCLES_SHOWN} shown." if len(view.cycles) > CYCLES_SHOWN else ".")
    )
    st.download_button(
        "Download as CSV", as_csv(view.cycles), f"{chosen.tray}-cycles.csv", "text/csv", on_click="ignore"
    )


def _events(view: TrayView, zone: str) -> None:
    st.subheader("Events", anchor=False)
    if view.events.empty:
        look.small(
            "No events for this tray or its pots. Moves, losses and lamp changes are entered on the page Notebook."
        )
        return
    events = view.events
    tables.show(events, columns("time", "kind", "pot", "value", "who", "why") | {"value": Column("to")}, zone=zone)


def _calibrations(view: TrayView) -> None:
    st.subheader("Calibration of the sensors", anchor=False)
    if not view.calibrations:
        look.small(
            "None kept. How to calibrate a level or a light sensor: firmware_notes/calibration.md, then "
            "'tidetray load'."
        )
        return
    rows = [
        {
            "channel": each.channel,
            "on": f"{each.on}",
            "gain": each.gain,
            "offset": each.offset,
            "against": each.against,
            "by": each.who,
            "farthest point": (
                f"{each.farthest:.3g} "
                f"{CHANNELS[each.channel].unit}{' ▲ too far' if each.farthest > each.tolerance else ''}"
            ),
        }
        for each in reversed(view.calibrations)
    ]
    table = pd.DataFrame(rows)
    tables.show(table, columns(*table.columns))


chosen = head("tray", tray=True, days=True)
page(chosen)
