"""Named faults put into the simulated nursery: each gives the alarm expected, in time, and no other."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from functools import lru_cache
from typing import Any

import numpy as np
import pytest

from tests.nursery_faults import (
    Sent,
    SentFault,
    TraceFault,
    change_values,
    flooded_at,
    in_order,
    leave_out,
    quiet_nursery,
    sent_by,
    slowing,
    traces,
    tray_of,
    with_another_flood,
    with_flood,
    without_flood,
)
from tests.watched import Watched, measured
from tidetray.ingest.core.readings import Reading
from tidetray.ingest.cycles.control_charts import slow_change
from tidetray.ingest.nursery.nursery import Nursery
from tidetray.ingest.nursery.sensors import Trace, history

UNTIL = datetime(2026, 6, 3, 12, tzinfo=UTC)
NOON = datetime(2026, 6, 2, 11, tzinfo=UTC)
"""Of the second of two quiet days, by the clock on the wall: trays of short floods are due at 12:30 and 17:30."""

MINUTE, HOUR = 60.0, 3600.0


@lru_cache(maxsize=1)
def quiet() -> Nursery:
    return quiet_nursery(UNTIL, days=2)


def short(n: int = 0) -> str:
    return tray_of(quiet(), "short floods", n).name


def due_s(tray: str) -> float:
    """The tray's first flood after noon."""
    return float(quiet().floods[tray].start_s[flooded_at(quiet(), tray, NOON)])


@dataclass(frozen=True)
class Fault:
    """What is done, on which tray (else its node), from when on; who is told what (kind, place), and within which time.

    `seen_s`: how long after the fault the watch goes on.
    """

    name: str
    tray: str
    at_s: float
    told: list[tuple[str, str]]
    within_s: float
    nursery: Callable[[Nursery], Nursery] = lambda nursery: nursery
    trace: TraceFault | None = None
    sent: SentFault | None = None
    seen_s: float = 4 * HOUR
    nodes: int = 1
    offline_s: float | None = None
    settings: dict[str, Any] = field(default_factory=dict)


def node_of(tray: str) -> str:
    return next(node for node, trays in quiet().nodes.items() if tray in trays)


def flood(name: str, kind: str, within_s: float, *, then: float | None = None, **changes: Any) -> Fault:
    """A flood of a tray of short floods that goes wrong. Numbers are set, functions get (start, pump's end)."""
    tray = short()
    place = flooded_at(quiet(), tray, NOON)
    floods = quiet().floods[tray]
    start_s, end_s = float(floods.start_s[place]), float(floods.drain_start_s[place])
    made = {key: value(start_s, end_s) if callable(value) else value for key, value in changes.items()}
    at_s = start_s if then is None else start_s + then
    return Fault(
        name, tray, at_s, [(kind, tray)], within_s, nursery=lambda nursery: with_flood(nursery, tray, place, **made)
    )


def values(  # noqa: PLR0917 - one line of the table each
    name: str, tray: str, told: str, within_s: float, channel: str, change: Callable[[Any], Any], **more: Any
) -> Fault:
    at_s = more.pop("at_s", NOON.timestamp())
    for_s = more.pop("for_s", 48 * HOUR)
    return Fault(
        name,
        tray,
        at_s,
        [(told, tray)],
        within_s,
        trace=lambda trace: change_values(trace, channel, at_s, at_s + for_s, change),
        **more,
    )


def packs(name: str, told: str, within_s: float, change: SentFault, **more: Any) -> Fault:
    tray = short()
    at_s = more.pop("at_s", NOON.timestamp())
    return Fault(name, tray, at_s, more.pop("told_all", [(told, node_of(tray))]), within_s, sent=change, **more)


def steady(value: float) -> Callable[[Any], Any]:
    return lambda values: np.full(len(values), value)


def stuck(trace: Trace, at_s: float) -> Trace:
    """The level sensor shows 12 mm from then on, between dry and the flood mark."""
    return change_values(trace, "level", at_s, UNTIL.timestamp(), steady(0.012))


def cut_off(at_s: float, *, will: bool) -> SentFault:
    def cut(sent: list[Sent]) -> list[Sent]:
        kept = [each for each in sent if each.received_ms <= 1000 * at_s]
        return [*kept, Sent(kept[-1].node, round(1000 * at_s) + 30_000, here=False)] if will else kept

    return cut


