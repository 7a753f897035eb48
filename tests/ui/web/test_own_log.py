"""The pages' log keeps its end and a bound, whatever is printed, and however long they run."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tidetray.ui.web import own_log, serve

PRINTS = """
import os, time
from tidetray.ui.web import own_log
own_log.MOST_BYTES, own_log.KEPT_BYTES, own_log.LOOK_EVERY_S = 40_000, 10_000, 0.01
own_log.keep_bounded()
for number in range(20_000):
    os.write(1, b"line %06d of what the pages print\\n" % number)
    if number % 20 == 0:
        time.sleep(0.001)
time.sleep(0.3)
os.write(1, b"the last line\\n")
"""


def test_what_is_too_long_keeps_its_last_whole_lines(tmp_path: Path) -> None:
    path = tmp_path / "log"
    with path.open("ab", buffering=0) as file:
        file.write(b"".join(b"line %04d\n" % number for number in range(100)))
        assert not own_log.cut(path, most=1000, kept=200)
        file.write(b"one more\n")
        assert own_log.cut(path, most=1000, kept=200)
        file.write(b"after it\n")
    lines = path.read_text().splitlines()
    assert lines[0] == "... what was older is gone"
    assert lines[1:] == [*(f"line {number:04d}" for number in range(81, 100)), "one more", "after it"]


def test_a_process_that_prints_for_long_keeps_a_bound(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Started as the pages are; before, the file had all 680 kB."""
    log = tmp_path / "dashboard.log"
    log.write_text("of the run before\n")
    monkeypatch.setattr(serve, "command", lambda _host, _port: [sys.executable, "-c", PRINTS])
    process = serve.start(tmp_path, host="127.0.0.1", port=0, log=log)
    sizes = []
    deadline = time.monotonic() + 60
    while process.poll() is None:
        assert time.monotonic() < deadline
        sizes.append(log.stat().st_size)
        time.sleep(0.01)
    assert process.wait() == 0
    assert max(sizes) < 200_000, "twice a hundredth of a second is printed at most between two looks"
    assert log.stat().st_size < 60_000
    lines = log.read_text().splitlines()
    assert lines[0] == "... what was older is gone"
    assert lines[-1] == "the last line"
    assert lines[1:-1] == sorted(lines[1:-1])
    assert "of the run before" not in lines


def test_a_file_that_a_person_chose_is_left_alone(tmp_path: Path) -> None:
    """`tidetray dashboard > FILE`: only a log that was made for the pages is cut off."""
    path = tmp_path / "chosen"
    command = PRINTS.replace("range(20_000)", "range(4_000)")
    environment = {name: value for name, value in os.environ.items() if name != own_log.OWN_LOG}
    with path.open("ab") as out:
        subprocess.run([sys.executable, "-c", command], stdout=out, env=environment, check=True, timeout=60)
    assert len(path.read_text().splitlines()) == 4_001
