"""Weigh-in on a phone beside the bench: one pot, one mass, one big button, then the next pot.

A pot's label opens this page as `weigh?pot=t1-a1`. Nothing is stored until 'Save'; what is shown as
saved is on disk. What was typed stays in its field until it is saved.
"""

from __future__ import annotations

import math
from datetime import UTC, datetime
from typing import Any
from urllib.parse import quote, unquote

import pandas as pd
import streamlit as st

from tidetray.ingest.core.near_names import near_names
from tidetray.ingest.notebook.facts import WeighIn
from tidetray.ui import words
from tidetray.ui.cache.reading import Bench, bench, chosen_trial, history, on_the_cells_now, trial_of_pot
from tidetray.ui.changes.entry import Entered
from tidetray.ui.changes.weighing import TypedMass, Weighing, note_gone, number_to_correct, save, take_back
from tidetray.ui.columns import each_row
from tidetray.ui.parts import look, mass_field, signed_in
from tidetray.ui.parts.head import head
from tidetray.ui.tag import tag
from tidetray.ui.web import sign_in

# Comments, not strings, below names: Streamlit prints a string that stands alone in a page.

WEIGH_IN, CORRECTION = "weigh-in", "correction"
NET = "masses are of the plants without the pot"
MASS_LABEL = "Pot with plants, in grams"

# What holds from form to form, also while another page is shown. Each form has fields of its own all the same:
# one that goes and comes under one name may come back empty when buttons are pressed fast. A label's code
# opens a new session, so a cookie carries what is typed only once a day over to that.
KEPT = ("who", "blotted", "decimal_comma", "balance")
COOKIES = {"who": sign_in.WHO_COOKIE, "decimal_comma": "tidetray_decimal_comma"}
COOKIE_S = 12 * 3600

# Every so many pots one is weighed twice, which tells how well weighing repeats (common practice, no source).
TWICE_EVERY = 8


def page() -> None:
    now = datetime.now(UTC)
    with look.clear_words():
        table = bench(chosen_trial(), now)
    _recall()
    if told := st.session_state.pop("weigh_told", ""):
        look.say("note", told)
    weighing = st.session_state.setdefault("weighing", Weighing())
    order = list(table.pots["pot"])
    asked = st.query_params.get("pot", "").strip().casefold()
    pot = asked if asked in order else None
    if weighing.pot != pot:
        weighing.start(pot)
    if asked and pot is None:
        look.say("wrong", f"Trial {table.trial} has no pot '{asked[:40]}' to weigh. {near_names(asked[:40], order)}")
    if pot is not None and weighing.done and weighing.done_at:
        _saved(table, weighing, weighing.done, weighing.done_at)
    elif pot is not None and not sign_in.may("weigh"):
        _only_looked_at(table, pot)
    elif pot is not None:
        _form(table, weighing, pot, now)
    _choose(table, weighing)
    _keep(weighing)
    _remember()


def _keep(weighing: Weighing) -> None:
    for name in KEPT:
        value = st.session_state.get(weighing.key(name))
        if value is not None:
            st.session_state[f"kept_{name}"] = value


def _recall() -> None:
    cookies = st.context.cookies
    st.session_state.setdefault("kept_who", unquote(cookies.get(COOKIES["who"], ""))[:40])
    st.session_state.setdefault("kept_decimal_comma", cookies.get(COOKIES["decimal_comma"]) == "yes")
    st.session_state.setdefault("kept_blotted", True)


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


def _choose(table: Bench, weighing: Weighing) -> None:
    order, to_do = list(table.pots["pot"]), table.to_do()
    if weighing.pot is None and to_do and sign_in.may("weigh"):
        st.button(f"Start with {to_do[0]}", type="primary", width="stretch", on_click=_go, args=(weighing, to_do[0]))
    key = weighing.key("chosen_pot")
    st.selectbox(
        "Another pot" if weighing.pot else "Pot",
        order,
        key=key,
        index=order.index(weighing.pot) if weighing.pot in order else None,
        placeholder="Choose, or type its name",
        on_change=_go_to_chosen,
        args=(weighing, key),
    )
    if table.ended:
        look.small(f"Trial {table.trial} has ended: nothing is to be weighed.")
        return
    done = len(order) - len(to_do)
    twice = f", {table.doubled} of them twice" if table.doubled else ""
    st.progress(done / max(len(order), 1), text=f"{done} of {words.many(len(order), 'pot')} weighed today{twice}")


def _form(table: Bench, weighing: Weighing, pot: str, now: datetime) -> None:
    row = next(each_row(table.pots[table.pots["pot"] == pot]))
    past = history(table.trial, pot)
    today = [w for w in past if words.is_today(w.time, table.zone, now)]
    _say_which(table, weighing, row, today, now)
    _offer_the_cell(table, weighing)
    before = past if weighing.correcting is None else past[:-1]  # the last one is being corrected
    with st.form(weighing.key("form"), border=False):
        _mass(table, weighing, row, before[-1] if before else None, now)
        _save_button(table, weighing, pot)
        if weighing.correcting is not None:
            st.text_input("Why", key=weighing.key("why"), value="misread or mistyped", max_chars=200)
        _how_weighed(table, weighing, max((w.replicate for w in today), default=0) + 1)
    if weighing.correcting is not None:
        st.button("Leave it as it was", width="stretch", on_click=_leave, args=(weighing, pot))
    else:
        _gone(table, pot)


