"""Which clock is right: the machine's, or the one that its nodes and its own record agree on.

In: how far each node's newest reading lies ahead of the recorder's clock, the newest time in the record, steps of the
wall clock. Out: corrections of the recorder's clock, whether it is proven, and what to say of the machine's clock.

A board without a battery for its clock starts with the time of its last shutdown. Its nodes then all seem to be ahead
at once, by the same time; one of them alone would be wrong itself. So no single clock is trusted:

- The wall clock was set: the nodes decide whether it was set right or wrong. Where none has a clock, the machine is
  believed after a while, for it was most likely a time server.
- More than half of the nodes agree with one another and not with the recorder: the recorder goes by them, and the
  machine's clock is reported as wrong. Two of them at least, or one where the record speaks against the machine, too.
- Neither: the recorder's clock is unproven, and for a while nothing is judged by it.

Pure: the clocks are passed in with `Clock`.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import dataclass

from tidetray.ingest.alarms.tray_rules import span
from tidetray.ingest.core.clock import Clock

log = logging.getLogger("tidetray.clock")

RECENT_S = 600.0
"""Nodes that were heard within this have a say; and so long a step of the wall clock waits for them."""

AHEAD_S, BEHIND_S = 30.0, 120.0
"""A node within these of the recorder's clock agrees with it: a reading may be late, but never early (common
practice, no source)."""

AGREE_S = 60.0
"""Nodes that lie within this of each other agree (a usual node sends once a minute)."""

STEADY_S, STEADY_FOR_S, STEADY_PACKS = 10.0, 300.0, 3
"""Readings that are late by the same time for so long come from a clock that is behind: not out of a queue."""

JUST_STARTED_S = 900.0
"""A machine that was started within this, and whose clock shows hardly more than this beyond the newest entry of its
record, has most likely no battery for its clock: a single node is believed against it."""

HOLD_S = 600.0
"""So long after a start or a step at most nothing is judged by an unproven clock."""


@dataclass(slots=True)
class _Witness:
    heard_s: float
    ahead_ms: int
    steady_from_s: float
    packs: int


class ClockJudge:
    """Give it what nodes send with `hear`, and call `decide` often, in one thread.

    Parameters
    ----------
    clock : Clock
        The clock to be judged and corrected.
    newest_ms : int, optional
        The newest time of receiving in the record [ms since 1970]: the clock starts no earlier.
    """

    def __init__(self, clock: Clock, newest_ms: int | None = None) -> None:
        self._clock = clock
        self._witnesses: dict[tuple[str, str], _Witness] = {}
        self._since_s = clock.steady_s()
        self._by_record = newest_ms is not None and clock.now_ms() < newest_ms - 1000 * AGREE_S
        went_on_ms = None if newest_ms is None else clock.now_ms() - newest_ms
        self._believes_one = self._by_record or (
            went_on_ms is not None and went_on_ms < 1000 * JUST_STARTED_S and clock.steady_s() < JUST_STARTED_S
        )
        self._has_verdict = False
        if self._by_record and newest_ms is not None:
            clock.move(newest_ms - clock.now_ms())
            log.warning(
                "this computer's clock is %s behind the newest entry of its own record: it is not believed until "
                "nodes or a time server prove it. Check its time server",
                span(-clock.apart_ms / 1000),
            )

    @property
    def is_proven(self) -> bool:
        """Whether times may be judged by the clock: confirmed by nodes, or unquestioned for HOLD_S."""
        if self._has_verdict:
            return True
        return self._clock.steady_s() - self._since_s >= HOLD_S

    @property
    def wrong(self) -> str:
        """What is wrong with the machine's clock, in words; empty if nothing is."""
        apart_ms = self._clock.apart_ms
        if -1000 * BEHIND_S <= -apart_ms <= 1000 * AHEAD_S:
            return ""
        way = "ahead" if apart_ms > 0 else "behind"
        believed = "its nodes" if self._witnesses else "its own record"
        return (
            f"this computer's clock is {span(abs(apart_ms) / 1000)} {way}, by {believed}; readings are dated by these "
            "meanwhile"
        )

    def hear(self, node: tuple[str, str], ahead_ms: int) -> None:
        """A node with a clock of its own sent something: how far its newest reading is ahead of this clock [ms]."""
        now_s = self._clock.steady_s()
        known = self._witnesses.get(node)
        if known is None or abs(ahead_ms - known.ahead_ms) > 1000 * STEADY_S or now_s - known.heard_s > RECENT_S:
            known = self._witnesses[node] = _Witness(now_s, ahead_ms, now_s, 0)
        known.heard_s = now_s
        known.ahead_ms = max(known.ahead_ms, ahead_ms)
        known.packs += 1

    def decide(self) -> int:
        """Judge by what is known. Returns by how much the recorder's clock was moved [ms]; 0 if it stays."""
        step_ms = self._clock.look()
        if step_ms:
            self._since_s, self._has_verdict = self._clock.steady_s(), False
            log.warning("this computer's clock was set by %s", _way(step_ms))
        ahead = self._recent()
        moved_ms = self._judge_wall(ahead) or self._judge_nodes(ahead)
        if moved_ms:
            self._moved(moved_ms)
        return moved_ms

    # ----------------------------------------------------------------

    def _recent(self) -> list[int]:
        now_s = self._clock.steady_s()
        self._witnesses = {node: each for node, each in self._witnesses.items() if now_s - each.heard_s <= RECENT_S}
        return [each.ahead_ms for each in self._witnesses.values()]

    def _judge_wall(self, ahead: list[int]) -> int:
        """The wall clock stands apart: is it right by now?"""
        apart_ms = self._clock.apart_ms
        if not apart_ms:
            self._has_verdict = self._has_verdict or _most(ahead, _agrees)
            return 0
        with_wall = _most(ahead, lambda each: _agrees(each - apart_ms))
        if abs(apart_ms) <= 1000 * AHEAD_S or with_wall:
            self._by_record = self._believes_one = False
            self._has_verdict = with_wall or self._has_verdict
            return self._clock.adopt()
        if _most(ahead, _agrees):
            self._has_verdict = True
            return 0
        waited = self._clock.steady_s() - self._since_s >= RECENT_S
        if not ahead and waited and not self._by_record:
            log.warning("no node can say whether this computer's clock was set right: it is believed")
            return self._clock.adopt()
        return 0

    def _judge_nodes(self, ahead: list[int]) -> int:
        """Most nodes agree with one another and not with this clock."""
        enough = 1 if self._believes_one else 2
        early = sorted(each for each in ahead if each > 1000 * AHEAD_S)
        late = sorted(self._steadily_late())
        for group in (early, late):
            if not group:
                continue
            middle = group[len(group) // 2]
            agreeing = [each for each in group if abs(each - middle) <= 1000 * AGREE_S]
            if len(agreeing) >= enough and 2 * len(agreeing) > len(ahead):
                self._has_verdict = True
                return self._clock.move(max(agreeing))  # a reading may be late, but never early
        return 0

    def _steadily_late(self) -> list[int]:
        return [
            each.ahead_ms
            for each in self._witnesses.values()
            if each.ahead_ms < -1000 * BEHIND_S
            and each.packs >= STEADY_PACKS
            and each.heard_s - each.steady_from_s >= STEADY_FOR_S
        ]

    def _moved(self, by_ms: int) -> None:
        for each in self._witnesses.values():
            each.ahead_ms -= by_ms
        log.warning("the recorder's clock was corrected by %s%s", _way(by_ms), f": {self.wrong}" if self.wrong else "")


def _agrees(ahead_ms: int) -> bool:
    return -1000 * BEHIND_S <= ahead_ms <= 1000 * AHEAD_S


def _most(ahead: list[int], agrees: Callable[[int], bool]) -> bool:
    return bool(ahead) and 2 * sum(map(agrees, ahead)) > len(ahead)


def _way(by_ms: int) -> str:
    return f"{span(abs(by_ms) / 1000)} {'forward' if by_ms > 0 else 'back'}"
