"""What the nodes of the simulated nursery measure and send: of the whole history at once, and live.

In: a `Nursery`. Out: readings, by the sending rule of firmware_notes/contract.md: a sample a second while the
water moves, with the unchanged sample just before, one every 10 s while a tray should be draining,
else a heartbeat every 5 minutes (live, mixed trays more often); with the noise of sensors and the
bounces of a float switch. `history` makes arrays of a tray's past, `NodeHistory` packs of a
node's, `LiveTray` the readings of a tray as time goes on.
Time is passed in; nothing is sent here.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tidetray.ingest.core.readings import Reading, Tray, from_ms
from tidetray.ingest.cycles.hydraulics import fill_time_s
from tidetray.ingest.notebook.facts import place_of
from tidetray.ingest.notebook.light_surveys import SurveyReading
from tidetray.ingest.nursery.nursery import FLOOD_DEPTH_M, Nursery, Silence, light_at
from tidetray.ingest.nursery.water import FILM_M, Array, Floods, clean_floods, drained_after_s, geometry, level_m

SAMPLE_S = 1.0
HEARTBEAT_S = 300.0
DRAIN_WATCH_S, DRAIN_WATCHED_S = 10.0, 600.0
"""While there is water the level is sent so often, moved or not, and so long after the pump stopped [s]."""

SENT_STEP_M = 0.001
"""A level that moved by less since the last one sent waits for the next heartbeat [m]."""

SENT = ("level", "flooded", "pump", "water_temp", "air_temp", "humidity", "light")
LEVEL, FLOODED, PUMP, WATER_TEMP, AIR_TEMP, HUMIDITY, LIGHT = range(len(SENT))
_DECIMALS = (4, 0, 0, 1, 1, 1, 0)
_LEVEL_NOISE_M = 0.0002

PACK_READINGS = 120
LATE_BY_S = 6 * 3600.0

TOP_UP_S = 2 * 86_400.0
EVAPORATION_M_S = 0.0025 / 86_400
"""What a tray under water loses; its pump brings that back every `TOP_UP_S`."""

LIVE_DEPTH_M = 0.024
LIVE_HOLD_S = 1.5
LIVE_PAUSE_S = (40.0, 60.0)
LIVE_HEARTBEAT_S = 2.0
"""Live, mixed trays flood short and often and are heard often: somebody who watches sees whole cycles."""

LIVE_CLEAR_S, LIVE_CLOGGED_SHARE = 1.5, 5e-5
"""The drain that clogs live: it begins to empty the tray, then what floats gathers in it."""

_PLACE, _HISTORY, _LIVE_FLOODS, _LIVE_BEATS, _SURVEY = range(5)

Part = tuple[int, Array, Array]
"""Channel (place in SENT), times [s], values."""


@dataclass(frozen=True, slots=True)
class Trace:
    """Readings of one tray as arrays in order of time; `channel` is a place in SENT."""

    channel: NDArray[np.int64]
    time_ms: NDArray[np.int64]
    value: Array

    def __len__(self) -> int:
        return len(self.time_ms)

    def readings(self, tray: str) -> list[Reading]:
        columns = zip(self.channel.tolist(), self.time_ms.tolist(), self.value.tolist(), strict=True)
        return [Reading(tray, SENT[channel], time_ms, value) for channel, time_ms, value in columns]


def history(nursery: Nursery, tray_name: str) -> Trace:
    """All readings of a tray from the start of the nursery to its end, `time_ms` below the end."""
    tray, floods, rng = nursery.tray(tray_name), nursery.floods[tray_name], nursery.rng(tray_name, _HISTORY)
    start_s, until_s = nursery.started.timestamp(), nursery.until.timestamp()
    beats_s = np.arange(start_s + rng.uniform(0, 30), until_s, HEARTBEAT_S)
    parts = _heartbeats(nursery, tray, floods, beats_s, rng)
    parts += _lamp_edges(nursery, tray, rng)
    parts += _top_ups(nursery, tray, rng)
    parts += _flood_edges(tray, floods, rng)
    return _trace(parts, start_s, until_s)


class NodeHistory:
    """All readings of a node's trays, pack by pack in the order it sends them.

    What was measured in a silence was lost, or is sent `LATE_BY_S` later, behind what was measured since.
    """

    def __init__(self, nursery: Nursery, node: str) -> None:
        self._trays = nursery.nodes[node]
        traces = [history(nursery, tray) for tray in self._trays]
        time_ms = np.concatenate([trace.time_ms for trace in traces])
        order = np.argsort(time_ms, kind="stable")
        self._time_ms = time_ms[order]
        self._tray = np.concatenate([np.full(len(trace), place) for place, trace in enumerate(traces)])[order]
        self._channel = np.concatenate([trace.channel for trace in traces])[order]
        self._value = np.concatenate([trace.value for trace in traces])[order]
        self._pieces = self._cut(nursery.silence, node)
        self.readings_kept = sum(end - start for start, end, kept in self._pieces if kept)

    def _cut(self, silence: Silence, node: str) -> list[tuple[int, int, bool]]:
        """First row, row after the last, and whether the journal kept them, in order of sending."""
        n = len(self._time_ms)
        if node != silence.node:
            return [(0, n, True)]
        start_s, end_s = silence.start.timestamp(), silence.end.timestamp()
        a, b, c = (int(np.searchsorted(self._time_ms, 1000 * at_s)) for at_s in (start_s, end_s, end_s + LATE_BY_S))
        if silence.kept:
            return [(0, a, True), (b, c, True), (a, b, True), (c, n, True)]
        return [(0, a, True), (a, b, False), (b, n, True)]

    def packs(self) -> Iterator[tuple[list[Reading], bool]]:
        """Each pack with whether it was kept to be sent."""
        for start, end, kept in self._pieces:
            for first in range(start, end, PACK_READINGS):
                rows = slice(first, min(first + PACK_READINGS, end))
                columns = (self._tray[rows], self._channel[rows], self._time_ms[rows], self._value[rows])
                cells = zip(*(column.tolist() for column in columns), strict=True)
                yield [Reading(self._trays[tray], SENT[code], at_ms, value) for tray, code, at_ms, value in cells], kept


class LiveTray:
    """One tray from `start_s` (seconds since 1970 UTC) on, as its node would sample it.

    A mixed tray is flooded `first_flood_s` after the start and every 40 to 60 s. With `clogs` its
    drain clogs almost fully in the first of these floods, and the node floods it no more.
    """

    def __init__(
        self, nursery: Nursery, tray_name: str, start_s: float, *, first_flood_s: float = 5.0, clogs: bool = False
    ) -> None:
        self._nursery = nursery
        self._tray = nursery.tray(tray_name)
        self._clogs = clogs
        self._flood_rng = nursery.rng(tray_name, _LIVE_FLOODS)
        self._beat_rng = nursery.rng(tray_name, _LIVE_BEATS)
        self._floods = _no_floods()
        self._start_s = self._next_beat_s = start_s
        is_mixed = nursery.treatment(tray_name).culture == "mixed"
        self._next_flood_s = start_s + first_flood_s if is_mixed else np.inf
        self._beat_every_s = LIVE_HEARTBEAT_S if is_mixed else HEARTBEAT_S
        self._coming: list[tuple[int, Reading]] = []

    def step(self, now_s: float) -> list[Reading]:
        """The readings since the last step, up to `now_s`, in order of time. The size of steps changes nothing."""
        while True:
            # The sample just before a flood belongs to it, so a flood is due a sample early.
            flood_due_s = self._next_flood_s - SAMPLE_S
            if min(flood_due_s, self._next_beat_s) > now_s:
                break
            if flood_due_s <= self._next_beat_s:
                self._flood()
            else:
                self._beat()
        due: list[Reading] = []
        while self._coming and self._coming[0][0] <= now_s * 1000:
            reading = heapq.heappop(self._coming)[1]
            # a heartbeat may fall on a sample of a flood: a sensor gives one value at a time
            if not due or due[-1][:3] != reading[:3]:
                due.append(reading)
        return due

    def _flood(self) -> None:
        start_s, rng = np.array([self._next_flood_s]), self._flood_rng
        area_m2, hole_m2, pump_m3_s = geometry(self._tray)
        discharge_m2 = self._tray.discharge_coefficient * hole_m2 * rng.normal(1, 0.01, 1)
        fill_s = fill_time_s(area_m2, LIVE_DEPTH_M, pump_m3_s)
        flood = clean_floods(self._tray, start_s, LIVE_DEPTH_M, fill_s + LIVE_HOLD_S, discharge_m2)
        self._next_flood_s += rng.uniform(*LIVE_PAUSE_S)
        if self._clogs:
            flood.clear_s[0], flood.clogged_share[0] = LIVE_CLEAR_S, LIVE_CLOGGED_SHARE
            self._next_flood_s = np.inf
        self._floods = flood
        self._expect(_flood_edges(self._tray, flood, rng))

    def _beat(self) -> None:
        beat_s = np.array([self._next_beat_s])
        self._next_beat_s += self._beat_every_s
        self._expect(_heartbeats(self._nursery, self._tray, self._floods, beat_s, self._beat_rng))

    def _expect(self, parts: list[Part]) -> None:
        for reading in _trace(parts, self._start_s).readings(self._tray.name):
            heapq.heappush(self._coming, (reading.time_ms, reading))


def _no_floods() -> Floods:
    return Floods(*(np.zeros(0) for _ in range(8)))


def _trace(parts: Iterable[Part], start_s: float = -np.inf, until_s: float = np.inf) -> Trace:
    parts = list(parts)
    channel = np.concatenate([np.full(len(times), code, np.int64) for code, times, _ in parts])
    time_s = np.concatenate([times for _, times, _ in parts])
    value = np.concatenate([np.round(values, _DECIMALS[code]) for code, _, values in parts])
    within = (time_s >= start_s) & (time_s < until_s)
    time_ms = np.rint(time_s[within] * 1000).astype(np.int64)
    # A sensor gives one value at a time: of two in the same millisecond the first is kept.
    _, first = np.unique(time_ms * len(SENT) + channel[within], return_index=True)
    return Trace(channel[within][first], time_ms[first], value[within][first])


def _heartbeats(nursery: Nursery, tray: Tray, floods: Floods, time_s: Array, rng: np.random.Generator) -> list[Part]:
    depth_m = level_m(tray, floods, time_s)
    if nursery.treatment(tray.name).culture == "submersed":
        depth_m = FLOOD_DEPTH_M - EVAPORATION_M_S * ((time_s - nursery.started.timestamp()) % TOP_UP_S)
    flood = np.searchsorted(floods.start_s, time_s, "right") - 1
    pump_until_s = np.append(floods.drain_start_s, -np.inf)
    return [
        (LEVEL, time_s, depth_m + rng.normal(0, _LEVEL_NOISE_M, len(time_s))),
        (FLOODED, time_s, np.where(depth_m >= tray.flood_mark_m, 1.0, 0.0)),
        (PUMP, time_s, np.where(time_s < pump_until_s[flood], 1.0, 0.0)),
        *_climate(nursery, tray, time_s, rng),
        _light(nursery, tray, time_s, rng),
    ]


def _climate(nursery: Nursery, tray: Tray, time_s: Array, rng: np.random.Generator) -> list[Part]:
    day = (time_s - nursery.started.timestamp()) / 86_400
    room_c = 20.5 + np.interp(day, np.arange(len(nursery.room_c)), nursery.room_c) + np.sin(2 * np.pi * (day - 0.4))
    place_c, place_pct = nursery.rng(tray.name, _PLACE).normal(0, [0.3, 1.5])
    air_c = room_c + place_c + 2 * _warmth(nursery, time_s)
    n = len(time_s)
    return [
        # Water answers to the air with less than half of its ups and downs.
        (WATER_TEMP, time_s, 20 + 0.45 * (air_c - 20.5) + rng.normal(0, 0.05, n)),
        (AIR_TEMP, time_s, air_c + rng.normal(0, 0.08, n)),
        (HUMIDITY, time_s, np.clip(74 + place_pct - 3 * (air_c - 21) + rng.normal(0, 0.5, n), 30, 99)),
    ]


def _lit(nursery: Nursery, time_s: Array) -> NDArray[np.bool_]:
    ons = np.searchsorted(nursery.lamp_on_s, time_s, "right")
    lit: NDArray[np.bool_] = ons > np.searchsorted(nursery.lamp_off_s, time_s, "right")
    return lit


def _warmth(nursery: Nursery, time_s: Array) -> Array:
    """How far the lamp's warmth has come, 0..1: it comes and goes over 40 minutes or so."""
    switches_s = np.sort(np.concatenate([nursery.lamp_on_s, nursery.lamp_off_s]))
    since_s = time_s - switches_s[np.maximum(np.searchsorted(switches_s, time_s, "right") - 1, 0)]
    left: Array = np.exp(-np.maximum(since_s, 0) / 2400)
    return np.where(_lit(nursery, time_s), 1 - left, left)


