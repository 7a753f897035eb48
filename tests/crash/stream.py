"""What the nodes of the crash tests measure: the same at every call, so that nothing depends on who was killed when.

Node k has the trays tray-(2k+1) and tray-(2k+2); every STEP_S each gives level, float, pump and water temperature.
A tray is flooded every half hour, a little differently each time.
"""

from __future__ import annotations

import random
from dataclasses import replace
from datetime import UTC, datetime

from tests.nursery_faults import quiet_nursery
from tidetray.ingest.core.readings import Reading
from tidetray.ingest.notebook.facts import TrayPlan, Trial, TrialPlan
from tidetray.ingest.nursery.nursery import TREATMENTS

SITE = "nursery"
NODES, TRAYS_A_NODE, CHANNELS_A_STEP = 4, 2, 4
STEP_S, CYCLE_STEPS = 10, 180
PACK_READINGS = 16


def trial() -> TrialPlan:
    """A notebook with all trays of all nodes."""
    first = quiet_nursery(datetime(2026, 6, 1, 12, tzinfo=UTC), days=1).plan.trays[0].tray
    trays = [
        TrayPlan(replace(first, name=f"tray-{n + 1}"), TREATMENTS[n % len(TREATMENTS)].name)
        for n in range(NODES * TRAYS_A_NODE)
    ]
    about = Trial("crash", SITE, "UTC", datetime(2026, 1, 1, tzinfo=UTC), "Micranthemum sp.", "")
    return TrialPlan(about, TREATMENTS, tuple(trays), ())


def measured(node: int, count: int, start_s: int) -> list[Reading]:
    """The first `count` readings of a node, in order of time, from `start_s` on."""
    rng = random.Random(node)
    found: list[Reading] = []
    step = 0
    tops = [0.03] * TRAYS_A_NODE
    while len(found) < count:
        for n in range(TRAYS_A_NODE):
            phase = (step + 41 * n + 17 * node) % CYCLE_STEPS
            if phase == 0:
                tops[n] = rng.uniform(0.026, 0.034)
            top_m = tops[n]
            level_m = min(top_m, 0.004 * phase) if phase < 30 else max(0.0, top_m - 0.009 * (phase - 29))
            level_m = round(level_m + rng.uniform(0, 0.0008), 5)
            values = {
                "level": level_m,
                "flooded": float(level_m > 0.02),
                "pump": float(phase < 8),
                "water_temp": round(21 + rng.gauss(0, 0.1), 3),
            }
            tray = f"tray-{TRAYS_A_NODE * node + n + 1}"
            time_ms = 1000 * (start_s + step * STEP_S)
            found += [Reading(tray, channel, time_ms, value) for channel, value in values.items()]
        step += 1
    return found[:count]
