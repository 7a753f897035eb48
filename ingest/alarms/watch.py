"""All trays and nodes of all sites watched at once: what a pack of readings, a last will or the passing of time shows.

In: packs as they were recorded, words of nodes that they are here or not, and the time. Out: changes, findings that
began or ended (`tray_rules.Change`), each with its site. What becomes of them is for `book`; the clock is the
caller's. Readings received more than HISTORY_H after they were measured are history: no alarm comes of them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from tidetray.ingest.alarms.signal_rules import LABELS, SignalPlan, SignalWatch
from tidetray.ingest.alarms.tray_rules import Change, Findings, Plan, TrayWatch, span
from tidetray.ingest.core.readings import FUTURE_TOLERANCE_S, Reading
from tidetray.ingest.notebook.flood_plans import FloodPlan

HISTORY_H = 24.0

WILL_DELAY_S = 120.0
"""A node that its last will declared gone may come back within this: radio links break and mend."""

AHEAD_S = 30.0
"""A node's newest reading may be so far ahead of the recorder's clock (common practice, no source)."""

HEARTBEAT_S = 300.0
"""A node says something at least so often, see firmware_notes/contract.md."""

BEHIND_S = 120.0
STEADY_S, STEADY_FOR_S = 10.0, 600.0
"""Readings that arrive late by the same time for ten minutes come from a clock that is behind, not over a slow line."""

NODE_FAULTS = {
    "timetable": ("node stopped flooding", "the node has stopped flooding"),
    "flash": ("node cannot store", "the node cannot write its journal"),
}
"""What a node names among its faults that is no sensor, and the alarm it makes."""

ENDS_SOON_S = 2 * 86_400.0
"""A timetable that nobody renews is an alarm so long before it ends."""

RENEWAL_LATE_S = 12 * 3600.0
"""One that the recorder renews is an alarm if the node still has the old one so long before it ends. The recorder sends
another one six hours earlier (`ingest/recorder/timetables.py`)."""

LOOK_MS = 30_000
"""Sensors that fell silent are looked for so often."""

_KNOWN_FOR_MS = 86_400_000

SiteTell = Callable[[str, Change], None]

Place = tuple[str, str, str]
"""Site, tray or node, and its name."""


@dataclass(frozen=True, slots=True)
class Published:
    """A trial's timetable as it was given to nodes: from when on, and when that ended or is to end [ms since 1970]."""

    site: str
    trial: str
    from_ms: int
    ends_ms: int | None


@dataclass(frozen=True, slots=True)
class WatchPlan:
    """What to watch: trays by (site, name), signals by (site, place, name) with `default_signals` for the
    rest; `off`: alarms that are not wanted, by (site, tray), or everywhere under empty names; `published`: the
    timetables that the recorder renews."""

    trays: Mapping[tuple[str, str], Plan]
    signals: Mapping[tuple[str, str, str], SignalPlan]
    default_signals: SignalPlan
    silent_s: float = 900.0
    off: Mapping[tuple[str, str], Sequence[str]] = field(default_factory=dict)
    published: Sequence[Published] = ()


class _Node:
    """A node as it was heard; times are of the recorder's clock."""

    def __init__(self, findings: Findings) -> None:
        self.findings = findings
        self.heard_ms: int | None = None
        self.gone_ms: int | None = None
        self.trays: set[str] = set()
        self.until_s: int | None = None
        self.floods_no_more_ms: int | None = None
        self.late_ms = 0
        self.late_from_ms = 0
        self.packs = 0


