"""Delivery: what is in the outbox is sent, and tried again until it is; who is to be told again or next is put in it.

In: the outbox. Out: messages to people by Apprise, and each try noted in the outbox. A message is marked as sent after
it was: whoever is killed in between sends it once more, and never not at all.

Each address of each person has a queue, a back-off and a thread of its own: a service that hangs or refuses holds up
nobody else, nor the same person's other addresses. The most urgent goes first. After a message the next one to the same
address waits a minute, and then carries all that came meanwhile, grouped; only an urgent one does not wait for those
that are not.
"""

from __future__ import annotations

import logging
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor, wait
from dataclasses import dataclass, field
from typing import NamedTuple, Protocol
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from tidetray.ingest.alarms.alarm_settings import AlarmSettings, PersonSettings, QuietSettings
from tidetray.ingest.alarms.book import ESCALATED, MQTT, RAISED, REPEATED, TEST, Alarm, AlarmBook
from tidetray.ingest.alarms.kinds import HIGH, PRIORITIES
from tidetray.ingest.alarms.text import Told, body, digest_body, digest_title, title
from tidetray.ingest.core.backoff import wait_s
from tidetray.ingest.core.readings import TidetrayError, from_ms
from tidetray.ingest.core.wall_clock import Daily
from tidetray.ingest.store.recording import Store

log = logging.getLogger("tidetray.delivery")

TRY_S = 20.0
"""A try may take so long [s]; Apprise's own limits are 4 s to connect and 4 s to read."""

FIRST_WAIT_S, LONGEST_WAIT_S = 5.0, 600.0
"""Between two tries at one address, doubled each time."""

DIGEST_S = 60.0
"""After a message the next one to the same address waits for so long, and carries all that came meanwhile."""

FAILING_TRIES = 3
"""After so many failed tries in a row every page says so."""

AT_ONCE = 500
"""Rows of the outbox looked at for one message; what is more goes with the next."""


class DeliveryError(TidetrayError):
    """A person cannot be told as the settings say."""


class Sender(Protocol):
    """Sends a message; returns why it could not, or an empty text."""

    def __call__(self, title: str, body: str) -> str: ...


@dataclass(frozen=True, slots=True)
class Failing:
    """A recipient whom messages do not reach; `error` is of the latest try."""

    recipient: str
    tries: int
    since_ms: int
    waiting: int
    error: str


class _Row(NamedTuple):
    """A row of the outbox."""

    number: int
    alarm_id: int | None
    recipient: str
    what: str
    tries: int
    due_ms: int


@dataclass(slots=True)
class _Lane:
    """One address of one person. Times are of the steady clock."""

    person: str
    send: Sender
    done: set[int] = field(default_factory=set)
    under_way: list[int] = field(default_factory=list)
    future: Future[str] | None = None
    begun_ms: int = 0
    failures: int = 0
    has_failed: bool = False
    next_ms: int = 0
    last_ms: int | None = None
    last_urgent_ms: int | None = None

    @property
    def is_failing(self) -> bool:
        return self.failures >= FAILING_TRIES


def addresses(person: PersonSettings) -> list[str]:
    """The addresses of a person. DeliveryError if their file cannot be read; addresses are never shown."""
    urls = [url.get_secret_value() for url in person.urls]
    if person.urls_file is not None:
        try:
            lines = person.urls_file.read_text(encoding="utf-8").splitlines()
        except (OSError, UnicodeDecodeError) as error:
            raise DeliveryError(
                f"cannot read the addresses of {person.name}",
                where=str(person.urls_file),
                mend="Correct urls_file under [[alarms.person]]",
            ) from error
        urls += [line.strip() for line in lines if line.strip() and not line.startswith("#")]
    if not urls:
        raise DeliveryError(
            f"{person.name} has no address", where="[[alarms.person]]", mend="Give one in urls or urls_file"
        )
    return urls


