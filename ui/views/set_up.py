"""Set-up: from an empty home to the first reading, step by step; later, more trays. What is done is read from the home
itself.

Forms stand outside the parts that renew themselves, so that nothing typed is lost to a message that comes in.
"""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any
from zoneinfo import available_timezones

import streamlit as st

from tidetray.ingest.core.readings import CHANNELS, ID_PATTERN, TidetrayError
from tidetray.ingest.home.health import examine_recorder
from tidetray.ingest.home.set_up import HeardNode, broker_is_chosen, can_add_trays, heard, nodes_password
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.settings.model import RECORD_FILE, Settings, home_folder, load_settings
from tidetray.ingest.store import queries
from tidetray.ingest.store.home_lock import is_recording
from tidetray.ingest.store.recording import open_store
from tidetray.ui import words
from tidetray.ui.changes import setting_up
from tidetray.ui.columns import each_row
from tidetray.ui.parts import look
from tidetray.ui.parts.head import title
from tidetray.ui.tag import tag
from tidetray.ui.web import sign_in
from tidetray.ui.web.start import STARTED

REFRESH_S = 3
OWN, OTHER = "tidetray's own: nothing to install", "one that runs already"
CULTURES = {
    "mixed": "flooded and drained in turn",
    "emersed": "always dry above the roots",
    "submersed": "always under water",
}
NEW = "a new one"


def page() -> None:
    told = st.session_state.pop("set_up_told", None)
    if told:
        look.say(*told)
    if not sign_in.may("manage"):
        sign_in.say_look_only()
        look.say("note", "Setting up takes somebody who manages the record.")
        return
    with look.clear_words():
        settings = load_settings(home_folder())
        chosen = broker_is_chosen(home_folder())
        at_work = is_recording(home_folder())
    if setting_up.first_run(home_folder()):
        look.small(
            "There is no trial yet. Have you a trial's file? 'tidetray load trial.toml' takes it, in place "
            "of this page."
        )
    _broker(settings, chosen=chosen, at_work=at_work)
    if not chosen and not at_work:
        return
    nodes = _heard(settings)
    on_the_air(settings, nodes)
    _trays([node for node in nodes if node.tray])
    first_readings()


def _step(number: int, title: str) -> None:
    st.subheader(f"{number}. {title}", anchor=False)


def _broker(settings: Settings, *, chosen: bool, at_work: bool) -> None:
    _step(1, "Broker")
    broker = settings.broker
    if at_work and not chosen:
        look.say("fine", "The recorder that is at work here knows its broker.")
        return
    if not chosen:
        look.small("Nodes send what they measure to an MQTT broker, and the recorder fetches it there.")
        _broker_form(settings)
        return
    where = f"tidetray's own, at port {broker.port}" if broker.listen else f"{broker.host}:{broker.port}"
    look.say("fine", f"{where}.")
    with st.expander("Another broker"):
        _broker_form(settings)


def _broker_form(settings: Settings) -> None:
    broker = settings.broker
    kind = st.radio("Which", (OWN, OTHER), key="b_kind", index=0 if broker.listen or broker.username is None else 1)
    with st.form("broker"):
        if kind == OWN:
            st.toggle("Nodes reach it over the network", value=broker.listen != "127.0.0.1", key="b_network")
            st.text_input("Port", value=str(broker.port), key="b_port")
            look.small(
                "It runs as long as 'tidetray start' does. It asks for a password but does not encrypt: for "
                "your own network only. It forgets what it has not delivered when it ends, so it is for "
                "nodes with a journal, which send again. For months on end, and for other sensors, take a "
                "broker with TLS (ingest/running.md)."
            )
        else:
            st.text_input("Address", value=broker.host, key="b_host")
            st.text_input("Port", value=str(broker.port), key="b_port_other")
            st.text_input("User (empty: none)", value=broker.username or "", key="b_user")
            st.text_input("Password", type="password", key="b_password", autocomplete="off")
            st.text_input(
                "File of the authority's certificate, for TLS (empty: no TLS)",
                value=str(broker.ca_file or ""),
                key="b_ca",
            )
        st.form_submit_button(
            "Use it" if kind == OWN else "Try it", type="primary", on_click=_act, args=(_save_broker, kind)
        )


def _save_broker(kind: str) -> str:
    state, home = st.session_state, home_folder()
    if kind == OWN:
        told = setting_up.save_own_broker(home, port=state["b_port"], on_the_network=state["b_network"])
    else:
        told = setting_up.save_broker(
            home,
            {
                "host": state["b_host"],
                "port": state["b_port_other"],
                "username": state["b_user"],
                "password": state["b_password"],
                "ca_file": state["b_ca"],
            },
        )
        state["b_password"] = ""
    sign_in.note("broker changed in the settings")
    return told