def light_survey(nursery: Nursery) -> tuple[SurveyReading, ...]:
    """What a grower read with a hand-held meter at every place, two hours after the lamp came on in the first days."""
    readings = []
    for tray in nursery.plan.trays:
        rng = nursery.rng(tray.name, _SURVEY)
        at_s = nursery.lamp_on_s[2] + 7200
        lamp_lx = _light(nursery, tray.tray, np.array([at_s]), rng)[2][0]
        for pot in nursery.plan.pots:
            if pot.tray == tray.name:
                lux = round(float(lamp_lx * light_at(*place_of(pot)) * rng.normal(1, 0.02)), -1)
                time = from_ms(round(1000 * at_s))
                readings.append(SurveyReading(tray.name, *place_of(pot), time, "light", lux))
    return tuple(readings)


def _light(nursery: Nursery, tray: Tray, time_s: Array, rng: np.random.Generator) -> Part:
    lamp_lx = 12_000 * (1 + nursery.rng(tray.name, _PLACE).normal(0, 0.05))
    return LIGHT, time_s, np.where(_lit(nursery, time_s), lamp_lx * (1 + rng.normal(0, 0.005, len(time_s))), 1.0)


def _lamp_edges(nursery: Nursery, tray: Tray, rng: np.random.Generator) -> list[Part]:
    switches_s = np.concatenate([nursery.lamp_on_s, nursery.lamp_off_s])
    return [_light(nursery, tray, switches_s - SAMPLE_S, rng), _light(nursery, tray, switches_s, rng)]


