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

import streamlit as st

from tidetray.analysis.base.words import capital, natural
from tidetray.analysis.record.trial_data import TrialData
from tidetray.ingest.core.readings import CHANNELS, ID_PATTERN, MAX_GAP_S, TidetrayError
from tidetray.ingest.home.health import examine_recorder
from tidetray.ingest.home.set_up import HeardNode, broker_is_chosen, heard
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.recorder.status import read_state
from tidetray.ingest.settings.model import RECORD_FILE, Settings, home_folder, load_settings
from tidetray.ingest.store import queries
from tidetray.ingest.store.home_lock import is_recording
from tidetray.ingest.store.recording import open_store
from tidetray.ui import words
from tidetray.ui.changes import setting_up
from tidetray.ui.columns import each_row
from tidetray.ui.parts import leaving, look, node_users, signed_in, to_print, trial_form
from tidetray.ui.parts.head import title
from tidetray.ui.tag import tag
from tidetray.ui.web import sign_in
from tidetray.ui.web.start import STARTED

FEW = 12
"""Trays of which the last readings are all shown at once."""

REFRESH_S = 3
OWN, OTHER = "tidetray's own: nothing to install", "one that runs already"


def page() -> None:
    told = st.session_state.pop("set_up_told", None)
    if told:
        look.say(*told)  # of a button; what a form refuses stands under it
    if not sign_in.may("manage"):
        signed_in.say_look_only()
        look.say("note", "Setting up takes somebody who manages the record.")
        return
    with look.clear_words():
        settings = load_settings(home_folder())
        chosen = broker_is_chosen(home_folder())
        at_work = is_recording(home_folder())
    if setting_up.first_run(home_folder()):
        look.draw(
            tag(
                "div",
                "There is no trial yet: begin one below. Past weigh-ins in a spreadsheet need no sensor: ",
                tag("a", words.PAGES["from_sheet"], href="from_sheet", target="_self"),
                ". Or load a trial file that you have: 'tidetray load trial.toml'.",
                css="tt-say tt-note",
            )
        )
    _broker(settings, chosen=chosen, at_work=at_work)
    nodes: tuple[HeardNode, ...] = ()
    if chosen or at_work:
        nodes = _heard(settings)
        on_the_air(settings, nodes)
        node_users.users_of_nodes(settings)
    _trays([node for node in nodes if node.tray], step=3 if chosen or at_work else 2)
    if chosen or at_work:
        first_readings()


def _step(number: int, title: str) -> None:
    st.subheader(f"{number}. {title}", anchor=False)


def _broker(settings: Settings, *, chosen: bool, at_work: bool) -> None:
    _step(1, "Broker")
    broker = settings.broker
    if at_work and not chosen:
        look.say("fine", "The recorder here has a broker already.")
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
            "Use this broker" if kind == OWN else "Try this broker",
            type="primary",
            on_click=_act,
            args=(_save_broker, kind),
        )


def _save_broker(kind: str) -> str:
    state, home = st.session_state, home_folder()
    if kind == OWN:
        told = setting_up.save_own_broker(home, port=state["b_port"], on_the_network=state["b_network"])
        node_users.make_first(load_settings(home))
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
    recorder, runs = examine_recorder(home_folder()), is_recording(home_folder())
    if recorder.ok:
        look.say("fine", capital(recorder.text).rstrip(".") + ".")
    elif os.environ.get(STARTED) or (runs and read_state(home_folder()) is None):
        look.say(
            "note",
            (
                "The recorder is starting, or trying to reach the broker. If this stays, read what 'tidetray start' or "
                "'tidetray record' printed."
            ),
        )
    elif runs:
        look.say("wrong", f"The recorder {recorder.text}.")
    else:
        look.say(
            "wrong",
            "No recorder is running, so nothing is recorded. Stop these pages (Ctrl-C) and type 'tidetray start --home "
            f"{home_folder()}': it keeps broker, recorder and pages running. Or start 'tidetray record' beside them.",
        )
    nodes = _heard(settings)
    if _keys(nodes) != _keys(shown):
        st.rerun(scope="app")
    now, first = datetime.now(UTC), setting_up.first_run(home_folder())
    lines = tuple(_heard_line(node, now) for node in nodes)
    if lines:
        look.say("fine", "Nodes that send readings:", lines)
    elif recorder.ok and first:
        look.say("note", "No node has sent anything yet. This page looks again every few seconds.")
    elif recorder.ok:
        look.small("All nodes that send readings have their trays. A new one appears here automatically.")
    with st.expander("What to write into a node", expanded=first and not nodes):
        _for_a_node(settings)