def with_reading(channel: str, value: float, at_s: float) -> SentFault:
    """A quantity of the node's own place, sent with every pack from then on."""

    def add(sent: list[Sent]) -> list[Sent]:
        return [
            replace(each, readings=(*each.readings, Reading("", channel, each.readings[-1].time_ms, value)))
            if each.received_ms > 1000 * at_s
            else each
            for each in sent
        ]

    return add


def with_bad(record: str, kind: str, at_s: float, *, empty: bool = False) -> SentFault:
    """Records in quarantine, as `packs` names them; `empty`: there is nothing else in the packs."""

    def add(sent: list[Sent]) -> list[Sent]:
        return [
            replace(each, bad=((record, kind),), readings=() if empty else each.readings)
            if each.received_ms > 1000 * at_s
            else each
            for each in sent
        ]

    return add


def says(fault: str, at_s: float) -> SentFault:
    """The node's own word, sent with what it measures, that something is wrong with it."""

    def add(sent: list[Sent]) -> list[Sent]:
        word = Sent(sent[0].node, round(1000 * at_s), here=True, faults=(fault,))
        return sorted([*sent, word], key=lambda each: each.received_ms)

    return add


def behind(by_s: float, at_s: float) -> SentFault:
    def shift(sent: list[Sent]) -> list[Sent]:
        return [
            replace(each, readings=tuple(r._replace(time_ms=r.time_ms - round(1000 * by_s)) for r in each.readings))
            if each.received_ms > 1000 * at_s
            else each
            for each in sent
        ]

    return shift


def no_water(*trays: str) -> Callable[[Nursery], Nursery]:
    def change(nursery: Nursery) -> Nursery:
        for tray in trays:
            place = flooded_at(nursery, tray, NOON)
            start_s = nursery.floods[tray].start_s[place]
            nursery = with_flood(nursery, tray, place, peak_m=0.0, drain_start_s=start_s + 60)
        return nursery

    return change