def _top_ups(nursery: Nursery, tray: Tray, rng: np.random.Generator) -> list[Part]:
    if nursery.treatment(tray.name).culture != "submersed":
        return []
    area_m2, _, pump_m3_s = geometry(tray)
    at_s = np.arange(nursery.started.timestamp() + TOP_UP_S, nursery.until.timestamp(), TOP_UP_S)
    lost_m = EVAPORATION_M_S * TOP_UP_S
    noise_m = rng.normal(0, _LEVEL_NOISE_M, (2, len(at_s)))
    return [
        *_switched(PUMP, at_s, 1.0),
        *_switched(PUMP, at_s + fill_time_s(area_m2, lost_m, pump_m3_s), 0.0),
        (LEVEL, at_s - SAMPLE_S, FLOOD_DEPTH_M - lost_m + noise_m[0]),
        (LEVEL, at_s + 2 * SAMPLE_S, FLOOD_DEPTH_M + noise_m[1]),
    ]


def _flood_edges(tray: Tray, floods: Floods, rng: np.random.Generator) -> list[Part]:
    """What is sent because water moves: the level, the pump, the float switch with its bounces."""
    if not len(floods):
        return []
    drain_s = drained_after_s(tray, floods, FILM_M)
    sampled_s = np.concatenate([_through(floods.start_s, floods.fill_s), _through(floods.drain_start_s, drain_s)])
    sampled_s.sort()
    measured_m = _measured_m(tray, floods, sampled_s, rng)
    sent = _worth_sending(measured_m.tolist())
    watched = np.minimum(drain_s, DRAIN_WATCHED_S) // DRAIN_WATCH_S
    watched_s = _evenly(floods.drain_start_s + DRAIN_WATCH_S, watched, DRAIN_WATCH_S)
    wet = floods[floods.peak_m >= tray.flood_mark_m]
    return [
        (LEVEL, sampled_s[sent], measured_m[sent]),
        (LEVEL, watched_s, _measured_m(tray, floods, watched_s, rng)),
        *_switched(PUMP, floods.start_s, 1.0),
        *_switched(PUMP, floods.drain_start_s, 0.0),
        *_bounced(wet.start_s + wet.fill_s * tray.flood_mark_m / wet.peak_m, 1.0, rng),
        *_bounced(wet.drain_start_s + drained_after_s(tray, wet, tray.flood_mark_m), 0.0, rng),
    ]


