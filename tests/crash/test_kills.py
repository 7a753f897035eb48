"""Kill -9, at random, of recorder, broker, InfluxDB and nodes while readings stream: none lost, none doubled.

12 kills, with `pytest --long` 300. To put another kind of process under fire, add it to `kinds` (and what of it is to
be checked after the end).
"""

from __future__ import annotations

import random
import time
from pathlib import Path

import pandas as pd
import pytest

from tests.conftest import Figures, Mosquitto
from tests.crash import fleet
from tests.crash.aftermath import (
    counted,
    cycles_of,
    hours_of,
    how_many,
    open_home,
    pass_on,
    passed_on,
    readings_of,
    rows,
    undisturbed,
    wait_until,
    waits_for_influx,
)
from tests.crash.stream import NODES, SITE, measured, trial
from tests.influx.server import Server, executable
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store import queries
from tidetray.ingest.store.recording import open_store

SEED = 20
KILLS, KILLS_LONG = 12, 300
READINGS_A_KILL = 1000
EVERY_S = 1.0
SLACK = 12
"""For so many more kills the stream of readings lasts: on a busy machine a kill and a start take longer."""

"""From one kill to the next on average; the stream lasts as long as the kills."""

PATIENCE_S = 150.0
"""For what is still under way when the killing is over."""


@pytest.mark.timeout(900)
def test_nothing_is_lost_or_doubled_by_kills(
    tmp_path: Path, mosquitto: Mosquitto, long_form: bool, figures: Figures
) -> None:
    kills = KILLS_LONG if long_form else KILLS
    readings = READINGS_A_KILL * kills
    home, quiet_home = tmp_path / "home", tmp_path / "undisturbed"
    each = readings // NODES
    open_home(home, trial())
    influxd = Server(executable(), tmp_path / "influxd")
    influxd.start()
    influx = pass_on(home, influxd)
    began_s = time.time()
    start_s = int(began_s) - 60 * 3600  # older than what is watched for alarms again at each start
    lasts_s = (kills + SLACK) * EVERY_S
    kinds: dict[str, list[fleet.Killable | Server]] = {
        "influxd": [influxd],
        "recorder": [fleet.recorder(home, mosquitto.port)],
        "broker": [fleet.broker(mosquitto)],
        "node": fleet.nodes(
            tmp_path, mosquitto.port, readings=each, rate=each / lasts_s, start_s=start_s, began_s=began_s
        ),
    }
    everything = [process for kind in kinds.values() for process in kind]
    for process in everything:
        if not isinstance(process, Server):
            process.start()
    rng = random.Random(SEED)
    killed = dict.fromkeys(kinds, 0)
    try:
        for number in range(kills):
            time.sleep(max(0.0, began_s + EVERY_S * (number + rng.uniform(0, 2)) - time.time()))
            kind = rng.choice(list(kinds))
            process = rng.choice(kinds[kind])
            process.kill()
            if isinstance(process, Server):
                process.launch()  # it may be killed before it is ready, too
            else:
                process.start()
            killed[kind] += 1
        assert how_many(home) < readings, "the stream had ended before the kills did"
        wait_until(lambda: how_many(home) >= readings, PATIENCE_S)
        influxd.wait_until_ready()
        wait_until(lambda: waits_for_influx(home) == 0, PATIENCE_S)
        forwarded, influx_equal = passed_on(home, influx, trial())
    finally:
        ended = [process.stop() for process in kinds["recorder"]]
        for process in everything:
            process.kill()
    undisturbed(quiet_home, trial(), [(f"bench-{n}", measured(n, each, start_s)) for n in range(NODES)])
    expected, recorded = readings_of(quiet_home), readings_of(home)
    count = how_many(home)
    lost, doubled = len(expected - recorded), count - len(recorded & expected)
    cycles, wanted = cycles_of(home, SITE), cycles_of(quiet_home, SITE)
    figures(
        f"kills={sum(killed.values())} readings={count} lost={lost} doubled={doubled} "
        f"cycles_equal={cycles.equals(wanted)} in_influx={forwarded} influx_equal={influx_equal} "
        f"seconds={time.time() - began_s:.0f} seed={SEED} cycles={len(wanted)} "
        f"messages_twice={counted(home, 'doubled')} "
        f"boots={len(rows(home, 'SELECT DISTINCT node, boot FROM message_range'))} killed={killed}"
    )
    assert len(expected) == readings
    assert (lost, doubled) == (0, 0)
    assert (forwarded, influx_equal) == (readings, True)
    assert len(wanted) > kills / 2
    pd.testing.assert_frame_equal(cycles, wanted)
    pd.testing.assert_frame_equal(hours_of(home), hours_of(quiet_home))  # a reading counted twice would show here
    assert counted(home, "readings") == readings
    assert rows(home, "SELECT kind, reason FROM quarantine") == []
    with open_store(home / RECORD_FILE, read_only=True) as store:
        assert [(node.missing, node.gone) for node in queries.nodes(store, SITE)] == [(0, 0)] * NODES
    assert ended == [0]
    assert "Traceback" not in (home / "recorder.log").read_text()
    assert min(killed.values()) >= 3 * kills // (5 * len(kinds))
