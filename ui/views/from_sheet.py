"""From a spreadsheet: a sheet of weigh-ins dropped, understood, questioned, previewed, saved."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import streamlit as st

from tidetray.ingest.core.readings import TidetrayError
from tidetray.ingest.core.refusals import EntryError, RefusedError
from tidetray.ingest.files.apart import TooMuchError
from tidetray.ingest.files.rows import MAX_FILE_BYTES
from tidetray.ingest.files.sheet_grids import Grid, Value
from tidetray.ingest.files.sheet_guess import Question, Said, Spot, place
from tidetray.ingest.files.sheet_trial import (
    SUBTRACTED,
    Answers,
    Known,
    Proposal,
    typed_name,
    where,
)
from tidetray.ingest.files.trial_file import NOT_NOTED
from tidetray.ingest.files.zones import zones
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.settings.model import RECORD_FILE, home_folder
from tidetray.ingest.store.recording import open_store
from tidetray.ui import words
from tidetray.ui.cache.reading import trial_names
from tidetray.ui.changes.from_sheet import (
    answered,
    free_name,
    known_trial,
    read_apart,
    read_sheet,
    save_sheet,
    system_zone,
    trial_of_pots,
)
from tidetray.ui.changes.new_trial import FLOODED, Fault
from tidetray.ui.changes.setting_up import first_run
from tidetray.ui.parts import look, signed_in
from tidetray.ui.parts.head import title
from tidetray.ui.parts.refusals import Refusals
from tidetray.ui.tag import Markup, joined, tag
from tidetray.ui.web import sign_in

KINDS = ["csv", "tsv", "txt", "xlsx", "ods"]
NEW = "a new trial"
READINGS_KEPT = 4
ROWS_SHOWN, COLUMNS_SHOWN = 8, 14
"""So much of a sheet is shown, and every row with a doubtful cell."""

FORM = Refusals("sheet")
LABELS = {
    "day_zero": "Which date was day 0?",
    "days": "Days of the weighings",
    "year": "Which year was it?",
    "day_first": "Order of day and month",
    "decimal": "Decimal mark",
    "empty_pot": "Mass of an empty pot, grams",
    "treatment": "Treatment",
}
"""Question -> how it is called where its answer is refused."""

EXAMPLES = {"day_zero": "such as 22.3.2026", "year": "such as 2026"}
CULTURE = "culture_"
MOST_UNCLEAR = 8
"""Of so many treatments it is asked how they are flooded; of more the page Notebook corrects each."""

EMPTY_POTS = {
    "It weighs, in grams": "",
    "It is subtracted from the masses already": SUBTRACTED,
    "Nobody noted it": NOT_NOTED,
}
ASIDE = {"zone", "trays"}
"""Questions with an answer that is offered already: asked below the others, and changed only where it is wrong."""


def page() -> None:
    saved = st.session_state.get("sheet_saved")
    if saved is not None:
        _saved(saved)
    if not sign_in.may("manage"):
        signed_in.say_look_only()
        look.say("note", "Loading a sheet takes somebody who manages the record.")
        return
    if saved is None:
        look.paragraph(
            "A sheet of past weigh-ins as you keep it: a row or a column for each weighing, with a column of pots. "
            "You see what was understood, and answer what no sheet can know. Nothing is saved before you press the "
            "button."
        )
    given = st.file_uploader(
        "Sheet of weigh-ins (.xlsx, .ods, .csv)",
        type=KINDS,
        key=f"sheet_file_{st.session_state.get('sheet_turn', 0)}",
        max_upload_size=MAX_FILE_BYTES // 1_000_000,
    )
    if given is None:
        return
    st.session_state.pop("sheet_saved", None)
    _begin(given.file_id)
    try:
        _sheet(given.getvalue(), given.name)
    except (RefusedError, EntryError, TooMuchError) as error:
        look.say("wrong", "Nothing was saved.", _faults(error))


def _begin(file: str) -> None:
    """Nothing that was said of another file is said of this one. The fields are named by number: a browser sends again
    what stood in a field of the same name."""
    state = st.session_state
    if state.get("sheet_of") == file:
        return
    _forget()
    state["sheet_of"], state["sheet_number"] = file, state.get("sheet_number", 0) + 1


def _forget() -> None:
    """All that was said of a file; the field of the file itself stays."""
    state = st.session_state
    kept = {"sheet_number", "sheet_turn", f"sheet_file_{state.get('sheet_turn', 0)}"}
    for key in [key for key in state if str(key).startswith("sheet_") and key not in kept]:
        del state[key]
    FORM.clear()


def _key(name: str) -> str:
    """Of a field that belongs to the file that is shown."""
    return f"sheet_{st.session_state['sheet_number']}_{name}"


def _typed(name: str) -> str:
    return str(st.session_state.get(_key(name)) or "").strip()


def _faults(error: RefusedError | EntryError | TooMuchError) -> tuple[str, ...]:
    faults = error.faults if isinstance(error, RefusedError) else (error,)
    return tuple(f"{fault.what}. {fault.mend}".rstrip(". ") + "." for fault in faults[:6])


def _sheet(content: bytes, name: str) -> None:
    into = _into(content, name)
    FORM.clear()
    answers = _answers(name, into)
    proposal = _read(content, name, answers, into)
    look.say("fine", "Understood:", proposal.understood.facts)
    asked = _all_questions(content, name, answers, into)
    for question in asked:
        if question.key not in ASIDE:
            _ask(question)
    if proposal.doubts:
        some = words.many(len(proposal.doubts), "doubtful cell")
        look.say("note", f"{some}: marked below. Say what each should be.")
    _settle(proposal)
    _preview(proposal)
    if into is None:
        _aside(asked, answers, proposal)
    if proposal.understood.unused:
        with st.expander("Not used"):
            look.say("note", "These parts of the sheet are not loaded:", proposal.understood.unused[:30])
    FORM.under()
    if not proposal.ready:
        left = [question.text for question in proposal.questions]
        left += [f"{where(doubt, proposal)}: {doubt.text} {doubt.why}" for doubt in proposal.doubts[:6]]
        look.say("note", "Before it can be saved:", tuple(left))
    elif not FORM.faults:
        look.say("fine", f"Ready: {proposal.summary}")
    st.button(
        "Save weigh-ins",
        type="primary",
        width="stretch",
        disabled=not proposal.ready or bool(FORM.faults),
        on_click=_save,
        args=(content, name, answers, into),
    )


def _read(content: bytes, name: str, answers: Answers, into: Known | None) -> Proposal:
    """As `read_sheet`; the last few readings are kept, since a page runs again at every touch."""
    kept: dict[str, Proposal] = st.session_state.setdefault("sheet_read", {})
    key = f"{hash(content)} {name} {answers} {into}"
    if key not in kept:
        found = read_sheet(
            content, name, answers, home=home_folder(), now=datetime.now(UTC), known=into, read=read_apart
        )
        while len(kept) >= READINGS_KEPT:
            kept.pop(next(iter(kept)))
        kept[key] = found
    return kept[key]


def _into(content: bytes, name: str) -> Known | None:
    """The trial that the weigh-ins are added to; None for a new one. Offered is the one that has the sheet's pots."""
    home = home_folder()
    if first_run(home):
        return None
    pots = _read(content, name, Answers(), None).understood.pots
    with open_store(home / RECORD_FILE, read_only=True) as store:
        names = [NEW, *(trial.name for trial in Notebook(store).trials())]
        likely = trial_of_pots(store, pots)
        at = names.index(likely) if likely is not None else 0
        chosen = st.selectbox("Add the weigh-ins to", names, index=at, key=_key("into"))
        return None if chosen == NEW else known_trial(store, str(chosen))


