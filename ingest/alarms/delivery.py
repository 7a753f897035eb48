"""Delivery: what is in the outbox is sent, and tried again until it is; who is to be told again or next is put in it.

In: the outbox. Out: messages by Apprise to people, retained states by MQTT, and each try noted in the outbox.
A message is marked as sent after it was: whoever is killed in between sends it once more, and never not at all.
Runs beside the recorder with a connection of its own, for services may take seconds or hang. A try that does not
end is given up on and counts as failed; only one per person can hang at a time.
"""

from __future__ import annotations

import json
import logging
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from concurrent.futures import TimeoutError as NotInTimeError
from dataclasses import dataclass
from datetime import datetime
from typing import NamedTuple, Protocol
from zoneinfo import ZoneInfo

from tidetray.ingest.alarms.alarm_settings import AlarmSettings, PersonSettings, QuietSettings
from tidetray.ingest.alarms.book import ESCALATED, MQTT, RAISED, REPEATED, TEST, Alarm, AlarmBook
from tidetray.ingest.alarms.kinds import HIGH
from tidetray.ingest.alarms.text import body, headline, title
from tidetray.ingest.core.backoff import wait_s
from tidetray.ingest.core.readings import TidetrayError, from_ms
from tidetray.ingest.core.wall_clock import Daily
from tidetray.ingest.store.recording import Store

log = logging.getLogger("tidetray.delivery")

TRY_S = 20.0
"""A try may take so long [s]; Apprise's own limits are 4 s to connect and 4 s to read."""

FIRST_WAIT_S, LONGEST_WAIT_S = 5.0, 600.0
"""Between two tries, doubled each time."""

FAILING_TRIES = 3
"""After so many failed tries in a row every page says so."""


class DeliveryError(TidetrayError):
    """A person cannot be told as the settings say."""


class Sender(Protocol):
    """Sends a message; gives why it could not, or an empty text."""

    def __call__(self, title: str, body: str) -> str: ...


Publish = Callable[[str, bytes], str]
"""Publishes a retained payload to a topic; gives why it could not, or an empty text."""


@dataclass(frozen=True, slots=True)
class Failing:
    """A recipient that messages do not reach."""

    recipient: str
    tries: int
    since_ms: int
    waiting: int
    error: str


class _Message(NamedTuple):
    """A row of the outbox."""

    number: int
    alarm_id: int | None
    recipient: str
    what: str
    tries: int


def sender(person: PersonSettings) -> Sender:
    """The way to a person. DeliveryError if an address cannot be read; addresses are never shown."""
    import apprise  # noqa: PLC0415 - half a second, and only who has people to tell needs it

    logging.getLogger("apprise").setLevel(logging.CRITICAL)  # it would log addresses, which are secrets
    urls = [url.get_secret_value() for url in person.urls]
    if person.urls_file is not None:
        try:
            lines = person.urls_file.read_text(encoding="utf-8").splitlines()
        except (OSError, UnicodeDecodeError) as error:
            raise DeliveryError(
                f"cannot read the addresses of {person.name}",
                where=str(person.urls_file),
                mend="Mend urls_file under [[alarms.person]]",
            ) from error
        urls = [line.strip() for line in lines if line.strip() and not line.startswith("#")]
    services = apprise.Apprise()
    for n, url in enumerate(urls, start=1):
        if not services.add(url):
            raise DeliveryError(
                f"address {n} of {person.name} is none that Apprise knows",
                where="[[alarms.person]]",
                mend="See Apprise's list of services for how it is written",
            )
    if not len(services):
        raise DeliveryError(
            f"{person.name} has no address", where="[[alarms.person]]", mend="Give one in urls or urls_file"
        )

    def send(title: str, body: str) -> str:
        return "" if services.notify(title=title, body=body) else "the service did not take it"

    return send