def senders(person: PersonSettings) -> list[Sender]:
    """The ways to a person, one for each address.

    Raises
    ------
    DeliveryError
        If an address cannot be read. Addresses are secrets and never shown.
    """
    import apprise  # noqa: PLC0415 - half a second, and only who has people to tell needs it

    logging.getLogger("apprise").setLevel(logging.CRITICAL)  # it would log addresses, which are secrets
    found = []
    for n, url in enumerate(addresses(person), start=1):
        service = apprise.Apprise()
        if not service.add(url):
            raise DeliveryError(
                f"address {n} of {person.name} is none that Apprise knows",
                where="[[alarms.person]]",
                mend="See Apprise's list of services for how it is written",
            )
        for way in service:
            if way.overflow_mode != apprise.OverflowMode.TRUNCATE:  # unless the address asks for it
                way.overflow_mode = apprise.OverflowMode.SPLIT  # a long digest in parts, not cut off
        found.append(_sender(service))
    return found


def _sender(service: object) -> Sender:
    def send(title: str, body: str) -> str:
        taken = service.notify(title=title, body=body)  # type: ignore[attr-defined]
        return "" if taken else "the service did not take it"

    return send


def senders_or_reasons(person: PersonSettings) -> list[Sender]:
    """As `senders`; where an address cannot be read, one way that says why, and looks again at each try."""
    try:
        return senders(person)
    except DeliveryError:
        pass

    def send(title: str, body: str) -> str:
        try:
            errors = [each(title, body) for each in senders(person)]
        except DeliveryError as error:
            return str(error)
        return next(filter(None, errors), "")

    return [send]


class Ages:
    """How long ago things of the record happened, though the wall clock may be set meanwhile.

    The wall clock counts once, when something is first seen; from then on it ages by the steady clock.
    """

    def __init__(self) -> None:
        self._known: dict[tuple[object, ...], tuple[int, int]] = {}
        self._seen: set[tuple[object, ...]] = set()

    def of(self, key: tuple[object, ...], at_ms: int, now_ms: int, steady_ms: int) -> int:
        """Milliseconds since `at_ms` of the wall clock; `now_ms` and `steady_ms` are the two clocks now."""
        self._seen.add(key)
        first_ms, age_ms = self._known.setdefault(key, (steady_ms, max(0, now_ms - at_ms)))
        return age_ms + steady_ms - first_ms

    def forget_others(self) -> None:
        """Drop what was not asked for since the last call."""
        self._known = {key: value for key, value in self._known.items() if key in self._seen}
        self._seen = set()


