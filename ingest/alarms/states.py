"""Retained MQTT states of alarms: what is active at each place, for displays and other programs.

In: the outbox rows whose recipient is MQTT. Out: one retained payload for each place with all that is active there.
A row is marked as sent when the broker has taken the payload; until then it is tried again.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import datetime

from tidetray.ingest.alarms.book import MQTT, Alarm, AlarmBook
from tidetray.ingest.alarms.text import headline
from tidetray.ingest.core.backoff import wait_s
from tidetray.ingest.core.readings import from_ms
from tidetray.ingest.store.recording import Store

FIRST_WAIT_S, LONGEST_WAIT_S = 5.0, 60.0
"""Between two tries, doubled each time. Short at the longest: there is one broker, and it is near."""

Publish = Callable[[str, bytes], str]
"""Publishes a retained payload to a topic; returns why it could not, or an empty text."""


class States:
    """Publishes what is due. Call `step` often.

    Parameters
    ----------
    store : Store
        The record, with a connection of the caller's thread.
    publish : Publish
        The way to the broker.
    """

    def __init__(self, store: Store, publish: Publish) -> None:
        self._store = store
        self._book = AlarmBook(store)
        self._publish = publish

    def step(self, now_ms: int) -> int:
        """Publish the states of all places that changed; the number of places published."""
        rows = self._store.connection.execute(
            "SELECT site, place, name, max(outbox.id), max(tries) FROM outbox JOIN alarm ON alarm.id = outbox.alarm"
            " WHERE sent_ms IS NULL AND recipient = ? AND (due_ms <= ? OR due_ms > ?) GROUP BY site, place, name",
            (MQTT, now_ms, now_ms + round(1000 * LONGEST_WAIT_S)),  # further ahead: of a clock that was set back
        ).fetchall()
        return sum([self._send((site, place, name), last, tries, now_ms) for site, place, name, last, tries in rows])

    def again(self) -> str:
        """Publish the states of all places that had any, for a broker that may have lost them, or put back older ones.

        Returns
        -------
        str
            Why one of them could not be published, empty if all were.
        """
        rows = self._store.connection.execute(
            "SELECT DISTINCT site, place, name FROM outbox JOIN alarm ON alarm.id = outbox.alarm"
            " WHERE sent_ms IS NOT NULL AND recipient = ?",
            (MQTT,),
        ).fetchall()
        for at in rows:
            error = self._publish(topic(*at), self._state(at))
            if error:
                return error
        return ""

    def _send(self, at: tuple[str, str, str], last: int, tries: int, now_ms: int) -> bool:
        error = self._publish(topic(*at), self._state(at))
        which = (
            "recipient = ? AND sent_ms IS NULL AND id <= ? AND alarm IN "
            "(SELECT id FROM alarm WHERE site = ? AND place = ? AND name = ?)"
        )
        of = (MQTT, last, *at)
        with self._store.transaction() as connection:
            if error:
                pause_s = wait_s(tries, first_s=FIRST_WAIT_S, longest_s=LONGEST_WAIT_S, at_least=0.5)
                connection.execute(
                    f"UPDATE outbox SET tries = tries + 1, error = ?, due_ms = ? WHERE {which}",
                    (error, now_ms + round(1000 * pause_s), *of),
                )
            else:
                connection.execute(f"UPDATE outbox SET sent_ms = ?, error = NULL WHERE {which}", (now_ms, *of))
        return not error

    def _state(self, at: tuple[str, str, str]) -> bytes:
        """All that is active at one place, told or suppressed; an empty list when nothing is."""
        active = [a for a in self._book.alarms(standing=True) if a.key[:3] == at]
        return json.dumps({"alarms": [_as_json(alarm) for alarm in active]}, ensure_ascii=False).encode()


def topic(site: str, place: str, name: str) -> str:
    """The retained topic of one place; outside of what the recorder subscribes to."""
    return "/".join(part for part in ("tidetray", "alarms", "v1", site, place, name) if part)


def _as_json(alarm: Alarm) -> dict[str, object]:
    return {
        "number": alarm.id,
        "alarm": alarm.key.kind,
        "channel": alarm.key.channel or None,
        "priority": alarm.priority,
        "since": _utc(from_ms(alarm.since_ms)),
        "text": headline(alarm),
        "detail": alarm.detail,
        "acknowledged_by": alarm.acknowledged_by,
        "muted": alarm.muted_by is not None,
    }


def _utc(time: datetime) -> str:
    return f"{time.isoformat(timespec='seconds').removesuffix('+00:00')}Z"