@st.fragment(run_every=REFRESH_S)
def on_the_air(settings: Settings, shown: tuple[HeardNode, ...]) -> None:
    """The recorder, and who speaks. Once that changes the whole page is drawn anew, with a form for the new tray."""
    _step(2, "Recorder and nodes")
    recorder = examine_recorder(home_folder())
    if recorder.ok:
        look.say("fine", recorder.text[:1].upper() + recorder.text[1:].rstrip(".") + ".")
    elif os.environ.get(STARTED):
        look.say(
            "note",
            (
                "The recorder is starting, or trying to reach the broker. If this stays: what 'tidetray start' "
                "printed says why."
            ),
        )
    else:
        look.say(
            "wrong",
            "No recorder is at work. Stop these pages (Ctrl-C) and type 'tidetray start --home "
            f"{home_folder()}', which keeps broker, recorder and pages running; or start 'tidetray record' "
            "beside them.",
        )
    nodes = _heard(settings)
    if _keys(nodes) != _keys(shown):
        st.rerun(scope="app")
    now, first = datetime.now(UTC), setting_up.first_run(home_folder())
    lines = tuple(_heard_line(node, now) for node in nodes)
    if lines:
        look.say("fine", "On the air:", lines)
    elif recorder.ok and first:
        look.say("note", "No node has sent anything yet. This page looks again every few seconds.")
    elif recorder.ok:
        look.small("All nodes that send readings have their trays. A new one appears here automatically.")
    with st.expander("What to write into a node", expanded=first and recorder.ok and not nodes):
        _for_a_node(settings)


def _heard_line(node: HeardNode, now: datetime) -> str:
    when = "" if node.received is None else f", {words.age(node.received, now)}"
    if not node.tray:
        return f"{node.node} of site {node.site}: no reading of a tray yet{when}"
    values = ", ".join(f"{_name(channel)} {_value(channel, value)}" for channel, value in sorted(node.values.items()))
    return f"{node.node} of site {node.site} speaks of {node.tray}: {values}{when}"


def _name(channel: str) -> str:
    return channel.replace("_", " ")


def _value(channel: str, value: float) -> str:
    kind = CHANNELS[channel]
    if kind.is_flag:
        return "yes" if value else "no"
    if channel == "level":
        return f"{value * 1000:.0f} mm"
    if channel == "mass":
        return f"{value * 1000:.1f} g"
    unit = {"Cel": "°C", "%RH": "%", "%EL": "%"}.get(kind.unit, kind.unit)
    return f"{value:,.0f} {unit}".strip() if abs(value) >= 100 else f"{value:.3g} {unit}".strip()


def _for_a_node(settings: Settings) -> None:
    broker = settings.broker
    host = setting_up.own_address() if broker.listen or broker.host in {"127.0.0.1", "localhost"} else broker.host
    site = settings.record.site or "nursery"
    node = {"site": site, "node": "bench-1", "host": host, "port": broker.port}
    if broker.ca_file is None:
        node["ca_file"] = ""
    look.small(
        "In its node.json, beside its sensors (firmware_notes/README.md); the site is a name of your own, "
        "a-z, 0-9 and '-':"
    )
    st.code(json.dumps(node), language="json", wrap_lines=True)
    if broker.listen:
        look.small("In its secrets.json, beside the name and password of your Wi-Fi:")
        with look.clear_words():
            st.code(
                json.dumps({"user": "nodes", "password": nodes_password(home_folder())}),
                language="json",
                wrap_lines=True,
            )
    else:
        look.small("In its secrets.json: the user and password that your broker has for it.")
    if broker.listen == "127.0.0.1":
        look.say(
            "note",
            (
                "The broker listens on this machine only: a node elsewhere does not reach it. 'Another broker' "
                "above changes that."
            ),
        )


def _trays(nodes: list[HeardNode]) -> None:
    if not nodes:
        return
    _step(3, "Its tray")
    with _reading() as store:
        if store is None:
            return
        if not can_add_trays(home_folder(), store):
            look.say(
                "note",
                "Your trial is kept in a file elsewhere: add the tray there, then 'tidetray load' that file again.",
            )
            return
        plan = next((Notebook(store).plan(trial.name) for trial in Notebook(store).trials()), None)
    sites = sorted({node.site for node in nodes})
    site = plan.trial.site if plan else sites[0] if len(sites) == 1 else st.selectbox("Site", sites, key="s_site")
    names = sorted({node.tray for node in nodes if node.site == site})
    for other in sites if plan else ():
        if other != site:
            look.say(
                "note",
                (
                    f"A node says site {other}; this trial is of site {site}. Correct the node's site, or "
                    "begin a separate trial."
                ),
            )
    if not names:
        return
    treatments = [treatment.name for treatment in plan.treatments] if plan else []
    which = st.selectbox("Treatment", [*treatments, NEW], key="s_which") if plan else NEW
    culture = (
        st.radio("The plants are", list(CULTURES), format_func=CULTURES.get, key="s_culture") if which == NEW else None
    )
    with st.form("trays"):
        st.multiselect(
            "Trays of the same kind" if len(names) > 1 else "Tray", names, default=names, key=_trays_key(names)
        )
        if plan is None:
            _trial_fields()
        if which == NEW:
            st.text_input(
                "Name of the treatment", value="floods" if culture == "mixed" else culture, key=f"s_treatment_{culture}"
            )
        if culture == "mixed":
            left, right = st.columns(2)
            left.selectbox("Floods a day", range(1, 49), index=5, key="s_floods")
            right.text_input("Minutes under water each time", value="15", key="s_wet_minutes")
        look.small("Measure inside the tray. What you leave empty is unknown, and pages show what needs it.")
        figures = [(key, label) for key, (label, _) in setting_up.FIGURES.items()]
        for pair in zip(figures[::2], figures[1::2], strict=True):
            for column, (key, label) in zip(st.columns(2), pair, strict=True):
                column.text_input(label, key=f"s_{key}")
        st.text_input("Bench or shelf", key="s_bench", placeholder="such as north")
        left, middle, right = st.columns(3)
        left.selectbox("Rows of pots", range(1, 31), index=1, key="s_rows")
        middle.selectbox("Columns of pots", range(1, 31), index=3, key="s_columns")
        right.text_input("Empty net pot, grams", key="s_tare_g", placeholder="such as 30.2")
        look.small(
            "Pots are named after their positions. One mass for all empty pots is less certain than weighing each."
        )
        look.say("note", words.MAINS)
        st.form_submit_button(
            "Add tray to the trial",
            type="primary",
            width="stretch",
            on_click=_act,
            args=(_save_trays, site, which, culture, names),
        )