def _say_which(table: Bench, weighing: Weighing, row: Any, today: list[WeighIn], now: datetime) -> None:
    """The pot, where it stands, and what was done with it today."""
    place = f"{row.tray}, {words.place(row.row, row.column)}"
    empty = "empty pot not weighed" if math.isnan(row.tare_g) else f"empty {row.tare_g:.2f} g" if row.tare_g else NET
    look.draw(tag("div", row.pot, css="tt-pot") + tag("div", f"{place} · {row.treatment} · {empty}", css="tt-small"))
    if st.session_state.pop("left_correction", "") == row.pot:
        mass_field.forget(weighing.key("left"), table.trial, row.pot, CORRECTION)
    if weighing.told:
        look.say("fine", weighing.told)
    if weighing.correcting is not None:
        look.say("note", "Correcting: the wrong mass stays readable in the notebook, the right one counts.")
    elif today:
        _weighed_today(table, weighing, row.pot, today[-1], now)


def _mass(table: Bench, weighing: Weighing, row: Any, last: WeighIn | None, now: datetime) -> None:
    """The field for the mass, and what stands against it."""
    st.text_input(MASS_LABEL, key=weighing.key("gross"), placeholder="such as 48.3", max_chars=40)
    mass_field.watch(
        weighing.key("form"),
        MASS_LABEL,
        table.trial,
        row.pot,
        kind=_kind(weighing),
        tare_g=0.0 if pd.isna(row.tare_g) else float(row.tare_g),
        last=last,
        span=words.age(last.time, now) if last else "",
        decimal_comma=st.session_state["kept_decimal_comma"],
    )
    if weighing.problem:
        look.say("wrong", f"Not saved. {weighing.problem}")
    if weighing.doubt:
        look.say("note", f"Not saved yet. {weighing.doubt} If it is right, press Save again; if not, correct it above.")


def _save_button(table: Bench, weighing: Weighing, pot: str) -> None:
    label = "Yes, save it" if weighing.doubt else "Save" if weighing.correcting is None else "Save correction"
    answers = weighing.asked if weighing.doubt else 0
    args = (table, weighing, pot, answers)
    st.form_submit_button(label, type="primary", width="stretch", on_click=_save, args=args)


def _how_weighed(table: Bench, weighing: Weighing, replicate: int) -> None:
    """Blotted or not, which replicate, who, on which scale: mostly as the time before."""
    kept = st.session_state
    st.segmented_control(
        "Blotted dry?",
        (True, False),
        key=weighing.key("blotted"),
        format_func=lambda yes: "yes" if yes else "no",
        required=True,
        **_default(weighing.key("blotted"), kept["kept_blotted"]),
    )
    if weighing.correcting is None:
        st.segmented_control(
            "Replicate",
            tuple(range(1, replicate + 3)),
            key=weighing.key("replicate"),
            required=True,
            **_default(weighing.key("replicate"), replicate),
        )
    signed_in.name_field("Who weighs", weighing.key("who"), value=kept["kept_who"], max_chars=40)
    if table.balances:
        last_one = kept.get("kept_balance")
        at = table.balances.index(last_one) if last_one in table.balances else 0
        st.selectbox("Scale", table.balances, index=at, key=weighing.key("balance"))
    st.toggle("Decimal comma: 48,3", value=kept["kept_decimal_comma"], key=weighing.key("decimal_comma"))


def _kind(weighing: Weighing) -> str:
    return WEIGH_IN if weighing.correcting is None else CORRECTION


def _leave(weighing: Weighing, pot: str) -> None:
    weighing.start(pot)
    st.session_state["left_correction"] = pot


def _gone(table: Bench, pot: str) -> None:
    """A pot found dead or missing at the scale."""
    with st.popover("Gone or dead …"):
        look.small(f"{pot} leaves the trial: it is weighed no more, and its growth until now counts.")
        signed_in.name_field("Who", f"gone_who_{pot}", max_chars=40)
        why = st.text_input("Why", key=f"gone_why_{pot}", placeholder="such as: rotted", max_chars=200)
        if st.button(f"Confirm: {pot} is lost", key=f"gone_{pot}"):
            told = note_gone(table.trial, pot, st.session_state.get(f"gone_who_{pot}", ""), why)
            if told:
                look.say("wrong", told)
            else:
                st.session_state["weigh_told"] = f"{pot} is noted as lost. The notebook can take it back."
                order = list(table.pots["pot"])
                _go(st.session_state["weighing"], _next(order, set(table.to_do()) - {pot}, pot))
                st.rerun()


