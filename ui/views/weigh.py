"""Weigh-in on a phone beside the bench: one pot, one mass, one big button, then the next pot.

A pot's label opens this page as `weigh?pot=t1-a1`. Nothing is stored until 'Save'; what is shown as
saved is on disk. What was typed stays in its field until it is saved.
"""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass, field
from datetime import UTC, datetime
from html import escape
from threading import Lock
from typing import Any
from urllib.parse import quote, unquote

import streamlit as st

from ingest.readings import TidetrayError
from ingest.settings import RECORD_FILE, home_folder
from ingest.store import open_store
from ingest.trials import near_names
from ingest.weighing_files import parse_mass_g
from ui import look, words
from ui.entry import Entered, enter_weigh_in
from ui.reading import Bench, bench, chosen_trial, forget_growth

# Comments, not strings, below names: Streamlit prints a string that stands alone in a page.

# A net mass so many times the last one, or the last one so many times it, is asked about before it is saved.
UNLIKELY_CHANGE = 2.5

MASS_LABEL = "Pot with plants, in grams"

# Widgets whose values hold for the session, also while another page is shown. A label's code opens a
# new session, so a cookie carries what is typed only once a day over to that.
KEPT = ("who", "blotted", "decimal_comma")
COOKIES = {"who": "tidetray_who", "decimal_comma": "tidetray_decimal_comma"}
COOKIE_S = 12 * 3600

# Streamlit has no setting for the number keypad of a phone that leaves the field text. The field comes later than this.
_KEYPAD = """<script>/* %s */
{ let tries = 40;
  const timer = setInterval(() => {
    const field = document.querySelector('input[aria-label="%s"]');
    if (!field && --tries) return;
    clearInterval(timer);
    if (!field) return;
    field.setAttribute("inputmode", "decimal"); field.setAttribute("autocomplete", "off");
    if (!field.value) field.focus({preventScroll: true});
  }, 100); }
</script>"""


@dataclass
class Weighing:
    """How far this session is with a pot. `form` counts the forms, so that each begins empty.

    An object that both runs of two quick taps hold: what a run writes into the session itself is
    lost once the second tap has put another run in its place.
    """

    lock: Lock = field(default_factory=Lock)
    pot: str | None = None
    form: int = 0
    problem: str = ""
    doubt: str = ""
    doubted: str = ""
    done: Entered | None = None
    done_at: datetime | None = None

    def start(self, pot: str | None) -> None:
        self.pot, self.form, self.problem, self.doubt, self.done = pot, self.form + 1, "", "", None

    def key(self, name: str) -> str:
        return f"{name}-{self.pot}-{self.form}"


def page() -> None:
    now = datetime.now(UTC)
    with look.clear_words():
        table = bench(chosen_trial())
    _recall()
    weighing = st.session_state.setdefault("weighing", Weighing())
    order = list(table.pots["pot"])
    asked = st.query_params.get("pot", "").strip().casefold()
    pot = asked if asked in order else None
    if weighing.pot != pot:
        weighing.start(pot)
    if asked and pot is None:
        look.say("wrong", f"Trial {table.trial} has no pot '{asked[:40]}'. {near_names(asked[:40], order)}")
    if pot is not None and weighing.done:
        _saved(table, weighing, now)
    elif pot is not None:
        _form(table, weighing, pot, now)
    _choose(table, weighing, now)
    _keep()
    _remember()


def _keep() -> None:
    for name in KEPT:
        if name in st.session_state:
            st.session_state[f"kept_{name}"] = st.session_state[name]


def _recall() -> None:
    cookies = st.context.cookies
    st.session_state.setdefault("kept_who", unquote(cookies.get(COOKIES["who"], ""))[:40])
    st.session_state.setdefault("kept_decimal_comma", cookies.get(COOKIES["decimal_comma"]) == "yes")
    for name in KEPT:
        if f"kept_{name}" in st.session_state:
            st.session_state.setdefault(name, st.session_state[f"kept_{name}"])