def _trial_fields() -> None:
    zones = sorted(available_timezones())
    own = st.context.timezone
    st.text_input("Name of the trial", value="first", key="s_trial")
    st.text_input("Species", key="s_species", placeholder="such as Micranthemum")
    st.selectbox("Clock of the site", zones, index=zones.index(own if own in zones else "UTC"), key="s_zone")


def _trays_key(names: list[str]) -> str:
    # a field of its own for each choice: the last one's would come back with trays that are no longer to be had
    return f"chosen trays of {' '.join(names)}"


def _save_trays(site: str, which: str, culture: str | None, names: list[str]) -> str:
    state = st.session_state
    if not ID_PATTERN.fullmatch(site):
        raise TidetrayError(f"'{site}' is no name of a site", mend="Use a-z, 0-9 and '-'")
    typed: dict[str, Any] = {
        key.removeprefix("s_"): value for key, value in state.items() if isinstance(key, str) and key.startswith("s_")
    }
    typed |= {
        "trays": state[_trays_key(names)],
        "site": site,
        "culture": culture,
        "treatment": which if which != NEW else state[f"s_treatment_{culture}"],
    }
    with sign_in.writing("manage") as store:
        told = setting_up.save_trays(home_folder(), store, typed, now=datetime.now(UTC))
    sign_in.note(f"trays put into the trial: {', '.join(typed['trays'])}")
    return told


@st.fragment(run_every=REFRESH_S)
def first_readings() -> None:
    with _reading() as store:
        if store is None:
            return
        trials = Notebook(store).trials()
        rows = [] if not trials else [row for row in each_row(queries.latest(store, trials[0].site)) if row.tray]
        trays = [] if not trials else [tray.name for tray, _ in Notebook(store).trays(trials[0].site)]
    if not trays:
        return
    _step(4, "First reading")
    now = datetime.now(UTC)
    cards = []
    for tray in trays:
        own = {row.channel: row for row in rows if row.tray == tray}
        if own:
            shown = look.facts(
                {
                    _name(name): f"{_value(name, row.value)}, {words.age(row.time, now)}"
                    for name, row in sorted(own.items())
                }
            )
            cards.append(tag("div", tag("div", tray, tag("span", "✓ recorded"), css="head"), shown, css="tt-card"))
        else:
            cards.append(tag("div", tag("div", tray, tag("span", "nothing yet"), css="head"), css="tt-card unknown"))
    look.cards(cards)
    if rows:
        look.say(
            "fine", "Readings are recorded. The other pages show them from now on; 'Alarms' shows when something fails."
        )
        with st.container(key="onwards"):
            st.page_link("views/trays.py", label="To the trays", width="stretch")


def _heard(settings: Settings) -> tuple[HeardNode, ...]:
    with _reading() as store:
        return () if store is None else heard(store, settings)


def _keys(nodes: tuple[HeardNode, ...]) -> tuple[tuple[str, str, str], ...]:
    return tuple(sorted((node.site, node.node, node.tray) for node in nodes))


class _reading:  # noqa: N801 a context
    """The record, or None while there is none."""

    def __enter__(self) -> Any:
        self._store = None
        if (home_folder() / RECORD_FILE).is_file():
            with look.clear_words():
                self._store = open_store(home_folder() / RECORD_FILE, read_only=True)
        return self._store

    def __exit__(self, *_exc: object) -> None:
        if self._store is not None:
            self._store.close()


def _act(change: Callable[..., str], *args: object) -> None:
    """Carry out a change, and have the page say what became of it."""
    try:
        sign_in.require("manage")
        told = ("fine", change(*args))
    except TidetrayError as error:
        told = ("wrong", f"Nothing was changed. {error}".replace("`", "'"))
    except sqlite3.Error as error:
        told = ("wrong", f"The record could not be written: {error}. Check the disk, then try again")
    st.session_state["set_up_told"] = told


title("set_up")
page()
