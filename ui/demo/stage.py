"""`tidetray demo`: the main job on made-up trays, with nothing left out.

A broker, the nursery's nodes, the recorder and the web pages, each a process of its own; the grower's
part (trial, weigh-ins) is written into the notebook. At the end it says what was sent and what was
recorded, and exits 1 if a reading that was sent is missing.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from types import FrameType
from typing import Any

import click
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

from tidetray.analysis.live.trays_now import FAILURES
from tidetray.analysis.record.trial_data import TrialData, choose_trial
from tidetray.ingest.core.backoff import end_child
from tidetray.ingest.home.broker_process import Access, broker_process
from tidetray.ingest.notebook.facts import TrialPlan
from tidetray.ingest.notebook.light_surveys import add_light_survey
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.nursery.nursery import Nursery, make_nursery
from tidetray.ingest.nursery.sensors import light_survey
from tidetray.ingest.nursery.simulated_nodes import NurseryReport
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store import derived, queries
from tidetray.ingest.store.home_lock import is_recording
from tidetray.ingest.store.recording import open_store
from tidetray.ui.columns import local
from tidetray.ui.demo.real_node import NAME as REAL_NODE
from tidetray.ui.demo.real_node import TRAY as REAL_TRAY
from tidetray.ui.demo.real_node import NodeReport, RealNode, command, real_node, with_its_tray
from tidetray.ui.web import serve

SEED = 7
LOOK_EVERY_S = 2.0
STOP_S = 15.0
CLOGGING = "mixed"
"""The live tray whose drain clogs is the first one of this culture."""


class _StopAskedError(Exception):
    """Ctrl-C or SIGTERM: the demo is to end, in good order."""


class _Stop:
    """Ctrl-C and SIGTERM interrupt the demo, except while it starts a process: one that is not yet among those that
    are ended would be left behind."""

    def __init__(self) -> None:
        self._asked = self._waits = False
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, self._ask)

    def _ask(self, _number: int, _frame: FrameType | None) -> None:
        self.ignore()  # once is enough: a second Ctrl-C would end the demo in the midst of tidying up
        if not self._waits:
            raise _StopAskedError
        self._asked = True

    @contextmanager
    def waits(self) -> Iterator[None]:
        """What is begun in here is begun whole. _StopAskedError after it."""
        self._waits = True
        try:
            yield
        finally:
            self._waits = False
        if self._asked:
            raise _StopAskedError

    def ignore(self) -> None:
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, signal.SIG_IGN)


def run_demo(*, live_s: float | None, dashboard: bool, keep: Path | None, port: int, real: bool = False) -> int:
    """Run until `live_s` seconds of live trays are over, or until stopped; with a `real` node beside. The exit code."""
    if real:
        command()  # says so now if there is no MicroPython
    if keep is not None and (keep / RECORD_FILE).exists():
        click.echo(f"tidetray: {keep} holds a record already. Name an empty folder with --keep.", err=True)
        return 1
    with ExitStack() as stack:
        home = keep or Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="tidetray-demo-")))
        cast, stop = _Cast(), _Stop()
        try:
            nursery = make_nursery(datetime.now(UTC), seed=SEED)
            _write_notebook(home, nursery, with_its_tray(nursery.plan) if real else nursery.plan)
            try:
                _play(
                    cast, stack, stop, home, nursery, live_s=live_s, pages_port=port if dashboard else None, real=real
                )
            except _EndedEarlyError as ended:
                click.echo(f"Stopped early: {ended}")
            stop.ignore()
        except _StopAskedError:
            click.echo("Stopping: waiting for what is still on its way.")
        code = _curtain(cast, home)
        if keep is not None:
            click.echo(f"Kept in {home}: look at it with `tidetray dashboard --home {home}`.")
    return code


@dataclass
class _Cast:
    """Whose last word is waited for at the end: those that were started before the demo was stopped."""

    nodes: _Nodes | None = None
    real: RealNode | None = None


def _play(
    cast: _Cast,
    stack: ExitStack,
    stop: _Stop,
    home: Path,
    nursery: Nursery,
    *,
    live_s: float | None,
    pages_port: int | None,
    real: bool,
) -> None:
    """Start every process, show the history come in, then watch the live trays until they end."""
    console, started = Console(), time.monotonic()
    if pages_port is not None:
        chosen = serve.free_port("127.0.0.1", pages_port)
        with stop.waits():
            stack.enter_context(_child(serve.start(home, host="127.0.0.1", port=chosen, log=home / "dashboard.log")))
        click.echo(f"Pages:   http://127.0.0.1:{chosen}")
    with stop.waits():
        broker = stack.enter_context(broker_process())
    with stop.waits():
        recorder = stack.enter_context(_child(_start_recorder(home, broker)))
    with stop.waits():
        cast.nodes = stack.enter_context(_nodes(nursery, broker, live_s))
    if real:
        with stop.waits():
            folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="tidetray-node-")))
            cast.real = stack.enter_context(real_node(folder, nursery.plan.trial.site, broker))
        click.echo(f"Node:    {REAL_NODE} is a real one, in MicroPython, on {REAL_TRAY}")
    _show_history(console, cast.nodes, recorder, started)
    _watch_live(cast.nodes, home, nursery)


def _curtain(cast: _Cast, home: Path) -> int:
    """Let the nodes finish, and say what was sent and what was recorded. The exit code."""
    final = None if cast.nodes is None else cast.nodes.finish()
    its_word = None if cast.real is None else cast.real.finish()
    if final is None:
        return 1
    _wait_for_cycles(home)
    code = _say_result(home, final)
    return code if cast.real is None else max(code, _say_real(home, its_word))


class _EndedEarlyError(Exception):
    """A process of the demo ended by itself."""


class _Nodes:
    """The nodes' process, and its last word."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self.process = process
        self.last: NurseryReport | None = None
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        if self.process.stdout is not None:
            for line in self.process.stdout:
                self.last = NurseryReport(**json.loads(line))

    def finish(self) -> NurseryReport | None:
        """Let the nodes wait for their last receipts; their last word, if they said any."""
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGTERM)
        try:
            self.process.wait(STOP_S)
        except subprocess.TimeoutExpired:
            self.process.kill()
        self._reader.join(STOP_S)
        return self.last


