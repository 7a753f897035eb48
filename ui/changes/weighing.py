"""What the page of weigh-ins does when a button is pressed: save, correct, undo. Draws nothing.

Every act runs once also for two quick taps, and what it reports as done is on disk.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from threading import Lock
from time import monotonic

from tidetray.analysis.base.words import capital
from tidetray.ingest.core.readings import TidetrayError
from tidetray.ingest.core.refusals import EntryError
from tidetray.ingest.files.written_values import parse_mass_g
from tidetray.ingest.notebook.corrections import correct, entry, newest, undo
from tidetray.ingest.notebook.facts import Event
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.notebook.trial_events import note_event
from tidetray.ingest.settings.model import RECORD_FILE, home_folder
from tidetray.ingest.store.recording import Store, open_store
from tidetray.ui.changes.entry import Entered, UnlikelyError, enter_weigh_in, unlikely_correction
from tidetray.ui.web import sign_in

CONFIRM_S = 1.5
"""A question is not read in less: a press sooner than this belongs to the one before (our choice)."""


@dataclass
class Weighing:
    """How far this session is with a pot. `form` counts the forms, so that each begins empty.

    `asked` counts the questions: a confirmation holds for the one that its form showed.

    An object that both runs of two quick taps hold: what a run writes into the session itself is
    lost once the second tap has put another run in its place.
    """

    lock: Lock = field(default_factory=Lock)
    pot: str | None = None
    form: int = 0
    problem: str = ""
    doubt: str = ""
    doubted: str = ""
    asked: int = 0
    asked_at: float = 0.0
    done: Entered | None = None
    done_at: datetime | None = None
    correcting: int | None = None
    told: str = ""

    def start(self, pot: str | None, *, correcting: int | None = None, told: str = "") -> None:
        self.pot, self.form, self.problem, self.doubt, self.done = pot, self.form + 1, "", "", None
        self.correcting, self.told = correcting, told

    def key(self, name: str) -> str:
        return f"{name}-{self.pot}-{self.form}"


@dataclass(frozen=True)
class TypedMass:
    """What stands in the form."""

    gross: str
    decimal_comma: bool
    blotted: bool
    replicate: int
    who: str
    balance: str = ""
    why: str = ""


def save(weighing: Weighing, trial: str, pot: str, typed: TypedMass, answers: int = 0) -> None:
    """Note a weigh-in, or put a correction in its place; a doubtful mass waits for a second press.

    Parameters
    ----------
    weighing : Weighing
        How far the session is.
    trial, pot : str
        What was weighed.
    typed : TypedMass
        What stands in the form.
    answers : int
        The question that the pressed form showed (`Weighing.asked`), 0 for none. The second tap of two quick ones was
        on a form that showed none, or came sooner than anybody reads: it confirms nothing.
    """
    with weighing.lock:
        if weighing.pot != pot or weighing.done is not None:
            return
        now = datetime.now(UTC)
        read = monotonic() - weighing.asked_at >= CONFIRM_S
        sure = bool(weighing.doubt) and answers == weighing.asked and weighing.doubted == typed.gross and read
        weighing.doubt, weighing.problem = "", ""

        def act(store: Store) -> None:
            if weighing.correcting is None:
                weighing.done = enter_weigh_in(
                    store,
                    trial,
                    pot,
                    typed.gross,
                    now=now,
                    replicate=typed.replicate,
                    blotted=typed.blotted,
                    who=sign_in.who(typed.who),
                    balance=typed.balance,
                    decimal_comma=typed.decimal_comma,
                    sure=sure,
                )
            else:
                weighing.done = _correct(store, trial, weighing.correcting, typed, now, sure=sure)
            weighing.done_at = now

        _carry_out(weighing, act, typed.gross)


def take_back(weighing: Weighing, trial: str, who: str) -> None:
    """Undo what was saved last; the form comes again."""
    with weighing.lock:
        done = weighing.done
        if done is None or weighing.pot is None:
            return

        def act(store: Store) -> None:
            undo(Notebook(store), trial, done.number, now=datetime.now(UTC), who=sign_in.who(who))
            was = (
                "The correction is taken back"
                if weighing.correcting is not None
                else f"{done.net_g:.2f} g net is taken out"
            )
            weighing.start(weighing.pot, told=f"Undone: {was}. It stays readable in the notebook.")

        _carry_out(weighing, act, "")


def note_gone(trial: str, pot: str, who: str, why: str) -> str:
    """Note a pot as lost, now. What is wrong in words; empty where it is on disk."""
    now = datetime.now(UTC)
    try:
        with sign_in.writing("weigh") as store:
            note_event(Notebook(store), trial, Event("pot lost", now, pot, who=sign_in.who(who), why=why), now=now)
    except TidetrayError as error:
        return f"Nothing was changed. {_one_line(error)}"
    except sqlite3.Error as error:
        return f"The record could not be written: {error}. Check the disk, then press the button again"
    return ""


def number_to_correct(trial: str, pot: str, time: datetime, replicate: int) -> int:
    with open_store(home_folder() / RECORD_FILE, read_only=True) as store:
        return newest(Notebook(store), trial, pot, time, replicate)


def _correct(store: Store, trial: str, number: int, typed: TypedMass, now: datetime, *, sure: bool) -> Entered:
    notebook = Notebook(store)
    old = entry(notebook, trial, number).weigh_in
    gross_g = parse_mass_g(typed.gross, typed.decimal_comma)
    net_g = gross_g - old.tare_g
    earlier = [w for w in notebook.weigh_ins(trial, pot=old.pot) if w.time < old.time]
    doubt = "" if sure else unlikely_correction(notebook, trial, number, gross_g)
    if doubt:
        raise UnlikelyError(doubt)
    if not sign_in.who(typed.who):
        raise EntryError("who corrects is missing", mend="Fill in 'Who weighs'")
    new = correct(
        notebook,
        trial,
        number,
        gross_g=gross_g,
        blotted=typed.blotted,
        now=now,
        who=sign_in.who(typed.who),
        why=typed.why,
    )
    before = max(earlier, key=lambda w: w.time, default=None)
    return Entered(old.pot, net_g, True, before, "", new.number)


def _carry_out(weighing: Weighing, act: Callable[[Store], None], typed: str) -> None:
    try:
        with sign_in.writing("weigh") as store:
            act(store)
    except UnlikelyError as error:
        weighing.doubt, weighing.doubted = error.what, typed
        weighing.asked, weighing.asked_at = weighing.asked + 1, monotonic()
    except TidetrayError as error:
        weighing.problem = _one_line(error)
    except sqlite3.Error as error:
        weighing.problem = f"The record could not be written: {error}. Check the disk, then press the button again"


def _one_line(error: TidetrayError) -> str:
    """The first thing wrong, without the words a phone has no room for."""
    fault = getattr(error, "faults", (error,))[0]
    text = f"{fault.what}. {fault.mend}".strip().removesuffix(".")
    return f"{capital(text)}."
