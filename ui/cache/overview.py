"""What `tidetray status` and the page of trays show: one reading of the home at one moment."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import pandas as pd

from tidetray.analysis.questions.trays import TimetableAnswer, timetable, trays
from tidetray.analysis.record.site_trays import NO_TRIAL, SiteTrays
from tidetray.analysis.record.trial_data import choose_trial
from tidetray.ingest.home.set_up import recorder_expected
from tidetray.ingest.influx.queue import Forwarding, forwarding_of
from tidetray.ingest.recorder.status import RecorderState, read_state
from tidetray.ingest.store import queries
from tidetray.ingest.store.home_lock import is_recording
from tidetray.ingest.store.quarantine import QuarantinedMessage
from tidetray.ingest.store.recording import Store

QUARANTINED_SHOWN = 5


@dataclass(frozen=True, slots=True)
class Overview:
    at: datetime
    zone: str
    recording: bool
    trays: pd.DataFrame
    nodes: list[queries.NodeState]
    counts: dict[str, int]
    recorder: RecorderState | None
    quarantined: list[QuarantinedMessage]
    forwarding: Forwarding | None
    timetable: TimetableAnswer
    expected: bool = True
    """Whether there is anything to record here (`recorder_expected`)."""


def overview(store: Store, home: Path, trial_name: str | None, now: datetime) -> Overview:
    data = SiteTrays(store, choose_trial(store, trial_name))
    site = data.trial.site
    table = trays(data, now).table
    # a tray that is in no running trial and sends nothing: nobody asks for it
    table = table[(table["treatment"] != NO_TRIAL) | (table["state"] != "unknown")].reset_index(drop=True)
    recording = is_recording(home)
    recorder = read_state(home) if recording else None
    return Overview(
        at=now,
        zone=data.trial.zone,
        recording=recording,
        trays=table,
        nodes=queries.nodes(store, site),
        counts=queries.counters(store),
        recorder=recorder,
        quarantined=store.quarantine.messages(limit=QUARANTINED_SHOWN, open_only=True),
        forwarding=forwarding_of(store, "" if recorder is None else recorder.influx_trouble),
        timetable=timetable(store, data.trial.name, now),
        expected=recorder_expected(store, home),
    )