@contextmanager
def _nodes(nursery: Nursery, broker: Access, live_s: float | None) -> Iterator[_Nodes]:
    clogging = next(tray.name for tray in nursery.plan.trays if nursery.treatment(tray.name).culture == CLOGGING)
    process = subprocess.Popen(
        [sys.executable, "-m", "tidetray.ingest.nursery.simulated_nodes"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    with _child(process):
        if process.stdin is not None:
            process.stdin.write(
                json.dumps(
                    {
                        "host": broker.host,
                        "port": broker.port,
                        **asdict(broker.nodes),
                        "seed": nursery.seed,
                        "until": nursery.until.isoformat(),
                        "live_s": live_s,
                        "clogging_tray": clogging,
                    }
                )
            )
            process.stdin.close()
        yield _Nodes(process)


@contextmanager
def _child(process: subprocess.Popen[Any]) -> Iterator[subprocess.Popen[Any]]:
    """Ends the process on leaving, gently first."""
    try:
        yield process
    finally:
        end_child(process, STOP_S)
        if process.stdout is not None:
            process.stdout.close()


def _start_recorder(home: Path, broker: Access) -> subprocess.Popen[bytes]:
    # by the environment, so that a kept home holds no password of a broker that is gone
    environment = {
        **os.environ,
        "TIDETRAY_BROKER__HOST": broker.host,
        "TIDETRAY_BROKER__PORT": str(broker.port),
        "TIDETRAY_BROKER__USERNAME": broker.recorder.username,
        "TIDETRAY_BROKER__PASSWORD": broker.recorder.password,
        # its live trays flood every minute, for somebody to watch, and not when the trial's schedule says
        "TIDETRAY_ALARMS__OFF": json.dumps(["flood outside the schedule", "missed flood"]),
    }
    with (home / "recorder.log").open("wb") as log:
        return subprocess.Popen(
            [sys.executable, "-m", "tidetray", "record", "--home", str(home)],
            env=environment,
            stdout=log,
            stderr=subprocess.STDOUT,
            start_new_session=True,
        )


def _write_notebook(home: Path, nursery: Nursery, plan: TrialPlan) -> None:
    with open_store(home / RECORD_FILE) as store:
        notebook = Notebook(store)
        notebook.add_trial(plan)
        add_light_survey(store, nursery.plan.trial.site, light_survey(nursery))
        notebook.add_weigh_ins(nursery.plan.trial.name, nursery.weigh_ins, now=nursery.until)


def _show_history(console: Console, nodes: _Nodes, recorder: subprocess.Popen[Any], started: float) -> None:
    columns = (TextColumn("History:"), BarColumn(), MofNCompleteColumn(), TextColumn("readings"), TimeElapsedColumn())
    first: float | None = None
    with Progress(*columns, console=console, transient=True) as progress:
        task = progress.add_task("history", total=None)
        while nodes.last is None or nodes.last.readings_receipted < nodes.last.readings_to_send:
            _check_alive(nodes, recorder)
            time.sleep(0.2)
            if nodes.last is not None:
                first = time.monotonic() if first is None and nodes.last.readings_receipted else first
                progress.update(task, total=nodes.last.readings_to_send, completed=nodes.last.readings_receipted)
    now = time.monotonic()
    readings = nodes.last.readings_receipted
    rate = readings / max(0.2, now - (first or started))
    click.echo(
        f"History: {readings:,} readings of 63 days recorded, {now - started:.1f} s after the start "
        f"({rate:,.0f} readings/s)"
    )


def _watch_live(nodes: _Nodes, home: Path, nursery: Nursery) -> None:
    click.echo("Live:    the trays flood every minute or so, and one will clog. Ctrl-C ends.")
    told: set[tuple[str, Any]] = set()
    while nodes.last is not None and nodes.last.state == "live":
        if nodes.process.poll() is not None:
            return
        time.sleep(LOOK_EVERY_S)
        for row in _failed_cycles(home, nursery.until).itertuples():
            if (row.tray, row.flood_start) not in told:
                told.add((row.tray, row.flood_start))
                click.echo(f"         {_failure_line(row, nursery.plan.trial.zone)}")


def _failed_cycles(home: Path, since: datetime) -> Any:
    with open_store(home / RECORD_FILE, read_only=True) as store:
        cycles = TrialData(store, choose_trial(store)).cycles(since=since)
    return cycles[cycles["outcome"].isin(FAILURES)]


def _failure_line(row: Any, zone: str) -> str:
    return f"{row.tray}: {row.outcome}, flooded {local(row.flood_start, zone)}"


def _wait_for_cycles(home: Path) -> None:
    """The recorder works cycles out a moment after their readings are in."""
    deadline = time.monotonic() + STOP_S
    while is_recording(home) and time.monotonic() < deadline:
        with open_store(home / RECORD_FILE, read_only=True) as store:
            if not derived.cycles_due(store):
                return
        time.sleep(0.2)


def _say_result(home: Path, final: NurseryReport) -> int:
    with open_store(home / RECORD_FILE, read_only=True) as store:
        data = TrialData(store, choose_trial(store))
        recorded = store.raw.count() - store.raw.count(REAL_NODE)
        counts = queries.counters(store)
        numbers_missing = sum(node.missing for node in queries.nodes(store, data.trial.site))
        failed = data.cycles()
    missing = final.readings_sent - recorded
    click.echo(
        f"Sent {final.readings_sent:,} readings in {final.messages_sent:,} messages "
        f"({final.messages_resent:,} sent again). Recorded {recorded:,}, missing {missing:,}; "
        f"{counts['doubled']:,} messages came twice, {counts['set_aside']:,} in quarantine."
    )
    if final.readings_lost:
        click.echo(
            f"Never sent: {final.readings_lost:,} readings of a node that was cut off without a journal, in "
            "the history."
        )
    failed = failed[failed["outcome"].isin(FAILURES)]
    click.echo(f"Failed cycles: {len(failed)}")
    for row in failed.tail(12).itertuples():
        click.echo(f"  {_failure_line(row, data.trial.zone)}")
    return 0 if missing == 0 and numbers_missing == 0 and final.messages_held == 0 else 1


def _say_real(home: Path, last: NodeReport | None) -> int:
    if last is None:
        click.echo(f"The node {REAL_NODE} ended badly.")
        return 1
    with open_store(home / RECORD_FILE, read_only=True) as store:
        recorded = store.raw.count(REAL_NODE)
    click.echo(
        f"The node {REAL_NODE} sent {last.readings:,} readings in {last.messages:,} messages. "
        f"Recorded {recorded:,}, missing {last.readings - recorded:,}; {last.held:,} messages without a receipt."
    )
    return int(recorded != last.readings or last.held > 0)


def _check_alive(nodes: _Nodes, recorder: subprocess.Popen[Any]) -> None:
    if recorder.poll() is not None:
        raise _EndedEarlyError("the recorder ended by itself")
    if nodes.process.poll() is not None:
        raise _EndedEarlyError("the nodes ended by themselves")