def _remember() -> None:
    """Tell the browser what a new session shall find."""
    state = st.session_state
    values = {
        "who": quote(state.get("kept_who", ""), safe=""),
        "decimal_comma": "yes" if state.get("kept_decimal_comma") else "no",
    }
    lines = [
        f'document.cookie = "{COOKIES[k]}={v}; path=/; max-age={COOKIE_S}; SameSite=Lax";' for k, v in values.items()
    ]
    st.html(f"<script>{' '.join(lines)}</script>", unsafe_allow_javascript=True)


def _choose(table: Bench, weighing: Weighing, now: datetime) -> None:
    order, to_do = list(table.pots["pot"]), table.to_do(now)
    if weighing.pot is None and to_do:
        st.button(f"Start with {to_do[0]}", type="primary", width="stretch", on_click=_go, args=(weighing, to_do[0]))
    st.session_state["chosen_pot"] = weighing.pot
    st.selectbox(
        "Another pot" if weighing.pot else "Pot", order, key="chosen_pot", index=None, placeholder="Choose, or type its name",
        on_change=_go_to_chosen, args=(weighing,),
    )  # fmt: skip
    done = len(order) - len(to_do)
    st.progress(done / max(len(order), 1), text=f"{done} of {words.many(len(order), 'pot')} weighed today")


def _form(table: Bench, weighing: Weighing, pot: str, now: datetime) -> None:
    row = table.pots.set_index("pot").loc[pot]
    earlier, today = table.weigh_ins.get(pot, ()), table.today(pot, now)
    st.html(
        f'<div class="tt-pot">{escape(pot)}</div><div class="tt-small">{escape(row["tray"])}, row {row["row"]}, column {row["column"]}'
        f" · {escape(row['treatment'])} · empty {row['tare_g']:.2f} g</div>"
    )
    if today:
        last = today[-1]
        look.say(
            "note",
            f"Weighed today already, at {words.clock(last.time, table.zone, now)}: {last.net_g:.2f} g net. "
            "Another weighing is noted beside it, with the next replicate number.",
        )
    elif earlier:
        look.small(f"Last time {earlier[-1].net_g:.2f} g net, {words.age(earlier[-1].time, now)}")
    replicate = max((w.replicate for w in today), default=0) + 1
    with st.form(weighing.key("form"), border=False):
        st.text_input(MASS_LABEL, key=weighing.key("gross"), placeholder="such as 48.3", max_chars=40)
        if weighing.problem:
            look.say("wrong", f"Not saved. {weighing.problem}")
        if weighing.doubt:
            look.say("note", f"Not saved yet. {weighing.doubt} Right? Press save once more. Else mend it above.")
        label = "Yes, save it" if weighing.doubt else "Save"
        st.form_submit_button(label, type="primary", width="stretch", on_click=_save, args=(table, weighing, pot))
        st.segmented_control(
            "Blotted dry?", (True, False), key="blotted", format_func=lambda yes: "yes" if yes else "no",
            required=True, **_default("blotted", True),
        )  # fmt: skip
        st.segmented_control(
            "Replicate", tuple(range(1, replicate + 3)), key=weighing.key("replicate"), required=True,
            **_default(weighing.key("replicate"), replicate),
        )  # fmt: skip
        st.text_input("Who weighs", key="who", max_chars=40)
        st.toggle("Decimal comma: 48,3", key="decimal_comma")
    st.html(_KEYPAD % (weighing.key("form"), MASS_LABEL), unsafe_allow_javascript=True)


def _default(key: str, value: object) -> dict[str, Any]:
    """A default only where the session holds no value: Streamlit takes one or the other."""
    return {} if key in st.session_state else {"default": value}


def _save(table: Bench, weighing: Weighing, pot: str) -> None:
    """Runs before the page is drawn again, and for two quick taps twice at a time: the second finds the pot done."""
    with weighing.lock:
        if weighing.pot == pot and weighing.done is None:
            _keep()
            _save_once(table, weighing, pot, datetime.now(UTC))