class Watch:
    """Give it everything in the order in which it was received.

    Readings are dated by their nodes, everything else by the recorder's clock; the two are never compared but to judge
    a node's clock, and to pass over what is a day old. When the recorder's clock is moved, `shift` says so.

    Parameters
    ----------
    plan : WatchPlan
        What is to be watched.
    tell : callable
        Called with the site and each change.
    """

    def __init__(self, plan: WatchPlan, tell: SiteTell) -> None:
        self._plan = plan
        self._tell = tell
        self._findings: dict[tuple[str, str, str], Findings] = {}
        self.trays = {(s, t): TrayWatch(each, self.findings(s, "tray", t)) for (s, t), each in plan.trays.items()}
        self._nodes: dict[tuple[str, str], _Node] = {}
        self._signals: dict[tuple[str, str, str], SignalWatch] = {}
        self._heard: dict[tuple[str, str, str], dict[str, int]] = {}
        self._newest: dict[tuple[str, str, str], tuple[int, int]] = {}
        """Of each place the time of its newest reading, and when that was received."""
        self._home = self.findings("", "recorder", "")
        self._online_from_ms: int | None = None
        self._offline_from_ms: int | None = None
        self._looked_ms = 0

    def findings(self, site: str, place: str, name: str) -> Findings:
        """What stands of one place."""
        key = (site, place, name)
        if key not in self._findings:
            self._findings[key] = Findings(place, name, self._teller(site))
        return self._findings[key]

    def standing(self) -> list[tuple[str, str, str, str, str, int, str]]:
        """(site, place, name, kind, channel, since, detail) of all that stands."""
        return [
            (*key, *each)
            for key, found in self._findings.items()
            for each in found.standing()
            if not self.is_off(each[0], key[0], key[2])
        ]

    def is_off(self, kind: str, site: str, name: str) -> bool:
        """Whether this alarm is not wanted, anywhere or on the tray of that name."""
        return kind in self._plan.off.get(("", ""), ()) or kind in self._plan.off.get((site, name), ())

    def node_of(self, site: str, tray: str) -> str | None:
        return next((node for (at, node), each in self._nodes.items() if at == site and tray in each.trays), None)

    def take(
        self,
        site: str,
        node: str,
        readings: Iterable[Reading],
        received_ms: int,
        bad: Iterable[tuple[str, str]] = (),
        *,
        at_once: bool = True,
    ) -> None:
        """A pack: its readings in order of time, and the records (name, kind of error) that went into quarantine.

        `at_once` False: not as it was received, or by a clock that is not proven; which then tells nothing of the
        node's clock.
        """
        state = self._node(site, node)
        state.heard_ms = received_ms
        state.gone_ms = None
        state.findings.end("silent node", received_ms)
        oldest_ms = received_ms - round(HISTORY_H * 3_600_000)
        latest_ms = received_ms + round(1000 * FUTURE_TOLERANCE_S)
        newest_ms = 0
        touched: dict[str, TrayWatch] = {}
        for tray, channel, time_ms, value in readings:
            newest_ms = max(newest_ms, time_ms)
            if not oldest_ms <= time_ms <= latest_ms:
                continue
            watch = None
            if tray:
                watch = self._tray(site, tray, latest_ms)
                if watch is None:
                    continue
                state.trays.add(tray)
                touched[tray] = watch
                watch.take(channel, time_ms, value)
            self._signal(site, node, Reading(tray, channel, time_ms, value), received_ms, watch)
        for watch in touched.values():
            watch.settle()
        if at_once:
            self._judge_clock(state, newest_ms, received_ms, [kind for _name, kind in bad])
        for name, kind in bad:
            if kind == "range":
                self._out_of_range(site, node, name, received_ms)

    def here(
        self,
        site: str,
        node: str,
        *,
        here: bool,
        at_ms: int,
        faults: Sequence[str] = (),
        until_s: int | None = None,
    ) -> None:
        """A node's word, with the faults that it names and the end of its timetable [s since 1970] (see
        firmware_notes/contract.md), or its last will."""
        state = self._node(site, node)
        state.gone_ms = None if here else (state.gone_ms or at_ms)
        if not here:
            return
        state.heard_ms = max(state.heard_ms or 0, at_ms)
        state.until_s = until_s
        state.floods_no_more_ms = (state.floods_no_more_ms or at_ms) if "timetable" in faults else None
        self._judge_flooding(site, state, at_ms)
        kind, detail = NODE_FAULTS["flash"]
        if "flash" in faults:
            state.findings.begin(kind, at_ms, at_ms, detail)
        else:
            state.findings.end(kind, at_ms)
        for name in faults:
            self._sensor_fault(site, node, name, at_ms)

    def connection(self, *, online: bool, now_ms: int) -> None:
        """Whether the recorder hears the broker: what it cannot hear is not held against the nodes."""
        if online:
            if self._online_from_ms is None:
                self._online_from_ms = now_ms
            self._offline_from_ms = None
            self._home.end("no connection to the broker", now_ms)
            return
        self._online_from_ms = None
        if self._offline_from_ms is None:
            self._offline_from_ms = now_ms
        away_ms = now_ms - self._offline_from_ms
        if away_ms >= 1000 * WILL_DELAY_S:
            detail = f"the recorder has not been connected for {span(away_ms / 1000)}"
            self._home.begin("no connection to the broker", self._offline_from_ms, now_ms, detail)

    def recorder_clock(self, wrong: str, now_ms: int) -> None:
        """What is wrong with the recorder's own clock; empty if nothing is."""
        if wrong:
            self._home.begin("clock wrong", now_ms, now_ms, wrong)
        else:
            self._home.end("clock wrong", now_ms)

    def recorder_fault(self, fault: str, now_ms: int) -> None:
        """What endangers the record itself (files removed under the recorder); empty if nothing does."""
        if fault:
            self._home.begin("record in danger", now_ms, now_ms, fault)
        else:
            self._home.end("record in danger", now_ms)

    def shift(self, by_ms: int) -> None:
        """The recorder's clock was moved by so much [ms]: what it dated before is dated again; durations stay."""
        for node in self._nodes.values():
            node.heard_ms = None if node.heard_ms is None else node.heard_ms + by_ms
            node.gone_ms = None if node.gone_ms is None else node.gone_ms + by_ms
            node.floods_no_more_ms = None if node.floods_no_more_ms is None else node.floods_no_more_ms + by_ms
            node.late_from_ms += by_ms
            node.late_ms += by_ms
        for channels in self._heard.values():
            for channel in channels:
                channels[channel] += by_ms
        self._newest = {key: (time_ms, at_ms + by_ms) for key, (time_ms, at_ms) in self._newest.items()}
        self._online_from_ms = None if self._online_from_ms is None else self._online_from_ms + by_ms
        self._offline_from_ms = None if self._offline_from_ms is None else self._offline_from_ms + by_ms
        self._looked_ms += by_ms

    def tick(self, now_ms: int) -> None:
        """What only the passing of time shows."""
        for key, signals in self._signals.items():
            time_ms, received_ms = self._newest[key]
            signals.hold(time_ms + max(0, now_ms - received_ms))  # by the node's clock, gone on since
        self._judge_endings(now_ms)
        if self._online_from_ms is None:
            return
        for site in {site for site, _ in self._nodes}:
            self._judge_site(site, {name: each for (at, name), each in self._nodes.items() if at == site}, now_ms)
        if now_ms - self._looked_ms >= LOOK_MS:
            self._looked_ms = now_ms
            for (site, _), state in self._nodes.items():
                if state.until_s is not None or state.floods_no_more_ms is not None:
                    self._judge_flooding(site, state, now_ms)
            for (site, place, name), channels in self._heard.items():
                self._judge_channels(site, place, name, channels, now_ms)

    # ---------------------------------------------------------------- kept over a restart

    def places(self) -> list[Place]:
        """The trays and nodes that are watched."""
        return [(site, "tray", name) for site, name in self.trays] + [
            (site, "node", name) for site, name in self._nodes
        ]

    def plans(self, place: Place) -> tuple[Plan | None, SignalPlan]:
        """What a place is watched by: of a node there is no plan of floods."""
        site, kind, name = place
        plan = self._plan.trays.get((site, name)) if kind == "tray" else None
        return plan, self._plan.signals.get(place, self._plan.default_signals)

    def part(self, place: Place) -> dict[str, Any]:
        """What is known of a place, but for its findings, which the book holds."""
        site, kind, name = place
        return {
            "tray": self.trays.get((site, name)) if kind == "tray" else None,
            "node": self._nodes.get((site, name)) if kind == "node" else None,
            "signals": self._signals.get(place),
            "heard": self._heard.get(place),
            "newest": self._newest.get(place),
        }

    def put_back(self, place: Place, part: dict[str, Any]) -> None:
        """Go on from what `part` gave of a place that is watched by the same plans."""
        site, _, name = place
        for held, key, found in (
            (self.trays, (site, name), part["tray"]),
            (self._nodes, (site, name), part["node"]),
            (self._signals, place, part["signals"]),
            (self._heard, place, part["heard"]),
            (self._newest, place, part["newest"]),
        ):
            if found is not None:
                held[key] = found  # type: ignore[index]

    # ----------------------------------------------------------------

    def _teller(self, site: str) -> Callable[[Change], None]:
        def tell(change: Change) -> None:
            if not self.is_off(change.kind, site, change.name):
                self._tell(site, change)

        return tell

    def _node(self, site: str, name: str) -> _Node:
        if (site, name) not in self._nodes:
            self._nodes[site, name] = _Node(self.findings(site, "node", name))
        return self._nodes[site, name]

    def _tray(self, site: str, tray: str, latest_ms: int) -> TrayWatch | None:
        """A tray's watch. One whose last reading is dated ahead of what can be would pass over all that comes until
        then: it starts again, and what is active stays."""
        watch = self.trays.get((site, tray))
        if watch is not None and watch.at_ms > latest_ms:
            watch = self.trays[site, tray] = watch.again()
        return watch

    def _signal(self, site: str, node: str, reading: Reading, received_ms: int, watch: TrayWatch | None) -> None:
        tray, channel, time_ms, value = reading
        key = (site, "tray", tray) if tray else (site, "node", node)
        signals = self._signals.get(key)
        newest_ms = self._newest.get(key, (time_ms, 0))[0]
        if newest_ms > received_ms + 1000 * FUTURE_TOLERANCE_S:
            signals, newest_ms = None, time_ms  # dated ahead: as of trays
        self._newest[key] = (max(newest_ms, time_ms), received_ms)
        if signals is None:
            plan = self._plan.signals.get(key, self._plan.default_signals)
            signals = self._signals[key] = SignalWatch(plan, self.findings(*key))
            self._heard.setdefault(key, {})
        heard = self._heard[key]
        heard[channel] = received_ms
        found = self._findings[key]
        if found:
            found.end("no readings", time_ms, channel=channel)
            found.end("out of range", time_ms, channel=channel)
        is_dry = not watch.is_wet if watch else not self._all_wet(site, node)
        signals.take(channel, time_ms, value, is_dry=is_dry)

    def _all_wet(self, site: str, node: str) -> bool:
        trays = self._nodes[site, node].trays
        return bool(trays) and all(self.trays[site, tray].is_wet for tray in trays)

    def _out_of_range(self, site: str, node: str, name: str, at_ms: int) -> None:
        tray, _, channel = name.rpartition(":")[2].rpartition("/")
        if channel in LABELS and (not tray or (site, tray) in self.trays):
            key = (site, "tray", tray) if tray else (site, "node", node)
            self._heard.setdefault(key, {})[channel] = at_ms
            detail = f"{LABELS[channel][0]}: an impossible value; it went to quarantine"
            self.findings(*key).begin("out of range", at_ms, at_ms, detail, channel=channel)

    def _judge_flooding(self, site: str, state: _Node, now_ms: int) -> None:
        """What a node says of its timetable: that it floods no more, and when it will."""
        plans = [self.trays[site, tray].plan.floods for tray in state.trays if (site, tray) in self.trays]
        if plans and not any(plan.at(now_ms).floods.times for plan in plans):
            # no flood is due on its trays: they are rebuilt, or were stopped by a person
            state.findings.end("node stopped flooding", now_ms)
            state.findings.end("timetable ending", now_ms)
            return
        if state.floods_no_more_ms is None:
            state.findings.end("node stopped flooding", now_ms)
        else:
            since_ms = state.floods_no_more_ms
            state.findings.begin("node stopped flooding", since_ms, now_ms, NODE_FAULTS["timetable"][1])
        end_ms = None if state.until_s is None else 1000 * state.until_s
        if end_ms is None or not self._ends_too_soon(site, plans, end_ms, now_ms):
            state.findings.end("timetable ending", now_ms)
        else:
            left = "has ended" if end_ms <= now_ms else f"ends in {span((end_ms - now_ms) / 1000)}"
            detail = f"its timetable {left}, and no other one reached it; then it floods no more"
            state.findings.begin("timetable ending", now_ms, now_ms, detail)

    def _ends_too_soon(self, site: str, plans: Sequence[FloodPlan], end_ms: int, now_ms: int) -> bool:
        trials = {plan.at(now_ms).trial for plan in plans}
        renewed = [
            each.ends_ms
            for each in self._plan.published
            if each.site == site
            and each.trial in trials
            and each.from_ms <= now_ms
            and (each.ends_ms is None or each.ends_ms > now_ms)
        ]
        if not renewed:
            return end_ms - now_ms <= 1000 * ENDS_SOON_S
        if any(ends_ms is not None and end_ms >= ends_ms - 60_000 for ends_ms in renewed):
            return False  # it ends as it is meant to: said once, of the whole trial
        return end_ms - now_ms <= 1000 * RENEWAL_LATE_S

    def _judge_endings(self, now_ms: int) -> None:
        """Timetables that are to end soon, one alarm for a site."""
        soon_ms = round(1000 * ENDS_SOON_S)
        for site in {each.site for each in self._plan.published}:
            ends = [
                (each.ends_ms, each.trial)
                for each in self._plan.published
                if each.site == site
                and each.ends_ms is not None
                and each.from_ms <= now_ms < each.ends_ms <= now_ms + soon_ms
                and each.ends_ms - each.from_ms > soon_ms // 2
            ]
            found = self.findings(site, "site", site)
            if ends:
                end_ms, trial = min(ends)
                detail = (
                    f"the timetable of trial {trial} ends in {span((end_ms - now_ms) / 1000)}; then nothing is flooded"
                )
                found.begin("timetable ending", now_ms, now_ms, detail)
            else:
                found.end("timetable ending", now_ms)

    def _sensor_fault(self, site: str, node: str, name: str, at_ms: int) -> None:
        """A sensor that its node no longer believes; its next reading ends it."""
        tray, _, channel = name.rpartition("/")
        if channel in LABELS and (not tray or (site, tray) in self.trays):
            key = (site, "tray", tray) if tray else (site, "node", node)
            detail = f"{LABELS[channel][0]}: its node gets no sensible values from the sensor"
            self.findings(*key).begin("no readings", at_ms, at_ms, detail, channel=channel)

    def _judge_clock(self, state: _Node, newest_ms: int, received_ms: int, bad: list[str]) -> None:
        if "time" in bad:
            state.findings.begin(
                "clock wrong", received_ms, received_ms, "it sends impossible times; they went to quarantine"
            )
            return
        if not newest_ms:
            return
        late_ms = received_ms - newest_ms
        if abs(late_ms - state.late_ms) > 1000 * STEADY_S:
            state.late_ms, state.late_from_ms, state.packs = late_ms, received_ms, 0
        state.packs += 1
        if late_ms < -1000 * AHEAD_S:
            state.findings.begin("clock wrong", received_ms, received_ms, f"its clock is {span(-late_ms / 1000)} ahead")
        elif late_ms > 1000 * BEHIND_S:
            steady_ms = received_ms - state.late_from_ms
            if steady_ms >= 1000 * STEADY_FOR_S and state.packs >= 3:
                detail = f"its clock is {span(late_ms / 1000)} behind"
                state.findings.begin("clock wrong", state.late_from_ms, received_ms, detail)
        else:
            state.findings.end("clock wrong", received_ms)

    def _judge_site(self, site: str, nodes: dict[str, _Node], now_ms: int) -> None:
        silent = {name: why for name, state in nodes.items() if (why := self._silence(state, now_ms)) is not None}
        found = self.findings(site, "site", site)
        # the network or the broker stops them all at once, but each was heard last at another moment
        all_silent = bool(silent) and all(
            self._silence(each, now_ms, early_s=HEARTBEAT_S) is not None for each in nodes.values()
        )
        if all_silent and len(nodes) > 1:
            found.begin(
                "no node heard",
                max(since for since, _ in silent.values()),
                now_ms,
                f"none of {len(nodes)} nodes sends anything",
            )
        elif not silent:
            found.end("no node heard", now_ms)
        for name, (since_ms, reason) in silent.items():
            trays = f"; it serves {', '.join(sorted(nodes[name].trays))}" if nodes[name].trays else ""
            nodes[name].findings.begin("silent node", since_ms, now_ms, f"{reason}{trays}")

    def _silence(self, state: _Node, now_ms: int, *, early_s: float = 0.0) -> tuple[int, str] | None:
        """Since when a node is silent and why; None if it is not. `early_s`: if it were so much later."""
        online_ms = self._online_from_ms or 0
        heard_ms = max(state.heard_ms or 0, online_ms)
        gone_for_ms = 0 if state.gone_ms is None else now_ms - max(state.gone_ms, online_ms)
        if state.gone_ms is not None and gone_for_ms >= 1000 * (WILL_DELAY_S - min(early_s, WILL_DELAY_S)):
            return state.gone_ms, "it left the broker"
        if now_ms - heard_ms >= 1000 * (self._plan.silent_s - early_s):
            return state.heard_ms or online_ms, f"no message from it for {span((now_ms - heard_ms) / 1000)}"
        return None

    def _judge_channels(self, site: str, place: str, name: str, channels: dict[str, int], now_ms: int) -> None:
        silent_ms = round(1000 * self._plan.silent_s)
        if now_ms - min(channels.values(), default=now_ms) < silent_ms:
            return
        node = name if place == "node" else self.node_of(site, name)
        state = self._nodes.get((site, node)) if node is not None else None
        if state is None or "silent node" in state.findings:
            return
        # counted up to the node's last message: when all of it is late, it is the node
        at_ms = min(now_ms, state.heard_ms or 0)
        for channel, heard_ms in channels.items():
            quiet_ms = at_ms - max(heard_ms, self._online_from_ms or 0)
            if silent_ms <= quiet_ms < _KNOWN_FOR_MS:
                detail = f"{LABELS[channel][0]}: nothing for {span(quiet_ms / 1000)}, but its node sends readings"
                self.findings(site, place, name).begin("no readings", heard_ms, now_ms, detail, channel=channel)