def _only_looked_at(table: Bench, pot: str) -> None:
    last = history(table.trial, pot)[-1:]
    look.draw(tag("div", pot, css="tt-pot"))
    for weigh_in in last:
        when = words.when(weigh_in.time, table.zone, datetime.now(UTC))
        look.small(f"Last weighed {when}: {weigh_in.net_g:.2f} g net")
    signed_in.say_look_only()


def _weighed_today(table: Bench, weighing: Weighing, pot: str, last: WeighIn, now: datetime) -> None:
    look.say(
        "note",
        f"Weighed today already, at {words.clock(last.time, table.zone, now)}: {last.net_g:.2f} g net. "
        "Another weighing is noted beside it, with the next replicate number.",
    )
    st.button(
        f"Correct the {last.net_g:.2f} g",
        width="stretch",
        on_click=_start_correcting,
        args=(table, weighing, pot, last),
    )


def _start_correcting(table: Bench, weighing: Weighing, pot: str, last: WeighIn) -> None:
    with look.clear_words():
        weighing.start(pot, correcting=number_to_correct(table.trial, pot, last.time, last.replicate))


@st.fragment(run_every=5)
def _offer_the_cell(table: Bench, weighing: Weighing) -> None:
    now = datetime.now(UTC)
    for cell in on_the_cells_now(table.site, now)[:1]:
        shown = f"{cell.mass_g:.2f}"
        where = f"{cell.node}, {cell.tray}" if cell.tray else cell.node
        st.button(
            f"Take {shown} g from the load cell",
            width="stretch",
            on_click=_take_cell,
            args=(weighing, shown),
            disabled=not cell.settled,
        )
        look.small(
            f"{where}, {words.age(cell.time, now)}{'' if cell.settled else ': not stable yet'}. Saved only "
            "when you press save."
        )


def _take_cell(weighing: Weighing, shown: str) -> None:
    comma = st.session_state.get(weighing.key("decimal_comma"))
    st.session_state[weighing.key("gross")] = shown.replace(".", ",") if comma else shown


def _default(key: str, value: object) -> dict[str, Any]:
    """A default only where the session holds no value: Streamlit takes one or the other."""
    return {} if key in st.session_state else {"default": value}


def _save(table: Bench, weighing: Weighing, pot: str, answers: int) -> None:
    """Runs before the page is drawn again."""
    state = st.session_state
    if weighing.key("gross") not in state:
        return
    _keep(weighing)
    save(
        weighing,
        table.trial,
        pot,
        TypedMass(
            state[weighing.key("gross")],
            state["kept_decimal_comma"],
            state["kept_blotted"],
            state.get(weighing.key("replicate")) or 1,
            state["kept_who"].strip(),
            state.get("kept_balance", "") if table.balances else "",
            state.get(weighing.key("why"), ""),
        ),
        answers,
    )


def _saved(table: Bench, weighing: Weighing, entered: Entered, at: datetime) -> None:
    for kind in (WEIGH_IN, CORRECTION):
        mass_field.forget(weighing.key(f"form-{kind}"), table.trial, entered.pot, kind)
    look.draw(
        tag(
            "div",
            tag("b", look.MARKS["fine"]),
            f"Saved: {entered.pot}",
            tag("div", f"{entered.net_g:.2f} g net", css="tt-mass"),
            tag("div", _change(entered, at), css="tt-change"),
            css="tt-say tt-fine",
            role="status",
        )
    )
    if weighing.problem:
        look.say("wrong", weighing.problem)
    order = list(table.pots["pot"])
    following = _next(order, set(table.to_do()), entered.pot)
    if following is None:
        look.say("fine", "All pots are weighed today.")
    else:
        st.button(f"Next pot: {following}", type="primary", width="stretch", on_click=_go, args=(weighing, following))
    if order.index(entered.pot) % TWICE_EVERY == 0 and weighing.correcting is None:
        look.small(
            "Please weigh this pot twice: take it off, blot it again, weigh it again. It shows how precise your "
            "weighing is."
        )
    with st.container(horizontal=True):
        st.button("Undo", on_click=take_back, args=(weighing, table.trial, st.session_state.get("kept_who", "")))
        st.button(f"Weigh {entered.pot} again", on_click=_go, args=(weighing, entered.pot))


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


def _go_to_chosen(weighing: Weighing, key: str) -> None:
    # A field of its own for each form: one that went on from pot to pot may come back with the pot before, when
    # the next button is pressed fast, and would carry a typed mass away from its pot.
    if key == weighing.key("chosen_pot") and st.session_state[key] != weighing.pot:
        _go(weighing, st.session_state[key])


def _go(weighing: Weighing, pot: str | None) -> None:
    weighing.start(pot)
    if pot:
        st.query_params["pot"] = pot
    elif "pot" in st.query_params:
        del st.query_params["pot"]


if (asked_pot := st.query_params.get("pot")) and "trial" not in st.query_params and "trial" not in st.session_state:
    with look.clear_words():
        if of_label := trial_of_pot(asked_pot.strip().casefold()):
            st.session_state["trial"] = of_label
head("weigh")
page()