class Delivery:
    """Call `step` often; it plans and sends what is due.

    Parameters
    ----------
    store : Store
        The record, with a connection of the caller's thread.
    settings : AlarmSettings
        Whom to tell, when, how often.
    zone : str
        The clock zone of sites that `zones` does not name.
    senders : mapping of str to a Sender or a sequence of them
        The ways to each person.
    zones : callable, optional
        Gives the clock zone of each site.
    try_s : float
        Seconds that one try may take.
    step_wait_s : float, optional
        Seconds that `step` waits for tries under way; `try_s` if not given.
    """

    def __init__(
        self,
        store: Store,
        settings: AlarmSettings,
        *,
        zone: str,
        senders: Mapping[str, Sender | Sequence[Sender]],
        zones: Callable[[], Mapping[str, str]] = dict,
        try_s: float = TRY_S,
        step_wait_s: float | None = None,
    ) -> None:
        self._store = store
        self._book = AlarmBook(store)
        self._settings = settings
        self._zone = zone
        self._zones = zones
        self._try_s = try_s
        self._step_wait_s = try_s if step_wait_s is None else step_wait_s
        self._lanes: dict[str, list[_Lane]] = {
            name: [_Lane(name, send) for send in ([ways] if callable(ways) else ways)] for name, ways in senders.items()
        }
        lanes = sum(map(len, self._lanes.values()))
        self._pool = ThreadPoolExecutor(max_workers=max(1, lanes), thread_name_prefix="delivery")
        self._ages = Ages()

    def close(self) -> None:
        self._pool.shutdown(wait=False, cancel_futures=True)

    def step(self, now_ms: int, steady_ms: int | None = None) -> int:
        """Plan and send what is due.

        Parameters
        ----------
        now_ms : int
            The time [ms since 1970].
        steady_ms : int, optional
            A clock that is never set [ms]; `now_ms` if not given.

        Returns
        -------
        int
            Rows of the outbox that were marked as sent.
        """
        steady_ms = now_ms if steady_ms is None else steady_ms
        self._end_ownerless(now_ms)
        self._plan(now_ms, steady_ms)
        sent = self._collect(now_ms, steady_ms)  # of earlier steps
        begun = [self._begin(lane, now_ms, steady_ms) for lanes in self._lanes.values() for lane in lanes]
        if any(begun):
            wait(filter(None, begun), timeout=self._step_wait_s)
            sent += self._collect(now_ms, steady_ms)
        self._give_up(now_ms, steady_ms)
        return sent

    def send_only(self, numbers: Sequence[int], now_ms: int) -> None:
        """Try these messages of the outbox once, and nothing else."""
        for lanes in self._lanes.values():
            begun = [future for lane in lanes if (future := self._begin(lane, now_ms, now_ms, only=numbers))]
            wait(begun, timeout=self._try_s)
        self._collect(now_ms, now_ms)
        self._give_up(now_ms, now_ms)

    def troubles(self) -> list[str]:
        """Addresses that fail, by their number: a person with another one may be reached all the same."""
        return [
            f"address {n} of {person} does not take messages"
            for person, lanes in self._lanes.items()
            for n, lane in enumerate(lanes, start=1)
            if lane.is_failing
        ]

    # ---------------------------------------------------------------- what is to be sent

    def _end_ownerless(self, now_ms: int) -> None:
        """Messages for somebody whom the settings name no more are ended: nobody waits for them."""
        known = [*self._lanes, *([MQTT] if self._settings.mqtt else [])]
        which = f"sent_ms IS NULL AND recipient NOT IN ({', '.join('?' * len(known))})"
        rows = self._store.connection.execute(
            f"SELECT recipient, count(*) FROM outbox WHERE {which} GROUP BY recipient", known
        ).fetchall()
        if rows:
            with self._store.transaction() as connection:
                connection.execute(f"DELETE FROM outbox WHERE {which}", known)
            for recipient, count in rows:
                log.warning("%d messages to %s are ended: the settings name no such recipient", count, recipient)

    def _plan(self, now_ms: int, steady_ms: int) -> None:
        """Who has to be told again, and who next."""
        posts = []
        told = self._last_told()
        for alarm in self._book.alarms(standing=True):
            shelved = alarm.shelved_until_ms is not None and alarm.shelved_until_ms > now_ms
            if alarm.acknowledged_ms is not None or alarm.muted_by is not None or shelved or not alarm.told:
                continue
            known_for_ms = self._ages.of((alarm.id, alarm.known_ms), alarm.known_ms, now_ms, steady_ms)
            last = told.get(alarm.id, {})
            for person in self._settings.person:
                number, made_ms, waiting = last.get(person.name, (None, 0, 0))
                if number is None:
                    if known_for_ms >= 60_000 * person.after_minutes:
                        posts.append((alarm.id, person.name, ESCALATED if person.after_minutes else RAISED))
                elif not waiting:
                    told_for_ms = self._ages.of((alarm.id, number), made_ms, now_ms, steady_ms)
                    if told_for_ms >= 60_000 * self._settings.repeat_minutes:
                        posts.append((alarm.id, person.name, REPEATED))
        self._ages.forget_others()
        if posts:
            with self._store.transaction() as connection:
                connection.executemany(
                    "INSERT INTO outbox (alarm, recipient, what, made_ms, due_ms) VALUES (?, ?, ?, ?, ?)",
                    [(*post, now_ms, now_ms) for post in posts],
                )

    def _last_told(self) -> dict[int, dict[str, tuple[int, int, int]]]:
        """Of each active alarm and recipient, since it is known: the last row, when it was made, how many are not
        sent. One question for all: hundreds may be active at once, and this is asked each second."""
        rows = self._store.connection.execute(
            "SELECT alarm, recipient, max(id), max(made_ms), sum(sent_ms IS NULL) FROM outbox"
            " WHERE alarm IN (SELECT id FROM alarm WHERE returned_ms IS NULL) AND recipient != ?"
            " GROUP BY alarm, recipient",
            (MQTT,),
        ).fetchall()
        found: dict[int, dict[str, tuple[int, int, int]]] = defaultdict(dict)
        for number, recipient, *facts in rows:
            found[number][recipient] = (facts[0], facts[1], facts[2])
        return found

    def _due(self, lane: _Lane, now_ms: int, steady_ms: int) -> list[tuple[_Row, Alarm | None]]:
        """What may go to this address now, the most urgent first."""
        rows = self._store.connection.execute(
            "SELECT outbox.id, alarm, recipient, what, tries, due_ms FROM outbox LEFT JOIN alarm ON alarm.id = alarm "
            "WHERE sent_ms IS NULL AND recipient = ? AND (due_ms <= ? OR due_ms > ?) "
            f"ORDER BY {_BY_PRIORITY}, outbox.id LIMIT ?",
            # further ahead than any wait: made by a clock that was set back since
            (lane.person, now_ms, now_ms + round(1000 * LONGEST_WAIT_S), AT_ONCE + len(lane.done)),
        ).fetchall()
        zones = self._zones()
        due = []
        for row in (_Row(*each) for each in rows):
            if row.number in lane.done:
                continue
            alarm = None if row.alarm_id is None else self._book.alarm(row.alarm_id)
            if alarm is not None and row.what in (REPEATED, ESCALATED) and not _is_unanswered(alarm):
                self._drop(row.number)
            elif alarm is None or alarm.priority == HIGH or not self._is_quiet(alarm, zones, now_ms):
                due.append((row, alarm))
        urgent = any(alarm is None or alarm.priority == HIGH for _, alarm in due)
        last_ms = lane.last_urgent_ms if urgent else lane.last_ms
        is_early = last_ms is not None and steady_ms - last_ms < 1000 * DIGEST_S
        return [each for each in due if each[1] is None] if is_early else due

    def _is_quiet(self, alarm: Alarm, zones: Mapping[str, str], now_ms: int) -> bool:
        return quiet_until_ms(self._settings.quiet, self._zone_of(alarm, zones), now_ms) is not None

    def _zone_of(self, alarm: Alarm, zones: Mapping[str, str]) -> str:
        return self._settings.zone or zones.get(alarm.key.site, self._zone)

    # ---------------------------------------------------------------- tries

    def _begin(self, lane: _Lane, now_ms: int, steady_ms: int, only: Sequence[int] | None = None) -> Future[str] | None:
        """Start a try at one address, if it is idle and something is due."""
        if lane.future is not None or (only is None and steady_ms < lane.next_ms):
            return None
        due = self._due(lane, now_ms, steady_ms)
        if only is not None:
            due = [each for each in due if each[0].number in only]
        if not due:
            return None
        lane.under_way = [row.number for row, _ in due]
        lane.begun_ms, lane.has_failed = steady_ms, False
        if any(alarm is not None and alarm.priority == HIGH for _, alarm in due):
            lane.last_urgent_ms = steady_ms
        lane.last_ms = steady_ms
        lane.future = self._pool.submit(lane.send, *self._text(due, now_ms))
        return lane.future

    def _text(self, due: Sequence[tuple[_Row, Alarm | None]], now_ms: int) -> tuple[str, str]:
        zones = self._zones()
        told: dict[int, Told] = {}  # of several rows for one alarm the last one counts
        for row, alarm in due:
            if alarm is not None:
                told[alarm.id] = Told(alarm, row.what, self._zone_of(alarm, zones))
        if not told:
            return "tidetray: a test", "This is a test of the alarms. Nothing has happened."
        if len(told) == 1:
            (one,) = told.values()
            return title(one.alarm, one.what), body(one.alarm, one.what, one.zone, now_ms)
        return digest_title(list(told.values())), digest_body(list(told.values()), now_ms)

    def _collect(self, now_ms: int, steady_ms: int) -> int:
        """What became of tries that have ended; the number of rows marked as sent."""
        sent = 0
        for lanes in self._lanes.values():
            ended = [lane for lane in lanes if lane.future is not None and lane.future.done()]
            for lane in ended:
                if lane.future is not None:
                    error = _result(lane.future)
                    lane.future = None
                    if error:
                        self._failed(lane, error, now_ms, steady_ms)
                    else:
                        lane.failures, lane.next_ms = 0, 0
                        lane.done.update(lane.under_way)
                    lane.under_way = []
            sent += self._mark_sent(lanes, now_ms) if ended else 0
        return sent

    def _mark_sent(self, lanes: Sequence[_Lane], now_ms: int) -> int:
        """A message is sent when every address of the person took it; those that fail are not waited for."""
        taken = set().union(*(lane.done for lane in lanes))
        sent = [number for number in taken if all(number in lane.done or lane.is_failing for lane in lanes)]
        if sent:
            with self._store.transaction() as connection:
                connection.executemany(
                    "UPDATE outbox SET sent_ms = ?, error = NULL WHERE id = ?", [(now_ms, number) for number in sent]
                )
            for lane in lanes:
                lane.done.difference_update(sent)
        return len(sent)

    def _give_up(self, now_ms: int, steady_ms: int) -> None:
        """A try that does not end counts as failed, once; its thread is waited for before the next one."""
        for lanes in self._lanes.values():
            for lane in lanes:
                is_late = lane.future is not None and (
                    steady_ms - lane.begun_ms >= 1000 * self._try_s or self._step_wait_s >= self._try_s
                )
                if is_late and not lane.has_failed:
                    lane.has_failed = True
                    self._failed(lane, f"no answer within {self._try_s:g} s", now_ms, steady_ms)

    def _failed(self, lane: _Lane, error: str, now_ms: int, steady_ms: int) -> None:
        pause_ms = round(1000 * wait_s(lane.failures, first_s=FIRST_WAIT_S, longest_s=LONGEST_WAIT_S, at_least=0.5))
        lane.failures += 1
        lane.next_ms = steady_ms + pause_ms
        lane.last_ms = lane.last_urgent_ms = None  # nothing got there
        log.warning("no message reached %s (%s), try %d", lane.person, error, lane.failures)
        alone = len(self._lanes[lane.person]) == 1
        with self._store.transaction() as connection:
            connection.executemany(
                "UPDATE outbox SET error = ?, due_ms = ?, tries = tries + 1 WHERE id = ? AND sent_ms IS NULL",
                # where there are other addresses, these go on at once
                [(error, now_ms + pause_ms if alone else now_ms, number) for number in lane.under_way],
            )

    def _drop(self, number: int) -> None:
        with self._store.transaction() as connection:
            connection.execute("DELETE FROM outbox WHERE id = ?", (number,))


