"""Faults put into the simulated nursery: a quiet season, and what one named fault makes of a tray or a node.

In: a nursery whose season is quiet, and a fault with its tray and moment. Out: what its nodes send then, as packs in
the order in which the recorder receives them, with the words of nodes that leave. Only for trying the alarms: each
fault is a change of the simulated water (floods) or of what sensors and nodes make of it (traces), no noise added.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np

from tidetray.ingest.core.readings import Reading, Tray
from tidetray.ingest.nursery.nursery import FLOOD_DEPTH_M, LAMP_HOURS, ZONE, Nursery, make_nursery
from tidetray.ingest.nursery.sensors import SENT, Trace, history
from tidetray.ingest.nursery.water import Array, Floods, clean_floods, geometry

PACK_S = 10.0
"""A node sends what it has so often."""


@dataclass(frozen=True, slots=True)
class Sent:
    """What the recorder receives of a node at a moment: readings, or (with `here`) its word that it is there or not."""

    node: str
    received_ms: int
    readings: tuple[Reading, ...] = ()
    here: bool | None = None
    faults: tuple[str, ...] = ()
    bad: tuple[tuple[str, str], ...] = ()


TraceFault = Callable[[Trace], Trace]
SentFault = Callable[[list[Sent]], list[Sent]]


def quiet_nursery(until: datetime, *, days: int, seed: int = 7) -> Nursery:
    """Nine trays whose floods all go well, for so many days up to the midnight (local) before `until`, and no
    silence."""
    made = make_nursery(until, seed=seed)
    last = until.astimezone(ZoneInfo(ZONE)).date()
    dates = [last - timedelta(days=days - n) for n in range(days)]
    rng = np.random.default_rng([seed, 5])
    floods = {}
    for plan in made.plan.trays:
        treatment = made.treatment(plan.name)
        start_s = _local_s(dates, tuple(time.fromisoformat(at) for at in treatment.flood_times))
        own_m2 = plan.tray.discharge_coefficient * geometry(plan.tray)[1] * rng.normal(1, 0.03)
        floods[plan.name] = clean_floods(
            plan.tray, start_s, FLOOD_DEPTH_M, 60 * treatment.wet_minutes, own_m2 * rng.normal(1, 0.01, len(start_s))
        )
    started, ended = (_local_s([day], (time(0),))[0] for day in (dates[0], last))
    return replace(
        made,
        started=datetime.fromtimestamp(started, UTC),
        until=datetime.fromtimestamp(ended, UTC),
        floods=floods,
        lamp_on_s=_local_s(dates, (time(LAMP_HOURS[0]),)),
        lamp_off_s=_local_s(dates, (time(LAMP_HOURS[1]),)),
        room_c=np.convolve(rng.normal(0, 0.8, days + 3), np.full(4, 0.25), "valid"),
        silence=replace(made.silence, node=""),
    )


def flooded_at(nursery: Nursery, tray: str, after: datetime) -> int:
    """The place of the tray's first flood after a moment."""
    return int(np.searchsorted(nursery.floods[tray].start_s, after.timestamp()))


def with_flood(nursery: Nursery, tray: str, place: int, **changes: float) -> Nursery:
    """The nursery with one flood of a tray changed: fields of `Floods`."""
    floods = nursery.floods[tray]
    changed = {name: getattr(floods, name).copy() for name in Floods.__dataclass_fields__}
    for name, value in changes.items():
        changed[name][place] = value
    return replace(nursery, floods={**nursery.floods, tray: Floods(**changed)})


def without_flood(nursery: Nursery, tray: str, place: int) -> Nursery:
    keep = np.arange(len(nursery.floods[tray])) != place
    return replace(nursery, floods={**nursery.floods, tray: nursery.floods[tray][keep]})


