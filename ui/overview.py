"""What `tidetray status` and the page of trays show: one reading of the home at one moment."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import pandas as pd

from analysis.trays_now import LOOK_BACK, trays_now
from analysis.trial_data import TrialData, choose_trial
from ingest import lookup
from ingest.forwarding import Forwarding, forwarding_of
from ingest.recorder import is_recording
from ingest.store import Store
from ingest.supervision import RecorderState, read_state

SET_ASIDE_SHOWN = 5


@dataclass(frozen=True, slots=True)
class Overview:
    at: datetime
    zone: str
    recording: bool
    trays: pd.DataFrame
    nodes: list[lookup.NodeState]
    counts: dict[str, int]
    recorder: RecorderState | None
    set_aside: list[lookup.SetAsideMessage]
    forwarding: Forwarding | None


def overview(store: Store, home: Path, trial_name: str | None, now: datetime) -> Overview:
    data = TrialData(store, choose_trial(store, trial_name))
    site = data.trial.site
    recording = is_recording(home)
    recorder = read_state(home) if recording else None
    recent = data.cycles(since=now - LOOK_BACK)
    return Overview(
        at=now,
        zone=data.trial.zone,
        recording=recording,
        trays=trays_now(recent, lookup.latest(store, site), data.treatments, now),
        nodes=lookup.nodes(store, site),
        counts=lookup.counters(store),
        recorder=recorder,
        set_aside=lookup.set_aside(store, limit=SET_ASIDE_SHOWN, open_only=True),
        forwarding=forwarding_of(store, "" if recorder is None else recorder.influx_trouble),
    )
