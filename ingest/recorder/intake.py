"""A batch of messages decoded: what is to be recorded, what goes into quarantine, what is none of ours.

In: messages as they came. Out: packs, messages for the quarantine, reports of being connected. Nothing is written here.

Messages of other sites are neither kept nor receipted: their own recorder does that. While the recorder's clock is not
proven, a message whose times it would refuse is left with its node, which sends it again: it is judged when the clock
is.
"""

from __future__ import annotations

import logging
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

from tidetray.ingest.core.readings import to_ms
from tidetray.ingest.recorder.clock_judge import ClockJudge
from tidetray.ingest.recorder.mqtt_client import Message
from tidetray.ingest.store.quarantine import TIME, Quarantined, fault_of_ours, refused
from tidetray.ingest.store.recording import HereReport, Sent
from tidetray.ingest.wire import packs as wire
from tidetray.ingest.wire import receipts, topics
from tidetray.ingest.wire.plain_topics import PlainTopics
from tidetray.ingest.wire.senml import WireError

log = logging.getLogger("tidetray.recorder")

_FAR = datetime(2200, 1, 1, tzinfo=UTC)
"""Judged against this no time is ahead: what a node's clock says is then seen, whatever it is."""


@dataclass(slots=True)
class Intake:
    """A batch decoded. `held`: messages left with their nodes; `foreign`: those of other sites."""

    packs: list[Sent] = field(default_factory=list)
    quarantined: list[Quarantined] = field(default_factory=list)
    heres: list[HereReport] = field(default_factory=list)
    held: int = 0
    foreign: int = 0
    moved_ms: int = 0

    @property
    def ours(self) -> int:
        """Messages that are to be dealt with on disk."""
        return len(self.packs) + len(self.quarantined) + len(self.heres)


class Decoder:
    """Decodes batches, and lets the clock be judged by what nodes say.

    Parameters
    ----------
    plain : PlainTopics
        Plain values of other firmware.
    sites : sequence of str
        The sites that are recorded; none for all.
    judge : ClockJudge
        Judges the recorder's clock.
    """

    def __init__(self, plain: PlainTopics, sites: Sequence[str], judge: ClockJudge) -> None:
        self._plain = plain
        self._sites = frozenset(sites)
        self._judge = judge
        self._has_said_foreign = False

    def decode(
        self, topic: str, payload: bytes, received_at: datetime, *, judged_at: datetime | None = None
    ) -> wire.Pack:
        """One message, plain or not. WireError says what is wrong with it."""
        source = self._plain if topic in self._plain else wire
        return source.decode(topic, payload, received_at, judged_at=judged_at)

    def take(self, batch: Sequence[Message]) -> Intake:
        """Decode a batch. Where it shows that the recorder's clock is wrong, it is decoded again by the right one."""
        found = self._decode_all(batch, hears=True)
        moved_ms = self._judge.decide()
        if moved_ms:
            by = timedelta(milliseconds=moved_ms)
            found = self._decode_all(
                [message._replace(received_at=message.received_at + by) for message in batch], hears=False
            )
            found.moved_ms = moved_ms
        if found.foreign and not self._has_said_foreign:
            self._has_said_foreign = True
            ours = ", ".join(sorted(self._sites))
            log.warning("messages of other sites than %s come here: they are left to their own recorder", ours)
        return found

    # ----------------------------------------------------------------

    def _decode_all(self, batch: Sequence[Message], *, hears: bool) -> Intake:
        into = Intake()
        for message in batch:
            received_ms = to_ms(message.received_at)
            try:
                self._decode_one(message, into, hears=hears)
            except WireError as error:
                log.warning("quarantine: %s", error)
                into.quarantined.append(refused(received_ms, message.topic, message.payload, error))
            except Exception as error:  # one message must not end the recording of all others, at each start anew
                log.exception("quarantine, for tidetray itself failed on it: a message to %s", message.topic)
                into.quarantined.append(fault_of_ours(received_ms, message.topic, message.payload, error))
        return into

    def _decode_one(self, message: Message, into: Intake, *, hears: bool) -> None:
        topic = None if message.topic in self._plain else topics.parse_topic(message.topic)
        if topic is not None and self._sites and topic.site not in self._sites:
            into.foreign += 1
        elif message.length is not None and (topic is None or topic.kind == "data"):
            mend = "Send the readings in several messages"
            raise WireError("size", f"{message.length} bytes are too many", where=message.topic, mend=mend)
        elif topic is None and message.retained and not self._plain.is_dated(message.topic):
            log.info("a kept value on '%s' is not recorded: nobody can say of when it is", message.topic)
        elif topic is not None and topic.kind == "data" and message.retained:
            # data is not to be retained; it would come again at every start
            log.info("a retained message on '%s' is not recorded: its node sends it without", message.topic)
        elif topic is None or topic.kind == "data":
            self._take_data(message, into, hears=hears and topic is not None)
        elif topic.kind == "here" and message.payload:  # without: a retained one that was cleared
            here = receipts.decode_here(message.payload)
            into.heres.append((topic.site, topic.node, here, to_ms(message.received_at)))

    def _take_data(self, message: Message, into: Intake, *, hears: bool) -> None:
        error: wire.AllBadError | None = None
        try:
            pack = self.decode(message.topic, message.payload, message.received_at)
        except wire.AllBadError as all_bad:
            error, pack = all_bad, all_bad.pack
        is_of_time = any(record.kind == TIME for record in pack.quarantined)
        if hears and pack.uptime_s is None:
            self._hear(message, pack, is_of_time=is_of_time)
        if is_of_time and pack.seq is not None and not self._judge.is_proven:
            into.held += 1
            return
        if error is not None:
            # kept for its message number: without a receipt the node would send it for ever
            log.warning("quarantine: %s", error)
        into.packs.append((pack, message.topic, message.payload))

    def _hear(self, message: Message, pack: wire.Pack, *, is_of_time: bool) -> None:
        """What the node's own clock says, if the message has any of it."""
        if is_of_time:
            try:
                pack = self.decode(message.topic, message.payload, message.received_at, judged_at=_FAR)
            except WireError:
                return
        if pack.readings:
            newest_ms = pack.readings[-1].time_ms
            self._judge.hear((pack.site, pack.node), newest_ms - to_ms(message.received_at))