def _heard_line(node: HeardNode, now: datetime) -> str:
    when = "" if node.received is None else f", {words.age(node.received, now)}"
    if not node.tray:
        return f"{node.node} of site {node.site}: no reading of a tray yet{when}"
    values = ", ".join(f"{_name(channel)} {_value(channel, value)}" for channel, value in sorted(node.values.items()))
    return f"{node.node} of site {node.site} sends readings of {node.tray}: {values}{when}"


def _name(channel: str) -> str:
    return channel.replace("_", " ")


def _value(channel: str, value: float) -> str:
    kind = CHANNELS[channel]
    if kind.is_flag:
        return "yes" if value >= 0.5 else "no"  # an hour's mean has values between
    if channel == "level":
        return f"{value * 1000:.0f} mm"
    if channel == "mass":
        return f"{value * 1000:.1f} g"
    unit = {"Cel": "°C", "%RH": "%", "%EL": "%"}.get(kind.unit, kind.unit)
    return f"{value:,.0f} {unit}".strip() if abs(value) >= 100 else f"{value:.3g} {unit}".strip()


def _for_a_node(settings: Settings) -> None:
    broker = settings.broker
    host = setting_up.own_address() if broker.listen or broker.host in {"127.0.0.1", "localhost"} else broker.host
    site = settings.record.usual_site
    with st.container(horizontal=True, gap="small"):
        name = st.text_input("Name of the node", value="bench-1", key="node_name", max_chars=32, width=200).strip()
        site = st.text_input("Site of the node", value=site, key="node_site", max_chars=32, width=200).strip()
    for label, value in (("Name of the node", name), ("Site of the node", site)):
        if not ID_PATTERN.fullmatch(value):
            look.say("wrong", f"{label}: '{value}' cannot be a name. Use a-z, 0-9 and '-'.")
            return
    node = {"site": site, "node": name, "host": host, "port": broker.port}
    if broker.ca_file is None:
        node["ca_file"] = ""
    look.small("In its node.json, beside its sensors (firmware_notes/README.md). Give every node its own name:")
    st.code(json.dumps(node), language=None, wrap_lines=True)
    if broker.listen:
        look.small("In its secrets.json: its user and password, which 'Users of nodes' below makes.")
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