def _save_once(table: Bench, weighing: Weighing, pot: str, now: datetime) -> None:
    state = st.session_state
    typed, comma = state[weighing.key("gross")], state["decimal_comma"]
    agreed, weighing.doubt, weighing.problem = weighing.doubt, "", ""
    try:
        doubt = _doubt(table, pot, typed, comma)
        if doubt and (agreed, weighing.doubted) != (doubt, typed):
            weighing.doubt, weighing.doubted = doubt, typed
            return
        with open_store(home_folder() / RECORD_FILE) as store:
            entered = enter_weigh_in(
                store, table.trial, pot, typed, now=now, replicate=state[weighing.key("replicate")],
                blotted=state["blotted"], who=state["who"].strip(), decimal_comma=comma,
            )  # fmt: skip
    except TidetrayError as error:
        weighing.problem = _one_line(error)
    except sqlite3.Error as error:
        weighing.problem = f"The record could not be written: {error}. Check the disk, then press save again"
    else:
        weighing.done, weighing.done_at = entered, now
        forget_growth()


def _doubt(table: Bench, pot: str, typed: str, comma: bool) -> str:
    """Why a mass is unlikely, or nothing. EntryError if it is none."""
    earlier = table.weigh_ins.get(pot, ())
    tare_g = float(table.pots.set_index("pot").loc[pot, "tare_g"])
    net_g = parse_mass_g(typed, comma) - tare_g
    if not earlier or net_g <= 0 or earlier[-1].net_g <= 0:
        return ""
    times = net_g / earlier[-1].net_g
    if 1 / UNLIKELY_CHANGE <= times <= UNLIKELY_CHANGE:
        return ""
    return f"{net_g:.2f} g net would be {times:.2g} times the last one ({earlier[-1].net_g:.2f} g)."


def _one_line(error: TidetrayError) -> str:
    """The first thing wrong, without the words a phone has no room for."""
    fault = getattr(error, "faults", (error,))[0]
    text = f"{fault.what}. {fault.mend}".strip().removesuffix(".")
    return f"{text[:1].upper()}{text[1:]}."


def _saved(table: Bench, weighing: Weighing, now: datetime) -> None:
    entered = weighing.done
    st.html(
        f'<div class="tt-say tt-fine" role="status"><b>✓</b>Saved: {escape(entered.pot)}<div class="tt-mass">{entered.net_g:.2f} g net</div>'
        f'<div class="tt-change">{escape(_change(entered, weighing.done_at))}</div></div>'
    )
    following = _next(list(table.pots["pot"]), set(table.to_do(now)), entered.pot)
    if following is None:
        look.say("fine", "All pots are weighed today.")
    else:
        st.button(f"Next pot: {following}", type="primary", width="stretch", on_click=_go, args=(weighing, following))
    st.button(f"Weigh {entered.pot} again", width="stretch", on_click=_go, args=(weighing, entered.pot))


def _change(entered: Entered, time: datetime) -> str:
    before = entered.before
    if before is None:
        return "Its first weigh-in."
    text = f"{entered.net_g - before.net_g:+.2f} g"
    if before.net_g > 0:
        text += f" ({(entered.net_g / before.net_g - 1) * 100:+.1f} %)"
    return f"{text} since {before.net_g:.2f} g, {words.span(time - before.time)} before"


def _next(order: list[str], to_do: set[str], pot: str) -> str | None:
    """The next pot along the bench that is not weighed today; from the end it starts again."""
    place = order.index(pot)
    return next((other for other in [*order[place + 1 :], *order[:place]] if other in to_do), None)


def _go_to_chosen(weighing: Weighing) -> None:
    # Streamlit may report a change where there was none, when a run is cut short by the next one.
    if st.session_state["chosen_pot"] != weighing.pot:
        _go(weighing, st.session_state["chosen_pot"])


def _go(weighing: Weighing, pot: str | None) -> None:
    weighing.start(pot)
    if pot:
        st.query_params["pot"] = pot
    elif "pot" in st.query_params:
        del st.query_params["pot"]


st.title("Weigh-in", anchor=False)
page()