def _measured_m(tray: Tray, floods: Floods, time_s: Array, rng: np.random.Generator) -> Array:
    return level_m(tray, floods, time_s) + rng.normal(0, _LEVEL_NOISE_M, len(time_s))


def _through(from_s: Array, length_s: Array) -> Array:
    """A sample a second from just before each start until just after each end."""
    return _evenly(from_s - SAMPLE_S, np.ceil(length_s / SAMPLE_S) + 3, SAMPLE_S)


def _evenly(from_s: Array, counts: Array, every_s: float) -> Array:
    """So many times from each start on, one row after the other."""
    n = counts.astype(np.int64)
    place = np.arange(n.sum()) - np.repeat(np.cumsum(n) - n, n)
    times: Array = np.repeat(from_s, n) + place * every_s
    return times


def _worth_sending(samples_m: list[float]) -> list[int]:
    """Places of the samples that moved since the last one sent, and of the sample just before each."""
    sent = [0]
    for place, sample_m in enumerate(samples_m):
        if abs(sample_m - samples_m[sent[-1]]) > SENT_STEP_M:
            if sent[-1] != place - 1:
                sent.append(place - 1)
            sent.append(place)
    return sent


def _switched(channel: int, at_s: Array, to: float) -> list[Part]:
    before, after = np.full(len(at_s), 1 - to), np.full(len(at_s), to)
    return [(channel, at_s - SAMPLE_S, before), (channel, at_s, after)]


def _bounced(at_s: Array, to: float, rng: np.random.Generator) -> list[Part]:
    """A float on ripples: it switches, and more often than not goes back once for a moment."""
    ripples = at_s[rng.uniform(size=len(at_s)) < 0.6]
    away_s = ripples + rng.uniform(0.05, 0.3, len(ripples))
    back_s = away_s + rng.uniform(0.05, 0.4, len(ripples))
    away, back = np.full(len(ripples), 1 - to), np.full(len(ripples), to)
    return [*_switched(FLOODED, at_s, to), (FLOODED, away_s, away), (FLOODED, back_s, back)]
