"""Clocks that are wrong, set, or drift, while nodes measure: nothing lost, no false alarm, none late.

Each scenario runs the recorder's own commit and watch for 100 minutes of made-up time, with nodes that keep what they
measured until its receipt (a window of 8 messages, sent again after 30 s). At minute 30 the air at bench-1 gets too
hot; at minute 60 bench-2 (where there is one) is lost. The figures are printed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import pytest

from tests.conftest import Figures
from tidetray.ingest.alarms.book import AlarmBook
from tidetray.ingest.core.clock import Clock
from tidetray.ingest.core.readings import Reading
from tidetray.ingest.recorder.clock_judge import ClockJudge
from tidetray.ingest.recorder.mqtt_client import Message
from tidetray.ingest.recorder.recorder import Recorder
from tidetray.ingest.settings.model import Settings
from tidetray.ingest.store import queries
from tidetray.ingest.store.recording import open_store
from tidetray.ingest.wire import packs, receipts, topics

T0 = 1_780_300_800_000
S, MINUTE, HOUR = 1000, 60_000, 3_600_000
TICK_S = 10
RUN_MIN, HOT_MIN, LOST_MIN = 100, 30, 60
HOT_WITHIN_MIN = 3.0
"""A minute till it is sent, a minute of on-delay, a minute to see it."""
SILENT_WITHIN_MIN = 17.0
"""silent_minutes is 15; the last message is up to a minute old."""


@dataclass
class Node:
    """Measures every 10 s, sends every minute, keeps everything until its receipt; `off_ms`: how wrong its clock is."""

    name: str
    off_ms: int = 0
    seq: int = 0
    made: list[Reading] = field(default_factory=list)
    waiting: dict[int, tuple[bytes, int]] = field(default_factory=dict)
    fresh: list[Reading] = field(default_factory=list)

    def measure(self, true_ms: int) -> None:
        hot = self.name == "bench-1" and true_ms >= T0 + HOT_MIN * MINUTE
        self.fresh.append(Reading("", "air_temp", true_ms + self.off_ms, 41.0 if hot else 22.0 + self.seq % 7 / 10))

    def send(self, true_ms: int) -> list[bytes]:
        if len(self.fresh) >= 6:
            self.seq += 1
            payload = packs.encode_pack(self.fresh, boot="a1", seq=self.seq, oldest=1)
            self.waiting[self.seq] = (payload, -1)
            self.made += self.fresh
            self.fresh = []
        out = []
        for seq, (payload, sent_ms) in sorted(self.waiting.items())[:8]:
            if true_ms - sent_ms >= 30 * S or sent_ms < 0:
                self.waiting[seq] = (payload, true_ms)
                out.append(payload)
        return out

    def receipt(self, upto: int) -> None:
        self.waiting = {seq: each for seq, each in self.waiting.items() if seq > upto}


@dataclass
class Case:
    """`wall_off_ms`: how wrong the machine's clock is at a minute of true time. `record_ms`: the record's newest entry,
    before the start. `may_say`: alarms beside the two that are due."""

    name: str
    wall_off_ms: Callable[[float], float]
    nodes: tuple[tuple[str, int], ...] = (("bench-1", 0), ("bench-2", 0), ("bench-3", 0))
    record_ms: int | None = T0 - 10 * MINUTE
    may_say: frozenset[tuple[str, str]] = frozenset()
    kept_apart: tuple[str, ...] = ()


OWN = frozenset({("recorder", "clock wrong")})
CASES = [
    Case("right all the time", lambda _m: 0),
    Case("starts 3 h behind, set right after 40 min", lambda m: -3 * HOUR if m < 40 else 0, may_say=OWN),
    Case("3 h behind for good", lambda _m: -3 * HOUR, may_say=OWN),
    Case("starts behind its own record, set right", lambda m: -2 * HOUR if m < 25 else 0, record_ms=T0, may_say=OWN),
    Case("starts 1 h ahead, set right after 15 min", lambda m: HOUR if m < 15 else 0, may_say=OWN),
    Case("30 h ahead for good", lambda _m: 30 * HOUR, record_ms=None, may_say=OWN),
    Case("set 8 h forward, and back after 30 min", lambda m: 8 * HOUR if 20 <= m < 50 else 0, may_say=OWN),
    Case("set 2 h back for good", lambda m: -2 * HOUR if m >= 20 else 0, may_say=OWN),
    Case("set to and fro every 5 min", lambda m: HOUR * (int(m // 5) % 3 - 1), may_say=OWN),
    Case("loses a second a minute", lambda m: -S * m, may_say=OWN),
    Case(
        "one node of three 1 h ahead",
        lambda _m: 0,
        nodes=(("bench-1", 0), ("bench-2", 0), ("bench-3", HOUR)),
        may_say=frozenset({("node", "clock wrong")}),
        kept_apart=("bench-3",),
    ),
    Case(
        "one node of three 2 h behind",
        lambda _m: 0,
        nodes=(("bench-1", 0), ("bench-2", 0), ("bench-3", -2 * HOUR)),
        may_say=frozenset({("node", "clock wrong")}),
    ),
    Case(
        "one node only, started at the time of the last shutdown",
        lambda m: -3 * HOUR if m < 40 else 0,
        nodes=(("bench-1", 0),),
        record_ms=T0 - 3 * HOUR,
        may_say=OWN,
    ),
]


class _Broker:
    """What the recorder acknowledges and publishes, given to the nodes at once."""

    def __init__(self, nodes: list[Node]) -> None:
        self._nodes = {node.name: node for node in nodes}

    def acknowledge(self, _batch: object) -> None:
        pass

    def publish(self, topic: str, payload: bytes, **_: object) -> None:
        receipt = receipts.decode_receipt(payload)
        self._nodes[topics.parse_topic(topic).node].receipt(receipt.upto)


Outcome = tuple[int, list[str], dict[str, float]]


def run(case: Case, path: Path) -> Outcome:
    """Lost readings, false alarms, and by how many minutes each of the alarms that are due was late."""
    true_s = 0.0

    def wall_ms() -> int:
        return round(T0 + 1000 * true_s + case.wall_off_ms(true_s / 60))

    nodes = [Node(name, off_ms) for name, off_ms in case.nodes]
    with open_store(path) as store:
        if case.record_ms is not None:
            before = packs.encode_pack([Reading("", "air_temp", case.record_ms, 21.5)], boot="b0", seq=1)
            at = datetime.fromtimestamp(case.record_ms / 1000, UTC)
            topic = topics.data_topic("nursery", "bench-1")
            store.record([(packs.decode(topic, before, at), topic, before)])
        recorder = Recorder(store, Settings(), clock=Clock(wall_ms, lambda: 100.0 + true_s))
        recorder._session.client = _Broker(nodes)  # type: ignore[assignment]
        recorder.connected.set()
        book, raised = AlarmBook(store), {}
        for _ in range(RUN_MIN * 60 // TICK_S):
            true_s += TICK_S
            true_ms = round(T0 + 1000 * true_s)
            batch = []
            for node in nodes:
                if node.name == "bench-2" and true_s >= 60 * LOST_MIN:
                    continue
                node.measure(true_ms)
                for payload in node.send(true_ms):
                    message = Message(0, 1, 1, topics.data_topic("nursery", node.name), payload, recorder.clock.now())
                    batch.append(message)
            recorder._commit(batch)
            recorder._keep_up()
            for alarm in book.alarms():
                raised.setdefault((alarm.key.place, alarm.key.name, alarm.key.kind), true_s / 60)
        kept = {
            (key.node, time_ms)
            for key in queries.all_series(store)
            for time_ms in store.raw.rows(key.id, T0 - 40 * HOUR)["time_ms"].tolist()
        }
        quarantined = store.connection.execute(
            "SELECT topic, payload FROM quarantine WHERE settled_ms IS NULL"
        ).fetchall()
    lost = 0
    for node in nodes:
        in_journal = {reading.time_ms for payload, _ in node.waiting.values() for reading in _readings(payload, node)}
        missing = {r.time_ms for r in node.made} - in_journal - {t for name, t in kept if name == node.name}
        if node.name in case.kept_apart:
            payloads = [payload for topic, payload in quarantined if topics.parse_topic(topic).node == node.name]
            missing -= {reading.time_ms for payload in payloads for reading in _readings(payload, node)}
        lost += len(missing)
        if len(node.waiting) > 3:
            lost += len(in_journal)  # it is not lost, but stuck
    due = {("node", "bench-1", "too high"): HOT_MIN + HOT_WITHIN_MIN}
    if len(nodes) > 1:
        due["node", "bench-2", "silent node"] = LOST_MIN + SILENT_WITHIN_MIN
    false = [
        f"{kind} of {name or place} at {at:.1f} min"
        for (place, name, kind), at in raised.items()
        if (place, kind) not in case.may_say and ((place, name, kind) not in due or at < due[place, name, kind] - 20)
    ]
    late = {
        kind: max(0.0, raised.get((place, name, kind), RUN_MIN * 10) - at) for (place, name, kind), at in due.items()
    }
    return lost, false, late


def _readings(payload: bytes, node: Node) -> tuple[Reading, ...]:
    return packs.decode(topics.data_topic("nursery", node.name), payload, datetime(2100, 1, 1, tzinfo=UTC)).readings


@pytest.fixture(scope="module")
def outcome_of(tmp_path_factory: pytest.TempPathFactory) -> Callable[[Case], Outcome]:
    """What `run` found of a case, which runs once."""
    found: dict[str, Outcome] = {}

    def outcome(case: Case) -> Outcome:
        if case.name not in found:
            found[case.name] = run(case, tmp_path_factory.mktemp("clock") / "tidetray.sqlite")
        return found[case.name]

    return outcome


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_no_clock_loses_a_reading_makes_a_false_alarm_or_silences_one(
    case: Case, outcome_of: Callable[[Case], Outcome]
) -> None:
    lost, false, late = outcome_of(case)
    assert (lost, false, sum(late.values())) == (0, [], 0)


def test_all_scenarios_in_one_line(outcome_of: Callable[[Case], Outcome], figures: Figures) -> None:
    outcomes = [outcome_of(case) for case in CASES]
    lost, false = sum(each[0] for each in outcomes), sum(len(each[1]) for each in outcomes)
    silent = sum(sum(each[2].values()) for each in outcomes)
    due, in_time = sum(len(each[2]) for each in outcomes), sum(not m for each in outcomes for m in each[2].values())
    figures(
        f"clock_scenarios={len(CASES)} lost={lost} false_alarms={false} silent_minutes={silent:.0f} "
        f"alarms_due={due} in_time={in_time}"
    )
    assert len(CASES) >= 12
    assert (lost, false, silent) == (0, 0, 0)


def test_the_scenarios_can_fail(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, figures: Figures) -> None:
    """With the machine's clock believed at once, whatever it says."""

    def believes(judge: ClockJudge) -> int:
        judge._clock.look()
        judge._clock.adopt()
        return 0

    monkeypatch.setattr(ClockJudge, "decide", believes)
    monkeypatch.setattr(ClockJudge, "is_proven", True)
    failed = []
    for n, case in enumerate(CASES):
        lost, false, late = run(case, tmp_path / f"{n}.sqlite")
        if lost or false or any(late.values()):
            failed.append(case.name)
            figures(f"{case.name}: lost {lost}, false alarms {len(false)}, silent minutes {sum(late.values()):.0f}")
    assert len(failed) >= 6
    assert CASES[0].name not in failed


def test_queries_know_the_newest_time_of_receiving(tmp_path: Path) -> None:
    with open_store(tmp_path / "tidetray.sqlite") as store:
        assert queries.newest_received_ms(store) is None