class Delivery:
    """Call `step` often; it plans and sends what is due."""

    def __init__(
        self,
        store: Store,
        settings: AlarmSettings,
        *,
        zone: str,
        senders: Mapping[str, Sender],
        publish: Publish | None,
        try_s: float = TRY_S,
    ) -> None:
        self._store = store
        self._book = AlarmBook(store)
        self._settings = settings
        self._zone = settings.zone or zone
        self._senders = dict(senders)
        self._publish = publish
        self._try_s = try_s
        self._hanging: dict[str, Future[str]] = {}
        self._pool = ThreadPoolExecutor(max_workers=max(2, 2 * len(self._senders)), thread_name_prefix="delivery")

    def close(self) -> None:
        self._pool.shutdown(wait=False, cancel_futures=True)

    def step(self, now_ms: int) -> int:
        """Send what is due; the number of messages sent."""
        self._plan(now_ms)
        sent = self._send_states(now_ms)
        rows = self._store.connection.execute(
            "SELECT id, alarm, recipient, what, tries FROM outbox WHERE sent_ms IS NULL AND due_ms <= ? AND "
            "recipient != ? ORDER BY id",
            (now_ms, MQTT),
        ).fetchall()
        for row in rows:
            sent += self._deliver(_Message(*row), now_ms)
        return sent

    def send_only(self, numbers: Sequence[int], now_ms: int) -> None:
        """Try these messages of the outbox once, and nothing else."""
        for number in numbers:
            row = self._store.connection.execute(
                "SELECT id, alarm, recipient, what, tries FROM outbox WHERE id = ? AND sent_ms IS NULL", (number,)
            ).fetchone()
            if row is not None:
                self._deliver(_Message(*row), now_ms)

    # ----------------------------------------------------------------

    def _plan(self, now_ms: int) -> None:
        """Who has to be told again, and who next."""
        posts = []
        for alarm in self._book.alarms(standing=True):
            shelved = alarm.shelved_until_ms is not None and alarm.shelved_until_ms > now_ms
            if alarm.acknowledged_ms is not None or alarm.muted_by is not None or shelved or not alarm.told:
                continue
            rows = self._store.connection.execute(
                "SELECT recipient, max(made_ms), sum(sent_ms IS NULL) FROM outbox WHERE alarm = ? AND recipient != ?"
                " AND made_ms >= ? GROUP BY recipient",
                (alarm.id, MQTT, alarm.known_ms),
            ).fetchall()
            last = {recipient: (made_ms, waiting) for recipient, made_ms, waiting in rows}
            for person in self._settings.person:
                made_ms, waiting = last.get(person.name, (None, 0))
                if made_ms is None:
                    if now_ms - alarm.known_ms >= 60_000 * person.after_minutes:
                        posts.append(
                            (alarm.id, person.name, ESCALATED if person.after_minutes else RAISED, now_ms, now_ms)
                        )
                elif not waiting and now_ms - made_ms >= 60_000 * self._settings.repeat_minutes:
                    posts.append((alarm.id, person.name, REPEATED, now_ms, now_ms))
        if posts:
            with self._store.transaction() as connection:
                connection.executemany(
                    "INSERT INTO outbox (alarm, recipient, what, made_ms, due_ms) VALUES (?, ?, ?, ?, ?)", posts
                )

    def _deliver(self, message: _Message, now_ms: int) -> int:
        number, alarm_id, recipient, what, tries = message
        alarm = None if alarm_id is None else self._book.alarm(alarm_id)
        if alarm is not None:
            if what in (REPEATED, ESCALATED) and (alarm.acknowledged_ms is not None or alarm.muted_by is not None):
                self._note(number, sent_ms=None, gone=True)
                return 0
            quiet_ms = None if alarm.priority == HIGH else quiet_until_ms(self._settings.quiet, self._zone, now_ms)
            if quiet_ms is not None:
                with self._store.transaction() as connection:
                    connection.execute("UPDATE outbox SET due_ms = ? WHERE id = ?", (quiet_ms, number))
                return 0
        send = self._senders.get(recipient)
        if send is None:
            error = "the settings name no such person any more"
        elif alarm is None:
            error = self._try(
                recipient, send, "tidetray: a test", "This is a test of the alarms. Nothing has happened."
            )
        else:
            error = self._try(recipient, send, title(alarm, what), body(alarm, what, self._zone, now_ms))
        if not error:
            self._note(number, sent_ms=now_ms)
            return 1
        log.warning("%s could not be told (%s), try %d", recipient, error, tries + 1)
        self._note(number, sent_ms=None, error=error, due_ms=now_ms + _wait_ms(tries))
        return 0

    def _try(self, recipient: str, send: Sender, title: str, body: str) -> str:
        hanging = self._hanging.get(recipient)
        if hanging is not None and not hanging.done():
            return "an earlier try has not ended"
        future = self._pool.submit(send, title, body)
        try:
            return future.result(timeout=self._try_s)
        except NotInTimeError:
            self._hanging[recipient] = future
            return f"no answer within {self._try_s:.0f} s"
        except Exception as error:  # noqa: BLE001 - whatever a service's plugin does, the others are told
            return f"{type(error).__name__}"

    def _send_states(self, now_ms: int) -> int:
        rows = self._store.connection.execute(
            "SELECT site, place, name, max(outbox.id), max(tries) FROM outbox JOIN alarm ON alarm.id = outbox.alarm"
            " WHERE sent_ms IS NULL AND recipient = ? AND due_ms <= ? GROUP BY site, place, name",
            (MQTT, now_ms),
        ).fetchall()
        sent = 0
        for site, place, name, last, tries in rows:
            error = "there is no connection to the broker"
            if self._publish is not None:
                error = self._publish(topic(site, place, name), self._state(site, place, name))
            which = (
                "recipient = ? AND sent_ms IS NULL AND id <= ? AND alarm IN (SELECT id FROM alarm WHERE site = ? "
                "AND place = ? AND name = ?)"
            )
            of = (MQTT, last, site, place, name)
            with self._store.transaction() as connection:
                if error:
                    connection.execute(
                        f"UPDATE outbox SET tries = tries + 1, error = ?, due_ms = ? WHERE {which}",
                        (error, now_ms + _wait_ms(tries), *of),
                    )
                else:
                    connection.execute(f"UPDATE outbox SET sent_ms = ?, error = NULL WHERE {which}", (now_ms, *of))
                    sent += 1
        return sent

    def _state(self, site: str, place: str, name: str) -> bytes:
        """All that stands of one place, told or muted; an empty list when nothing does."""
        standing = [a for a in self._book.alarms(standing=True) if a.key[:3] == (site, place, name)]
        return json.dumps({"alarms": [_as_json(alarm) for alarm in standing]}, ensure_ascii=False).encode()

    def _note(
        self,
        number: int,
        *,
        sent_ms: int | None,
        error: str | None = None,
        due_ms: int | None = None,
        gone: bool = False,
    ) -> None:
        with self._store.transaction() as connection:
            if gone:
                connection.execute("DELETE FROM outbox WHERE id = ?", (number,))
            else:
                connection.execute(
                    (
                        "UPDATE outbox SET sent_ms = ?, error = ?, due_ms = coalesce(?, due_ms), tries = tries + "
                        "? WHERE id = ?"
                    ),
                    (sent_ms, error, due_ms, int(error is not None), number),
                )


