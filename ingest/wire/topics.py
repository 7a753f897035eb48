"""The topics of nodes: tidetray/v1/<site>/<node>/<kind>, made and read. No I/O.

firmware_notes/contract.md is the contract.
"""

from __future__ import annotations

import re
from functools import lru_cache
from typing import NamedTuple

from tidetray.ingest.core.readings import ID_MEND, ID_PATTERN
from tidetray.ingest.wire.senml import WireError, shown

_TOPIC = re.compile(rf"tidetray/v1/({ID_PATTERN.pattern})/({ID_PATTERN.pattern})/(data|here|receipt|timetable)(/.*)?")


class Topic(NamedTuple):
    """`kind` is data, here, receipt or timetable."""

    site: str
    node: str
    kind: str


@lru_cache(maxsize=4096)
def parse_topic(topic: str) -> Topic:
    """Site, node and kind of a topic. WireError `topic` for any other topic."""
    match = _TOPIC.fullmatch(topic)
    if match is None or (match[4] and match[3] != "timetable"):  # a tray's own timetable stands below its node's
        mend = f"Publish to tidetray/v1/<site>/<node>/data. {ID_MEND} for site and node"
        raise WireError("topic", "not a topic of a node", where=f"'{shown(topic)}'", mend=mend)
    return Topic(match[1], match[2], match[3])


def data_topic(site: str, node: str) -> str:
    """Where a node publishes its packs. ValueError if `site` or `node` is not an id, as for the other topics."""
    return _topic(site, node, "data")


def here_topic(site: str, node: str) -> str:
    """Where a node says that it is connected, and its last will that it is not (both retained)."""
    return _topic(site, node, "here")


def receipt_topic(site: str, node: str) -> str:
    """Where the recorder says what of a node is on disk."""
    return _topic(site, node, "receipt")


def _topic(site: str, node: str, kind: str) -> str:
    for word, name in (("site", site), ("node", node)):
        if ID_PATTERN.fullmatch(name) is None:
            raise ValueError(f"'{shown(name)}' cannot name a {word}. {ID_MEND}")
    return f"tidetray/v1/{site}/{node}/{kind}"


def subscriptions(*sites: str) -> list[str]:
    """MQTT filters of a recorder of these sites, or of all without one. ValueError if one cannot be a site.

    What nodes send, and what lies deeper, to see what is sent to a wrong topic; not the recorder's own receipts.
    """
    for site in sites:
        if ID_PATTERN.fullmatch(site) is None:
            raise ValueError(f"'{shown(site)}' cannot name a site. {ID_MEND}")
    return [f"tidetray/v1/{site}/{rest}" for site in sites or ("+",) for rest in ("+/data", "+/here", "+/+/+/#")]