def _answers(name: str, into: Known | None) -> Answers:
    """What stands in the fields now; the empty pot in two of them."""
    answers, faults = Answers(said=Said(cells=_cells())), list[Fault]()
    empty = EMPTY_POTS.get(_typed("empty_pot"), "") or _typed("tare")
    typed = {key: _typed(key) for key in LABELS} | {"empty_pot": empty}
    for key, text in typed.items():
        try:
            answers = answered(answers, key, text) if text else answers
        except EntryError as error:
            faults.append(Fault(key, LABELS[key], f"{error.what}. {error.mend}"))
    called = "" if into is not None else _typed("name")
    try:
        called = called and typed_name(called)
    except EntryError as error:
        faults.append(Fault("name", "Name of the trial", f"{error.what}. {error.mend}"))
        called = ""
    FORM.keep(faults)
    taken = [] if first_run(home_folder()) else _trial_names()
    return replace(
        answers,
        zone=_typed("zone") or system_zone(),
        trays=_typed("trays") or NOT_NOTED,
        name="" if into is not None else called or free_name(taken, name),
        species=_typed("species"),
        cultures=_cultures(),
    )


def _cultures() -> dict[str, str]:
    """Treatment -> how it is flooded, of those that were chosen."""
    found, begins = st.session_state, _key(CULTURE)
    return {
        str(key).removeprefix(begins): str(found[key]) for key in found if str(key).startswith(begins) and found[key]
    }