def with_another_flood(nursery: Nursery, tray: str, start_s: float, pump_s: float) -> Nursery:
    """One more flood, at any time."""
    floods, plan = nursery.floods[tray], nursery.tray(tray)
    discharge_m2 = np.full(1, plan.discharge_coefficient * geometry(plan)[1])
    one = clean_floods(plan, np.array([start_s]), FLOOD_DEPTH_M, pump_s, discharge_m2)
    names = list(Floods.__dataclass_fields__)
    both = {name: np.concatenate([getattr(floods, name), getattr(one, name)]) for name in names}
    order = np.argsort(both["start_s"])
    return replace(nursery, floods={**nursery.floods, tray: Floods(**{name: both[name][order] for name in names})})


def slowing(nursery: Nursery, tray: str, from_s: float, share_per_day: float) -> Nursery:
    """A drain whose time grows by a share a day from a moment on: its opening shrinks."""
    floods = nursery.floods[tray]
    days = np.maximum(floods.start_s - from_s, 0) / 86_400
    changed = replace(floods, discharge_m2=floods.discharge_m2 / (1 + share_per_day * days))
    return replace(nursery, floods={**nursery.floods, tray: changed})


def change_values(trace: Trace, channel: str, from_s: float, to_s: float, change: Callable[[Array], Array]) -> Trace:
    """A channel's values changed between two moments."""
    which = (trace.channel == SENT.index(channel)) & (trace.time_ms >= 1000 * from_s) & (trace.time_ms < 1000 * to_s)
    value = trace.value.copy()
    value[which] = change(value[which])
    return replace(trace, value=value)


def leave_out(trace: Trace, channel: str, from_s: float, to_s: float) -> Trace:
    """A channel not sent between two moments."""
    out = (trace.channel == SENT.index(channel)) & (trace.time_ms >= 1000 * from_s) & (trace.time_ms < 1000 * to_s)
    return Trace(trace.channel[~out], trace.time_ms[~out], trace.value[~out])


def traces(nursery: Nursery, faults: dict[str, TraceFault] | None = None) -> dict[str, Trace]:
    """All readings of each tray, with what is wrong with its sensors."""
    made = {plan.name: history(nursery, plan.name) for plan in nursery.plan.trays}
    return made | {tray: fault(made[tray]) for tray, fault in (faults or {}).items()}


def sent_by(nursery: Nursery, node: str, of_trays: dict[str, Trace], *, pack_s: float = PACK_S) -> list[Sent]:
    """A node's packs: every `pack_s` what it measured since, received at once."""
    names = nursery.nodes[node]
    time_ms = np.concatenate([of_trays[tray].time_ms for tray in names])
    order = np.argsort(time_ms, kind="stable")
    tray = np.concatenate([np.full(len(of_trays[name]), n) for n, name in enumerate(names)])[order].tolist()
    channel = np.concatenate([of_trays[name].channel for name in names])[order].tolist()
    value = np.concatenate([of_trays[name].value for name in names])[order].tolist()
    at = time_ms[order]
    cuts = np.flatnonzero(np.diff(at // round(1000 * pack_s), prepend=-1))
    at_list = at.tolist()
    packs = []
    for a, b in zip(cuts.tolist(), [*cuts.tolist()[1:], len(at_list)], strict=True):
        readings = tuple(Reading(names[tray[i]], SENT[channel[i]], at_list[i], value[i]) for i in range(a, b))
        packs.append(Sent(node, at_list[b - 1] + 500, readings))
    return packs


def in_order(*of_nodes: list[Sent]) -> Iterator[Sent]:
    """What all nodes send, as the recorder receives it."""
    yield from sorted((sent for packs in of_nodes for sent in packs), key=lambda sent: sent.received_ms)


def _local_s(days: list[date], times: tuple[time, ...]) -> Array:
    moments = (datetime.combine(day, at, ZoneInfo(ZONE)).astimezone(UTC) for day in days for at in times)
    return np.array([moment.timestamp() for moment in moments])


def tray_of(nursery: Nursery, treatment: str, n: int = 0) -> Tray:
    """The n-th tray of a treatment."""
    return [plan.tray for plan in nursery.plan.trays if plan.treatment == treatment][n]