def faults() -> list[Fault]:
    one, noon = short(), NOON.timestamp()
    submersed, emersed = tray_of(quiet(), "submersed").name, tray_of(quiet(), "emersed").name
    same_node = next(t for t in (short(1), *(tray_of(quiet(), "long floods", n).name for n in range(2))) if t != one)
    night = datetime(2026, 6, 1, 23, tzinfo=UTC).timestamp()
    beat = 5 * MINUTE
    return [
        Fault(
            "the node forgets a flood",
            one,
            due_s(one),
            [("missed flood", one)],
            15 * MINUTE + beat,
            nursery=lambda nursery: without_flood(nursery, one, flooded_at(nursery, one, NOON)),
        ),
        flood("the reservoir is empty", "pump running dry", 61, peak_m=0.0, drain_start_s=lambda a, b: a + 60),
        flood("the pump gives up at once", "no flood", 20 + 60 + beat, peak_m=0.0, drain_start_s=lambda a, b: a + 20),
        flood("the reservoir runs low", "flood mark not reached", 61 + beat, peak_m=0.012),
        flood("the pump is weak", "flood mark not reached", 70, fill_s=240.0),
        flood("the drain pipe is higher than the pump thinks", "overflow", 30 + beat, peak_m=0.058),
        flood("a leaf lies on the drain", "did not drain", 50, then=45 * MINUTE, clear_s=1.5, clogged_share=5e-5),
        flood("roots narrow the drain", "drained slowly", 60, then=45 * MINUTE, discharge_m2=1.9e-4),
        flood(
            "the pump's relay sticks",
            "pump did not stop",
            61 * MINUTE + beat,
            drain_start_s=lambda a, b: b + 40 * MINUTE,
        ),
        Fault(
            "somebody floods by hand",
            one,
            noon + 2.5 * HOUR,
            [("flood outside the schedule", one)],
            30,
            nursery=lambda nursery: with_another_flood(nursery, one, noon + 2.5 * HOUR, 300.0),
            seen_s=HOUR,
        ),
        Fault(
            "a tray that stays dry is flooded",
            emersed,
            noon,
            [("flood outside the schedule", emersed)],
            30,
            nursery=lambda nursery: with_another_flood(nursery, emersed, noon, 300.0),
            seen_s=HOUR,
        ),
        values(
            "a submersed tray leaks",
            submersed,
            "water too low",
            10 * MINUTE + 2 * beat,
            "level",
            steady(0.011),
            seen_s=HOUR,
        ),
        values("the float sticks up", one, "float against level", 2 * beat, "flooded", steady(1.0), seen_s=HOUR),
        values(
            "the float sticks down",
            one,
            "float against level",
            90 + beat,
            "flooded",
            steady(0.0),
            at_s=due_s(one),
            seen_s=HOUR,
        ),
        values(
            "the level sensor hangs in the air",
            one,
            "float against level",
            90 + beat,
            "level",
            steady(0.0004),
            at_s=due_s(one) - 60,
            seen_s=3 * HOUR,
        ),
        Fault(
            "the level sensor shows 12 mm from the start",
            one,
            quiet().started.timestamp(),
            [("did not drain", one), ("level not moving", one)],
            10 * MINUTE,
            trace=lambda trace: stuck(trace, 0.0),
            seen_s=30 * HOUR,
        ),
        values(
            "the level sensor sticks at 12 mm",
            one,
            "level not moving",
            3 * MINUTE + 2 * beat,
            "level",
            steady(0.012),
            at_s=due_s(one) - 60,
            seen_s=9 * HOUR,
        ),
        Fault(
            "the level sensor sticks at 12 mm on a tray without a float",
            one,
            due_s(one) - 60,
            [("level not moving", one)],
            4 * MINUTE + 2 * beat,
            trace=lambda trace: change_values(
                leave_out(trace, "flooded", 0.0, noon + 48 * HOUR),
                "level",
                due_s(one) - 60,
                noon + 48 * HOUR,
                steady(0.012),
            ),
            seen_s=9 * HOUR,
        ),
        Fault(
            "the level sensor sticks at 12 mm on a tray whose pump nobody knows",
            one,
            due_s(one) - 60,
            [("level not moving", one)],
            4 * HOUR,
            trace=lambda trace: change_values(
                leave_out(trace, "pump", 0.0, noon + 48 * HOUR),
                "level",
                due_s(one) - 60,
                noon + 48 * HOUR,
                steady(0.012),
            ),
            seen_s=9 * HOUR,
        ),
        values(
            "the level of a dry tray stands still",
            emersed,
            "flat line",
            6 * HOUR + 2 * beat,
            "level",
            steady(0.0006),
            at_s=night,
            seen_s=9 * HOUR,
        ),
        values(
            "a thermometer stands still",
            one,
            "flat line",
            6 * HOUR + 2 * beat,
            "air_temp",
            steady(21.3),
            at_s=night,
            seen_s=9 * HOUR,
        ),
        packs(
            "a thermometer's cable breaks: -127",
            "out of range",
            beat,
            with_bad(f"{one}/water_temp", "range", noon),
            told_all=[("out of range", one)],
        ),
        values(
            "a thermometer is shorted: exactly 0.0",
            one,
            "known bad value",
            2 * beat,
            "water_temp",
            steady(0.0),
            seen_s=HOUR,
        ),
        values(
            "the light sensor is at its end", one, "known bad value", 2 * beat, "light", steady(54612.5), seen_s=HOUR
        ),
        values(
            "the humidity sensor is wet",
            one,
            "known bad value",
            12 * HOUR + 2 * beat,
            "humidity",
            steady(100.0),
            at_s=night - 6 * HOUR,
            seen_s=14 * HOUR,
        ),
        Fault(
            "the level sensor's cable breaks",
            one,
            noon,
            [("no readings", one)],
            15 * MINUTE + 2 * beat,
            trace=lambda trace: leave_out(trace, "level", noon, noon + 48 * HOUR),
            seen_s=HOUR,
        ),
        packs("the node loses its power", "silent node", 30 + 180, cut_off(noon, will=True)),
        packs("the node hangs", "silent node", 15 * MINUTE + beat + 60, cut_off(noon, will=False)),
        packs(
            "the network fails",
            "no node heard",
            15 * MINUTE + beat + 60,
            cut_off(noon, will=False),
            nodes=3,
            told_all=[("no node heard", "nursery")],
        ),
        Fault(
            "the broker is gone", one, noon, [("no connection to the broker", "")], 4 * MINUTE, nodes=3, offline_s=noon
        ),
        packs(
            "the node's clock runs years ahead",
            "clock wrong",
            30 + beat,
            with_bad("level", "time", noon, empty=True),
            seen_s=600,
        ),
        packs(
            "the node's clock steps back",
            "clock wrong",
            11 * MINUTE + 2 * beat,
            behind(1800.0, noon),
            seen_s=25 * MINUTE,
        ),
        Fault(
            "the node stops flooding for want of water",
            one,
            due_s(one) - HOUR,
            [("node stopped flooding", node_of(one))],
            1,
            nursery=lambda nursery: without_flood(nursery, one, flooded_at(nursery, one, NOON)),
            sent=says("timetable", due_s(one) - HOUR),
        ),
        packs("the node's memory wears out", "node cannot store", 1, says("flash", noon), seen_s=HOUR),
        Fault(
            "the node does not believe its level sensor",
            one,
            noon,
            [("no readings", one)],
            1,
            trace=lambda trace: leave_out(trace, "level", noon, noon + 48 * HOUR),
            sent=says(f"{one}/level", noon),
            seen_s=HOUR,
        ),
        packs(
            "the battery is nearly empty",
            "battery low",
            2 * beat + 60,
            with_reading("battery", 12.0, noon),
            seen_s=HOUR,
        ),
        packs(
            "the supply sags",
            "supply low",
            2 * beat + 60,
            with_reading("supply", 4.4, noon),
            seen_s=HOUR,
            settings={"limits": {"supply": {"low": 4.75}}},
        ),
        values("the heating runs away", one, "too high", 60 + 2 * beat, "air_temp", lambda v: v + 16, seen_s=HOUR),
        values("the water is cold", one, "too low", 60 + 2 * beat, "water_temp", lambda v: v - 10, seen_s=HOUR),
        values(
            "the air is dry", emersed, "too high", 10 * MINUTE + 3 * beat, "humidity", lambda v: v - 45, seen_s=HOUR
        ),
        values("the lamp fails", one, "light missing", 60 + 2 * beat, "light", steady(1.0), seen_s=HOUR),
        values(
            "the lamp burns at night",
            one,
            "lamp at the wrong hour",
            60 + 2 * beat,
            "light",
            steady(11_000.0),
            at_s=night,
            seen_s=HOUR,
        ),
        Fault(
            "the pump of two trays fails",
            one,
            due_s(one),
            [("pump running dry", one), ("pump or reservoir failed", "main")],
            9 * HOUR,
            nursery=no_water(one, same_node),
            settings={"pump": [{"name": "main", "trays": [one, same_node]}]},
            nodes=3,
            seen_s=8 * HOUR,
        ),
    ]