_RANKS = " ".join(f"WHEN '{name}' THEN {rank}" for rank, name in enumerate(PRIORITIES))
_BY_PRIORITY = f"CASE alarm.priority {_RANKS} ELSE -1 END"


def _is_unanswered(alarm: Alarm) -> bool:
    return alarm.acknowledged_ms is None and alarm.muted_by is None


def _result(future: Future[str]) -> str:
    try:
        return future.result()
    except Exception as error:  # noqa: BLE001 - whatever a service's plugin does, the others are told
        return type(error).__name__


def outcomes(store: Store, numbers: Sequence[int]) -> list[tuple[str, int | None, str | None]]:
    """Of messages by their numbers: to whom, when it was sent [ms since 1970] if it was, and what stood in the way."""
    marks = ", ".join("?" * len(numbers))
    return store.connection.execute(
        f"SELECT recipient, sent_ms, error FROM outbox WHERE id IN ({marks}) ORDER BY id", tuple(numbers)
    ).fetchall()


def post_test(store: Store, persons: Iterable[str], *, now_ms: int) -> list[int]:
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
    """Whom messages do not reach: FAILING_TRIES failed tries or more. The error is that of the latest try."""
    rows = store.connection.execute(
        "SELECT recipient, tries, made_ms, error FROM outbox WHERE sent_ms IS NULL ORDER BY recipient, due_ms, id"
    ).fetchall()
    of: dict[str, list[tuple[int, int, str | None]]] = defaultdict(list)
    for recipient, *facts in rows:
        of[recipient].append((facts[0], facts[1], facts[2]))
    return [
        Failing(
            recipient,
            max(tries for tries, _, _ in waiting),
            min(made_ms for _, made_ms, _ in waiting),
            len(waiting),
            [error for _, _, error in waiting if error][-1],  # the latest tried is due last
        )
        for recipient, waiting in of.items()
        if max(tries for tries, _, _ in waiting) >= FAILING_TRIES
    ]


def quiet_until_ms(quiet: QuietSettings | None, zone: str, now_ms: int) -> int | None:
    """When the quiet hours in force at `now_ms` end; None if none are, or nobody knows the zone here."""
    if quiet is None:
        return None
    try:
        at = from_ms(now_ms).astimezone(ZoneInfo(zone)).time()
    except (ZoneInfoNotFoundError, ValueError):
        return None
    overnight = quiet.begin > quiet.until
    inside = (at >= quiet.begin or at < quiet.until) if overnight else quiet.begin <= at < quiet.until
    if not inside:
        return None
    return Daily((quiet.until,), zone).next_ms(now_ms)