def post_test(store: Store, persons: Sequence[str], *, now_ms: int) -> list[int]:
    """Put a test message for each person into the outbox; their numbers there."""
    with store.transaction() as connection:
        return [
            int(
                connection.execute(
                    "INSERT INTO outbox (recipient, what, made_ms, due_ms) VALUES (?, ?, ?, ?)",
                    (person, TEST, now_ms, now_ms),
                ).lastrowid
                or 0
            )
            for person in persons
        ]


def failing(store: Store) -> list[Failing]:
    """Whom messages do not reach: FAILING_TRIES failed tries or more."""
    rows = store.connection.execute(
        "SELECT recipient, max(tries), min(made_ms), count(*), max(error) FROM outbox WHERE sent_ms IS NULL "
        "GROUP BY recipient HAVING max(tries) >= ? ORDER BY recipient",
        (FAILING_TRIES,),
    ).fetchall()
    return [Failing(*row) for row in rows]


def topic(site: str, place: str, name: str) -> str:
    """The retained topic of one place; outside of what the recorder listens to."""
    return "/".join(part for part in ("tidetray", "alarms", "v1", site, place, name) if part)


def quiet_until_ms(quiet: QuietSettings | None, zone: str, now_ms: int) -> int | None:
    """When the quiet hours that hold at `now_ms` end; None if none do."""
    if quiet is None:
        return None
    local = from_ms(now_ms).astimezone(ZoneInfo(zone))
    at = local.time()
    overnight = quiet.begin > quiet.until
    inside = (at >= quiet.begin or at < quiet.until) if overnight else quiet.begin <= at < quiet.until
    if not inside:
        return None
    return Daily((quiet.until,), zone).next_ms(now_ms)


def _wait_ms(tries: int) -> int:
    return round(1000 * wait_s(tries, first_s=FIRST_WAIT_S, longest_s=LONGEST_WAIT_S, at_least=0.5))


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
