"""What the settings page does beside the file: a test message, a backup, and whether a change holds already."""

from __future__ import annotations

import os
import time
from datetime import datetime
from pathlib import Path

from tidetray.ingest.alarms.book import AlarmError
from tidetray.ingest.alarms.delivery import Delivery, outcomes, post_test
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.recorder.alarm_service import senders_of
from tidetray.ingest.settings.model import RECORD_FILE, load_settings
from tidetray.ingest.store.backup import Backup, back_up
from tidetray.ingest.store.home_lock import is_recording
from tidetray.ingest.store.recording import Store, open_store
from tidetray.ui.web.start import STARTED


def applied(home: Path) -> str:
    """From when on a change of the file holds, and what a person has to do for it."""
    if os.environ.get(STARTED):
        return "It holds now: recorder and broker are restarted with it in a moment, and nothing is lost."
    if is_recording(home):
        return "Restart the recorder ('tidetray record') for it to hold; these pages use it now."
    return "It holds from the next start of the recorder; these pages use it now."


def scheduled_trays(home: Path) -> dict[str, bool] | None:
    """The trays of the notebook, and whether a schedule floods them; None without a record."""
    if not (home / RECORD_FILE).is_file():
        return None
    with open_store(home / RECORD_FILE, read_only=True) as store:
        return Notebook(store).scheduled_trays()


def send_test(store: Store, home: Path, *, only: str = "") -> tuple[bool, list[str]]:
    """Send a test message to one person, or to all, now and from here; whether all took it, and a line for each."""
    settings = load_settings(home).alarms
    senders = senders_of(settings)
    people = [name for name in senders if only in {"", name}]
    if not people:
        raise AlarmError(
            f"{only} gets no messages any more" if only else "nobody is set to get messages",
            where=str(home),
            mend="Add [[alarms.person]] with a name and urls to tidetray.toml, or a person on the page Settings",
        )
    now_ms = time.time_ns() // 1_000_000
    zone = next((trial.zone for trial in Notebook(store).trials()), "UTC")
    numbers = post_test(store, people, now_ms=now_ms)
    delivery = Delivery(store, settings, zone=zone, senders={name: senders[name] for name in people})
    delivery.send_only(numbers, time.time_ns() // 1_000_000)
    delivery.close()
    rows = outcomes(store, numbers)
    lines = [f"{name}: {'sent' if sent_ms is not None else f'NOT SENT, {error}'}" for name, sent_ms, error in rows]
    return all(sent_ms is not None for _, sent_ms, _ in rows), lines


def back_up_now(home: Path, now: datetime) -> Backup:
    """A copy of the record in the home's folder of backups, named by its time."""
    folder = home / "backups"
    folder.mkdir(exist_ok=True)
    return back_up(home / RECORD_FILE, folder / f"tidetray-{now:%Y%m%d-%H%M%S}.sqlite")