def _trial_names() -> list[str]:
    return list(trial_names())


def _cells() -> dict[Spot, str]:
    """What was said of doubtful cells of this file."""
    known: dict[Spot, str] = st.session_state.setdefault("sheet_cells", {})
    return known


def _all_questions(content: bytes, name: str, answers: Answers, into: Known | None) -> tuple[Question, ...]:
    """Also those that are answered: their fields stay, so that an answer can be changed."""
    bare = _read(content, name, Answers(said=Said(cells=answers.said.cells)), into).questions
    later = _read(content, name, Answers(said=replace(answers.said, year=None)), into).questions
    return tuple({question.key: question for question in (*bare, *later)}.values())


def _ask(question: Question) -> None:
    key = _key(question.key)
    if question.key == "empty_pot":
        st.radio(question.text, list(EMPTY_POTS), key=key, help=question.why)
        if not EMPTY_POTS[st.session_state[key]]:
            st.text_input(LABELS["empty_pot"], key=_key("tare"), placeholder="such as 6.2")
    elif question.choices:
        labels = {choice.value: choice.label for choice in question.choices}
        st.radio(question.text, list(labels), format_func=labels.get, index=None, key=key, help=question.why)
    else:
        st.text_input(question.text, key=key, placeholder=EXAMPLES.get(question.key, ""))
        look.small(question.why)
    FORM.beside(question.key)


def _aside(asked: tuple[Question, ...], answers: Answers, proposal: Proposal) -> None:
    """What is offered already, and what is for show only."""
    wrong = any(fault.field == "name" for fault in FORM.faults)
    with st.expander(f"Name, species, trays ({answers.trays}), time zone ({answers.zone})", expanded=wrong):
        st.text_input("Name of the trial", value=answers.name, key=_key("name"))
        FORM.beside("name")
        st.text_input("What grows", key=_key("species"), placeholder="such as Micranthemum")
        for treatment in proposal.unclear[:MOST_UNCLEAR]:
            st.selectbox(
                f"How is '{treatment}' flooded?",
                ["", *FLOODED],
                format_func=lambda culture: FLOODED.get(culture, NOT_NOTED),
                key=_key(f"{CULTURE}{treatment}"),
                help="The planned schedule as a dose needs it, and alarms for floods too. Comparing treatments works "
                "without.",
            )
        for question in asked:
            if question.key == "trays":
                labels = {choice.value: choice.label for choice in question.choices}
                st.radio(question.text, list(labels), format_func=labels.get, key=_key("trays"), help=question.why)
        at = zones().index(system_zone() if system_zone() in zones() else "UTC")
        st.selectbox("Time zone of the sheet's clock", zones(), index=at, key=_key("zone"))


def _settle(proposal: Proposal) -> None:
    """A field for every doubtful cell: one of its choices, or another mass."""
    for doubt in proposal.doubts[:20]:
        labels = {choice.label: choice.value for choice in doubt.choices}
        st.selectbox(
            f"{where(doubt, proposal)}: {doubt.text} {doubt.why}",
            list(labels),
            index=None,
            accept_new_options=True,
            placeholder="Choose, or type the mass in grams",
            key=_key(f"cell_{doubt.spot}"),
            on_change=_settled,
            args=(doubt.spot, labels),
        )


