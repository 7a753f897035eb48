"""Alarms acknowledged, shelved and unshelved from the pages."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime

from tidetray.ingest.alarms.book import AlarmBook
from tidetray.ingest.core.readings import to_ms
from tidetray.ingest.settings.model import home_folder, load_settings
from tidetray.ui.web import sign_in


def acknowledge_alarm(number: int, *, who: str) -> None:
    """AlarmError if nobody is named, or it was acknowledged before."""
    with _book() as book:
        book.acknowledge(number, who=sign_in.who(who), now_ms=to_ms(datetime.now(UTC)))


def shelve_alarm(number: int, *, who: str, hours: float) -> None:
    with _book() as book:
        now_ms = to_ms(datetime.now(UTC))
        book.shelve(number, until_ms=now_ms + round(3_600_000 * hours), who=sign_in.who(who), now_ms=now_ms)


def unshelve_alarm(number: int, *, who: str) -> None:
    with _book() as book:
        book.unshelve(number, who=sign_in.who(who), now_ms=to_ms(datetime.now(UTC)))


@contextmanager
def _book() -> Iterator[AlarmBook]:
    settings = load_settings(home_folder()).alarms
    with sign_in.writing("weigh") as store:
        yield AlarmBook(store, first=settings.told_first, mqtt=settings.mqtt)
