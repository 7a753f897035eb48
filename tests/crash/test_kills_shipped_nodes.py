"""Kill -9, at random, of recorder, broker, InfluxDB and the shipped node, which measures now: so alarms are in reach.

The node is firmware_notes/node under MicroPython's Unix port with its own journal and its own window of 8. Every
reading that was on its flash is recorded once; every alarm is raised, and told at least once and at most twice.
`pytest --long` kills 320 times instead of 24.
"""

from __future__ import annotations

import random
import re
import time
from pathlib import Path

import pandas as pd
import pytest

from tests.conftest import Figures, Mosquitto
from tests.crash import fleet, shipped
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
from tests.influx.server import Server, executable
from tests.ingest.alarms.test_delivery import Receiver, receiver
from tidetray.ingest.alarms.kinds import KINDS
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store import queries
from tidetray.ingest.store.recording import open_store

__all__ = ["receiver"]

SEED = 7
KILLS, KILLS_LONG = 24, 320
EVERY_S = 1.2
"""From one kill to the next on average."""

PATIENCE_S = 150.0
CHANCES = {"recorder": 0.4, "node": 0.3, "broker": 0.15, "influxd": 0.15}


def alarm_settings(receiver: Receiver) -> str:
    """Only what the trays are put through; no delays, and one person who is told at once."""
    off = ", ".join(f'"{kind}"' for kind in KINDS if kind not in {"too high", "overflow"})
    return (
        f"[alarms]\noff = [{off}]\n[alarms.limits.water_temp]\nhigh = 30.0\non_delay_s = 0\noff_delay_s = 0\n"
        f'[[alarms.person]]\nname = "me"\nurls = ["json://127.0.0.1:{receiver.port}/?rto=5&cto=5"]\n'
    )


def told(receiver: Receiver, headline: str) -> tuple[int, int]:
    """(messages that speak of an alarm, of these such as do not only say that it is over).

    One alarm has a message of its own, with its headline in the title; several share one, with a line for each kind.
    """
    tray, what = headline.split(": ")
    line = re.compile(rf"^(Over: )?{what}(?: \(\w+\))?: (?:.*\W)?{tray}(?:\W.*)?\. Since ", re.MULTILINE)
    about = over = 0
    for message in receiver.taken:
        text = f"{message['title']}\n{message['message']}\n"
        found = line.search(message["message"])
        if f"{headline}\n" in text or found is not None:
            about += 1
            over += f"Over: {headline}\n" in text or (found is not None and found[1] is not None)
    return about, about - over


@pytest.mark.timeout(1500)
def test_nothing_is_lost_and_every_alarm_is_told(
    tmp_path: Path, mosquitto: Mosquitto, receiver: Receiver, long_form: bool, figures: Figures
) -> None:
    kills = KILLS_LONG if long_form else KILLS
    rng = random.Random(SEED)
    home, quiet_home, plan = tmp_path / "home", tmp_path / "undisturbed", shipped.trial()
    open_home(home, plan)
    influxd = Server(executable(), tmp_path / "influxd")
    influxd.start()
    influx = pass_on(home, influxd, alarm_settings(receiver))
    began_s = time.time()
    nodes = shipped.nodes(tmp_path, mosquitto.port, began_s=began_s, lasts_s=kills * EVERY_S, rng=rng)
    recorder, broker = fleet.recorder(home, mosquitto.port), fleet.broker(mosquitto)
    kinds: dict[str, list[fleet.Killable | Server]] = {
        "recorder": [recorder],
        "node": [*nodes],
        "broker": [broker],
        "influxd": [influxd],
    }
    killed = dict.fromkeys(kinds, 0)
    headlines = [f"{tray.name}: {what}" for tray in plan.trays for what in ("water temp too high", "overflow")]
    try:
        for process in (broker, recorder, *nodes):
            process.start()
        for number in range(kills):
            time.sleep(max(0.0, began_s + EVERY_S * (number + rng.uniform(0, 2)) - time.time()))
            (kind,) = rng.choices([*CHANCES], [*CHANCES.values()])
            victim = rng.choice(kinds[kind])
            victim.kill()
            if isinstance(victim, Server):
                victim.launch()  # it may be killed before it is ready, too
            else:
                victim.start()
            killed[kind] += 1
        for node in nodes:
            node.kill()
            node.drained(PATIENCE_S)
        influxd.wait_until_ready()
        wait_until(lambda: waits_for_influx(home) == 0, PATIENCE_S)
        wait_until(lambda: all(told(receiver, headline)[0] for headline in headlines), PATIENCE_S)
        forwarded, influx_equal = passed_on(home, influx, plan)
    finally:
        ended = recorder.stop()
        for process in (recorder, broker, influxd, *nodes):
            process.kill()
    undisturbed(quiet_home, plan, [(node.name, node.readings) for node in nodes])
    expected, recorded = readings_of(quiet_home), readings_of(home)
    count = how_many(home)
    lost, doubled = len(expected - recorded), count - len(recorded & expected)
    cycles, wanted = cycles_of(home, shipped.SITE), cycles_of(quiet_home, shipped.SITE)
    hours, hours_wanted = hours_of(home), hours_of(quiet_home)
    raised = {f"{row[0]}: {row[1]}{row[2]}" for row in rows(home, RAISED)}
    tellings = {headline: told(receiver, headline) for headline in headlines}
    figures(
        f"kills={sum(killed.values())} killed={killed} readings={count} lost={lost} doubled={doubled} "
        f"cycles={len(wanted)} cycles_equal={cycles.equals(wanted)} in_influx={forwarded} influx_equal={influx_equal} "
        f"alarms={len(headlines)} not_raised={len(set(headlines) - raised)} "
        f"never_told={sum(not about for about, _ in tellings.values())} "
        f"told_twice={sum(begun == 2 for _, begun in tellings.values())} "
        f"told_more={sum(begun > 2 for _, begun in tellings.values())} "
        f"messages_twice={counted(home, 'doubled')} seconds={time.time() - began_s:.0f} seed={SEED} "
        f"boots={len(rows(home, 'SELECT DISTINCT node, boot FROM message_range'))}"
    )
    assert sum(killed.values()) == kills
    assert min(killed.values()) > 0
    assert len(expected) == sum(len(node.kept) for node in nodes) > 10 * kills
    assert (lost, doubled) == (0, 0)
    assert counted(home, "readings") == count
    assert len(wanted) > kills / 4
    pd.testing.assert_frame_equal(cycles, wanted)
    pd.testing.assert_frame_equal(hours, hours_wanted)
    assert (forwarded, influx_equal) == (count, True)
    assert set(headlines) <= raised
    assert all(about >= 1 and begun <= 2 for about, begun in tellings.values()), tellings
    assert rows(home, "SELECT kind, reason FROM quarantine") == []
    with open_store(home / RECORD_FILE, read_only=True) as store:
        assert [(node.missing, node.gone) for node in queries.nodes(store, shipped.SITE)] == [(0, 0)] * shipped.NODES
    assert ended == 0
    assert "Traceback" not in (home / "recorder.log").read_text()


RAISED = "SELECT name, CASE channel WHEN '' THEN '' ELSE replace(channel, '_', ' ') || ' ' END, kind FROM alarm"