@pytest.mark.parametrize("fault", [pytest.param(each, id=each.name) for each in faults()])
def test_a_fault_gives_its_alarm_in_time_and_no_other(fault: Fault) -> None:
    nursery = fault.nursery(quiet())
    nodes = [node_of(fault.tray)] if fault.nodes == 1 else list(nursery.nodes)
    trays = {tray: history(nursery, tray) for node in nodes for tray in nursery.nodes[node]}
    if fault.trace is not None:
        trays[fault.tray] = fault.trace(trays[fault.tray])
    sent = [sent_by(nursery, node, trays) for node in nodes]
    if fault.sent is not None:
        sent = [fault.sent(packs) for packs in sent]
    watched = Watched(nursery, **fault.settings)
    watched.watch(in_order(*sent), until_s=fault.at_s + fault.seen_s, offline_s=fault.offline_s)
    assert watched.told() == fault.told, [f"{a.key.kind} {a.key.name}: {a.detail}" for a in watched.alarms()]
    raised_s = watched.alarms()[0].raised_ms / 1000
    assert 0 <= raised_s - fault.at_s <= fault.within_s


def test_a_level_that_never_moved_is_told_as_either_until_pump_or_float_say_more() -> None:
    """Without both of them nothing tells a blocked drain from a sensor that does not move: the alarm names both."""
    nursery, tray = quiet(), short()
    node, started_s = node_of(tray), quiet().started.timestamp()
    until_s = started_s + 30 * HOUR
    trays = {name: history(nursery, name) for name in nursery.nodes[node]}
    for channel in ("flooded", "pump"):
        trays[tray] = leave_out(trays[tray], channel, 0.0, until_s)
    trays[tray] = stuck(trays[tray], 0.0)
    watched = Watched(nursery)
    watched.watch(sent_by(nursery, node, trays), until_s=until_s)
    (alarm,) = watched.alarms()
    assert alarm.key.kind == "did not drain"
    assert alarm.returned_ms is None
    assert alarm.detail.startswith("still 12 mm, ")
    assert "The level has not moved for " in alarm.detail
    assert alarm.detail.endswith(": it may be the sensor instead")