def _settled(spot: Spot, labels: dict[str, str]) -> None:
    if chosen := _typed(f"cell_{spot}"):
        _cells()[spot] = labels.get(chosen, chosen)


def _preview(proposal: Proposal) -> None:
    """The sheets as they are, what each column was taken for, doubtful cells marked."""
    doubts = {doubt.spot: doubt.why for doubt in proposal.doubts}
    for grid in proposal.book.grids[:3]:
        tables = [spot for spot in proposal.understood.headings if spot[0] == grid.name]
        if tables or any(spot[0] == grid.name for spot in doubts):
            look.draw(_table(grid, proposal, doubts))
    if len(proposal.book.grids) > 3:
        look.small(f"And {len(proposal.book.grids) - 3} more sheets.")


def _table(grid: Grid, proposal: Proposal, doubts: dict[Spot, str]) -> Markup:
    wanted = {at for at in range(len(grid.rows)) if at < ROWS_SHOWN} | {s[1] for s in doubts if s[0] == grid.name}
    width = min(len(grid.rows[0]), max([COLUMNS_SHOWN, *(s[2] + 1 for s in doubts if s[0] == grid.name)]))
    headings = proposal.understood.headings
    meaning = {s[2]: text for s, text in reversed(list(headings.items())) if s[0] == grid.name}
    letters = [place((grid.name, 0, column)).rstrip("0123456789") for column in range(width)]
    head = tag("tr", tag("th", ""), *(tag("th", letter) for letter in letters))
    read = tag("tr", tag("th", "read as"), *(tag("td", meaning.get(column, "")) for column in range(width)))
    rows = []
    for at in sorted(wanted):
        cells = [_cell(grid.rows[at][column], doubts.get((grid.name, at, column))) for column in range(width)]
        rows.append(tag("tr", tag("th", str(at + 1), scope="row"), *cells))
    left = len(grid.rows) - len(wanted)
    more = tag("div", f"and {words.many(left, 'more row')}", css="tt-small") if left else ""
    caption = tag("div", tag("b", grid.name), css="tt-small") if grid.name else ""
    table = tag("table", tag("thead", head, read), tag("tbody", joined(rows)), css="tt-settings tt-sheet")
    return tag("div", caption, tag("div", table, style="overflow-x:auto", tabindex="0"), more)


def _cell(value: Value, doubt: str | None) -> Markup:
    text = f"{value:.10g}" if isinstance(value, float) else "" if value is None else str(value)
    text = text.removesuffix(" 00:00:00")
    if doubt is None:
        return tag("td", text)
    return tag("td", tag("b", f"▲ {text}", title=doubt), css="tt-say tt-wrong")


def _save(content: bytes, name: str, answers: Answers, into: Known | None) -> None:
    """Once, however often the button is pressed: the same sheet again adds nothing."""
    now = datetime.now(UTC)
    try:
        proposal = read_sheet(content, name, answers, home=home_folder(), now=now, known=into, read=read_apart)
        with sign_in.writing("manage") as store:
            said = save_sheet(store, proposal, now=now, who=sign_in.who())
    except TidetrayError as error:
        st.session_state["sheet_saved"] = ("wrong", f"Nothing was saved. {error}", "")
        return
    trial = proposal.into or (proposal.plan.trial.name if proposal.plan is not None else "")
    sign_in.note(f"sheet {name[:80]} loaded into trial {trial}")
    _forget()
    st.session_state["sheet_turn"] = st.session_state.get("sheet_turn", 0) + 1
    st.session_state["sheet_saved"] = ("fine", said, trial)


def _saved(saved: tuple[str, str, str]) -> None:
    kind, said, trial = saved
    look.say(kind, said)
    if trial:
        links = [
            tag("li", tag("a", words.PAGES[each], href=f"{each}?trial={trial}", target="_self"))
            for each in ("compare", "growth", "report")
        ]
        look.draw(tag("ul", *links, css="tt-asked"))
        look.small("Another sheet:")


title("from_sheet")
page()