def _trays(nodes: list[HeardNode], *, step: int) -> None:
    """Trays that were received are recorded by one press; then they are put into a trial, begun here or running."""
    heard_trays = sorted({(node.site, node.tray) for node in nodes if node.tray})
    with _reading() as store:
        notebook = None if store is None else Notebook(store)
        trials = () if notebook is None else notebook.trials_by_interest()
        running = [trial for trial in trials if trial.ended is None]
        known = set() if notebook is None else notebook.tray_names()
        sites = sorted({site for site, _ in [*heard_trays, *known]} | {trial.site for trial in running})
        site = heard_trays[0][0] if heard_trays else sites[0] if sites else _usual_site()
        free = [] if store is None else setting_up.free_trays(store, site)
        offered = None if store is None else setting_up.flood_times_of(store, site, st.context.timezone or "UTC")
        plans = {} if notebook is None else {trial.name: notebook.plan(trial.name) for trial in running}
    _step(step, "Trays and trial")
    if heard_trays:
        names = ", ".join(tray for _, tray in heard_trays)
        st.button(
            f"Record {names} now" if len(names) < 40 else f"Record these {len(heard_trays)} trays now",
            type="primary",
            on_click=_act,
            args=(_record_trays, heard_trays),
        )
        look.small("Their readings are recorded from then on. A trial can be begun at any time after that.")
    trays = sorted({*free, *(tray for at, tray in heard_trays if at == site)}, key=natural)
    if running:
        with st.expander("Add trays to a running trial", expanded=bool(trays) or "added_told" in st.session_state):
            trial_form.add_to(plans, trays)
    with st.expander("Begin another trial" if trials else "Begin a trial", expanded=not running):
        look.small("Which treatments do you want to compare? A trial needs no sensors: weigh by hand, add them later.")
        with st.container(key="new_trial_typed"):  # where `leaving` looks for what is typed
            trial_form.show(site, sites, trays, offered=offered, first=not trials)
    begun = st.session_state.get("begun")
    if begun in plans:
        if "begun_told" in st.session_state:
            with st.container(key="begun"):
                look.say(*st.session_state.pop("begun_told"))
        _print(begun)


def _usual_site() -> str:
    """What a home without trays calls its site: as the settings say."""
    with look.clear_words():
        return load_settings(home_folder()).record.usual_site


def _record_trays(trays: list[tuple[str, str]]) -> str:
    with sign_in.writing("manage") as store:
        told = setting_up.record_trays(store, trays)
    sign_in.note(f"trays recorded: {', '.join(tray for _, tray in trays)}")
    return told


def _print(trial: str) -> None:
    """Labels and map of the trial that was begun a moment ago."""
    with _reading() as store:
        to_print.show(TrialData(store, Notebook(store).trial(trial)))


@st.fragment(run_every=REFRESH_S)
def first_readings() -> None:
    with _reading() as store:
        if store is None:
            return
        known = sorted(Notebook(store).tray_names(), key=lambda each: (each[0], natural(each[1])))
        rows = [row for site in {site for site, _ in known} for row in each_row(queries.latest(store, site))]
        trays = [tray for _, tray in known]
        any_trial = bool(Notebook(store).trials())
    if not trays:
        return
    _step(4, "First reading")
    now = datetime.now(UTC)
    recorded, silent = [], []
    for tray in trays:
        own = {row.channel: row for row in rows if row.tray == tray}
        if own:
            shown = look.facts(
                {
                    _name(name): f"{_value(name, row.value)}, {words.age(row.time, now)}"
                    for name, row in sorted(own.items())
                }
            )
            last = max(row.time for row in own.values())
            said, css = ("✓ recorded", "tt-card") if _comes(last, now) else ("nothing since", "tt-card unknown")
            recorded.append(tag("div", tag("div", tray, tag("span", said), css="head"), shown, css=css))
        else:
            silent.append(tag("div", tag("div", tray, tag("span", "nothing yet"), css="head"), css="tt-card unknown"))
    if len(trays) <= FEW:
        look.cards([*silent, *recorded])
    else:
        look.cards(silent)
        with st.expander(f"{words.many(len(recorded), 'tray')} with readings"):
            look.cards(recorded)
    if rows and any_trial:
        last = max(row.time for row in rows)
        if _comes(last, now):
            look.say(
                "fine",
                "Readings are recorded. The other pages show them from now on; 'Alarms' shows when something fails.",
            )
        else:
            look.say(
                "note",
                f"Nothing comes now: the last reading was {words.age(last, now)}. Check the nodes: do they have power, "
                "are they connected?",
            )
        with st.container(key="onwards"):
            st.page_link("views/trays.py", label="To the trays", width="stretch")


def _comes(last: datetime, now: datetime) -> bool:
    """Whether a reading is as young as readings of a node at work are."""
    return (now - last).total_seconds() <= MAX_GAP_S


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
leaving.guard()
page()