def test_a_level_sensor_that_moves_again_is_believed_again() -> None:
    nursery, tray, at_s = quiet(), short(), due_s(short()) - 60
    node = node_of(tray)
    trays = {name: history(nursery, name) for name in nursery.nodes[node]}
    trays[tray] = change_values(trays[tray], "level", at_s, at_s + 2 * HOUR, steady(0.012))
    watched = Watched(nursery)
    watched.watch(sent_by(nursery, node, trays), until_s=at_s + 9 * HOUR)
    (alarm,) = watched.alarms()
    assert alarm.key.kind == "level not moving"
    assert "the pump ran and the float went up, and the level has stayed at 12 mm for" in alarm.detail
    assert alarm.returned_ms is not None
    assert abs(alarm.returned_ms / 1000 - at_s - 2 * HOUR) < 15 * MINUTE


def test_there_are_faults_enough() -> None:
    assert len({fault.name for fault in faults()}) >= 25


def test_quiet_days_on_nine_trays_raise_nothing(long_form: bool) -> None:
    """Thirty of them; `--long`: ninety."""
    days = 90 if long_form else 30
    nursery = quiet_nursery(UNTIL, days=days)
    of_trays = traces(nursery)
    watched = Watched(nursery, tick_s=300)
    watched.watch(
        in_order(*(sent_by(nursery, node, of_trays) for node in nursery.nodes)), until_s=nursery.until.timestamp()
    )
    assert sum(map(len, of_trays.values())) > 16_600 * days
    assert watched.alarms() == []


def test_a_drain_that_slows_by_two_percent_a_day_is_told_before_it_is_15_percent_slow() -> None:
    nursery = quiet_nursery(UNTIL, days=40)
    tray = tray_of(nursery, "short floods")
    from_s = nursery.started.timestamp() + 20 * 86_400
    at_s, ratios = measured(slowing(nursery, tray.name, from_s, 0.02), tray)
    first = next(n for n in range(17, len(ratios) + 1) if slow_change(ratios[:n]).warns)
    assert 0 < 0.02 * (at_s[first - 1] - from_s) / 86_400 < 0.15


def test_forty_days_of_an_even_drain_are_no_warning() -> None:
    nursery = quiet_nursery(UNTIL, days=40)
    _, ratios = measured(nursery, tray_of(nursery, "long floods"))
    assert len(ratios) == 8 * 40 - 1 or len(ratios) == 8 * 40
    assert not any(slow_change(ratios[:n]).warns for n in range(17, len(ratios) + 1))


def test_a_node_that_floods_again_ends_its_alarm_and_a_reading_ends_that_of_its_sensor() -> None:
    nursery = quiet()
    tray, at_s = short(), NOON.timestamp()
    node = node_of(tray)
    packs = sent_by(nursery, node, {name: history(nursery, name) for name in nursery.nodes[node]})
    words = [
        Sent(node, round(1000 * at_s), here=True, faults=("timetable", f"{tray}/level")),
        Sent(node, round(1000 * (at_s + HOUR)), here=True),
    ]
    watched = Watched(nursery)
    watched.watch(in_order(packs, words), until_s=at_s + 2 * HOUR)
    assert [(a.key.kind, a.returned_ms is not None) for a in watched.alarms()] == [
        ("node stopped flooding", True),
        ("no readings", True),
    ]
