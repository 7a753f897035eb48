"""What the page of weigh-ins does when a button is pressed: save, correct, undo. Draws nothing.

Every act runs once also for two quick taps, and what it reports as done is on disk.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from threading import Lock

from tidetray.ingest.core.readings import TidetrayError
from tidetray.ingest.core.refusals import EntryError
from tidetray.ingest.files.written_values import parse_mass_g
from tidetray.ingest.notebook.corrections import correct, entry, newest, undo
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.settings.model import RECORD_FILE, home_folder
from tidetray.ingest.store.recording import Store, open_store
from tidetray.ui.changes.entry import Entered, UnlikelyError, enter_weigh_in, unlikely
from tidetray.ui.web import sign_in


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
    correcting: int | None = None
    told: str = ""

    def start(self, pot: str | None, *, correcting: int | None = None, told: str = "") -> None:
        self.pot, self.form, self.problem, self.doubt, self.done = pot, self.form + 1, "", "", None
        self.correcting, self.told = correcting, told

    def key(self, name: str) -> str:
        return f"{name}-{self.pot}-{self.form}"


@dataclass(frozen=True)
class Typed:
    """What stands in the form."""

    gross: str
    decimal_comma: bool
    blotted: bool
    replicate: int
    who: str
    balance: str = ""
    why: str = ""


def save(weighing: Weighing, trial: str, pot: str, typed: Typed) -> None:
    """Note a weigh-in, or put a correction in its place; a doubtful mass waits for a second press."""
    with weighing.lock:
        if weighing.pot != pot or weighing.done is not None:
            return
        now = datetime.now(UTC)
        agreed, weighing.doubt, weighing.problem = weighing.doubt, "", ""
        sure = bool(agreed) and weighing.doubted == typed.gross

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


def number_to_correct(trial: str, pot: str, time: datetime, replicate: int) -> int:
    with open_store(home_folder() / RECORD_FILE, read_only=True) as store:
        return newest(Notebook(store), trial, pot, time, replicate)


def _correct(store: Store, trial: str, number: int, typed: Typed, now: datetime, *, sure: bool) -> Entered:
    notebook = Notebook(store)
    old = entry(notebook, trial, number).weigh_in
    gross_g = parse_mass_g(typed.gross, typed.decimal_comma)
    net_g = gross_g - old.tare_g
    earlier = [w for w in notebook.weigh_ins(trial, pot=old.pot) if w.time < old.time]
    doubt = "" if sure or net_g <= 0 else unlikely(earlier, net_g, old.time)
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
    except TidetrayError as error:
        weighing.problem = _one_line(error)
    except sqlite3.Error as error:
        weighing.problem = f"The record could not be written: {error}. Check the disk, then press the button again"


def _one_line(error: TidetrayError) -> str:
    """The first thing wrong, without the words a phone has no room for."""
    fault = getattr(error, "faults", (error,))[0]
    text = f"{fault.what}. {fault.mend}".strip().removesuffix(".")
    return f"{text[:1].upper()}{text[1:]}."
