"""The node under power cuts, and its size: python tests/bench/node.py [cuts]

Real nodes (MicroPython's Unix port), a real Mosquitto, the real recorder; nodes are killed with SIGKILL at
random moments. The last line is `node cuts=… lost=… doubled=… ram_bytes=…`: `lost` were on a node's flash and
are not recorded, `doubled` are recorded and were not (or not there, or not then) on flash; `ram_bytes` is the
heap in use after 10,000 samples. Exit code 1 if anything was lost or doubled or the heap grew.
"""

from __future__ import annotations

import json
import shutil
import socket
import subprocess
import sys
import tempfile
import time
from collections import Counter
from contextlib import ExitStack
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.conftest import DATA, Mosquitto
from tests.node.workbench import HERE, NODE, NOISE, ask, cut_lanes, micropython, recorded, recording, start
from tidetray.ingest.files.trial_file import load_trial
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.settings.model import BrokerSettings
from tidetray.ingest.store.recording import open_store

LANES = 5
LONGEST_S = 0.9
DAY_S = 86400
QUIET_DAY = {"speed_until_s": DAY_S, "ticks_per_step": 20, "cycle_s": 14400}
CHIP_BLOCKS = 512
FLAT_BYTES = 2048
"""A heap that grew by less than this [bytes] between 1,000 and 10,000 samples did not grow: dicts and lists come in
steps."""


def main() -> int:
    cuts = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    with ExitStack() as stack:
        memory = Path("/dev/shm")
        parent = memory if memory.is_dir() else None
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="tidetray-node-", dir=parent)))
        folder.chmod(0o755)
        broker = _broker(folder)
        broker.start()
        stack.callback(broker.stop)
        path = str(folder / "home" / "tidetray.sqlite")
        with open_store(path) as store:
            Notebook(store).add_trial(load_trial(DATA / "trial.toml"))
        with recording(path, BrokerSettings(port=broker.port)):
            lost, doubled, done = _cuts(folder, broker.port, path, cuts)
            ram = _say_sizes(folder, broker.port)
            _say_day(folder, broker.port)
            _say_wear(folder)
        gaps, aside = (
            ask(path, "SELECT count(*) FROM message_gap"),
            ask(path, "SELECT kind, count(*) FROM quarantine GROUP BY kind"),
        )
        print(f"message numbers missing: {gaps[0][0]}; quarantine: {aside}")
    print(f"node cuts={done} lost={lost} doubled={doubled} ram_bytes={ram['end']}")
    return int(bool(lost or doubled or done < cuts or ram["end"] - ram["start"] > FLAT_BYTES))


def _cuts(folder: Path, port: int, path: str, cuts: int) -> tuple[int, int, int]:
    began = time.monotonic()
    lanes = cut_lanes(folder / "lanes", port, lanes=LANES, cuts=cuts // LANES, longest_s=LONGEST_S)
    lost = doubled = kept = 0
    for lane in lanes:
        if lane.failed:
            print(f"{lane.name}: {lane.failed}")
        stands = Counter(recorded(path, lane.name))
        lost += len(lane.kept - set(stands))
        doubled += sum((stands - Counter(dict.fromkeys(lane.kept, 1))).values())
        kept += len(lane.kept)
    done = sum(lane.cuts for lane in lanes)
    print(f"{done} cuts of {len(lanes)} nodes in {time.monotonic() - began:.0f} s; {kept} readings had been on flash")
    return lost, doubled, done


def _say_sizes(folder: Path, port: int) -> dict[str, int]:
    program = [path for path in NODE.glob("*.py") if path.name != "bench.py"]
    print(f"program: {len(program)} files, {sum(path.stat().st_size for path in program)} bytes of source")
    found: dict[str, int] = _run("ram_node.py", _settings(folder / "ram", port, "ram-1", samples=10_000))
    print(
        f"heap in use, 64-bit build: {found['start']} bytes after 1,000 samples, {found['end']} after "
        f"{found['samples']}"
    )
    for kilobytes in (160, 192, 224, 256, 384):
        settings = _settings(folder / f"heap-{kilobytes}", port, "ram-2", samples=1500)
        if _run("ram_node.py", settings, "-X", f"heapsize={kilobytes}K", may_fail=True):
            print(f"smallest heap it runs in, 64-bit build: {kilobytes} KiB")
            break
    return found


def _busy_day(folder: Path, port: int, node: str, **more: Any) -> dict[str, Any]:
    folder.mkdir()
    given = {
        "folder": str(folder),
        "site": "nursery",
        "node": node,
        "host": "127.0.0.1",
        "port": port,
        "ca_file": "",
        "ntp_host": "",
        "tick_ms": 100,
        "first_wait_ms": 20,
        "sensors": [
            {"kind": "float", "tray": "tray-1", "pin": 4, "every_ms": 2000},
            {"kind": "pressure", "tray": "tray-1", "pin": 35, "full_pa": 2000, "every_ms": 2000},
            {"kind": "pump", "tray": "tray-1", "pin": 34, "zero": 0.5, "threshold": 0.05, "every_ms": 2000},
            {"kind": "thermometer", "tray": "tray-1", "pin": 15},
            {"kind": "lux"},
            {"kind": "air"},
        ],
        "bench": {"speed_until_s": DAY_S, "ticks_per_step": 20},
        **more,
    }
    day: dict[str, Any] = _run("day_node.py", given, "-X", "heapsize=8M")
    return day


def _say_day(folder: Path, port: int) -> None:
    began = time.monotonic()
    day = _busy_day(folder / "day", port, "day-1", send=True)
    print(
        f"a day of one tray flooding {DAY_S // 360} times: {day['samples']} samples, {day['flash_bytes']} "
        f"bytes of journal, {day['wire_bytes']} bytes of packs ({time.monotonic() - began:.0f} s)"
    )
    quiet = _busy_day(folder / "quiet", port, "day-2", send=True, bench=QUIET_DAY)
    print(f"a day of six floods: {quiet['flash_bytes']} bytes of journal, {quiet['wire_bytes']} bytes of packs")


def _say_wear(folder: Path) -> None:
    """LittleFS on a simulated chip of 2 MiB, nothing receipted all day."""
    wear = _busy_day(folder / "wear", 1, "day-3", chip_blocks=CHIP_BLOCKS)
    print(
        f"wear of such a busy day: {wear['erased']} erasures, {wear['erased'] / CHIP_BLOCKS:.1f} a block,"
        f" {wear['erased_most']} of the block with most"
    )


def _settings(folder: Path, port: int, node: str, *, samples: int) -> dict[str, Any]:
    folder.mkdir()
    fast = [{**sensor, "every_ms": 2} for sensor in NOISE]
    return {
        "folder": str(folder),
        "site": "nursery",
        "node": node,
        "host": "127.0.0.1",
        "port": port,
        "ca_file": "",
        "ntp_host": "",
        "tick_ms": 1,
        "sensors": fast,
        "pack_s": 1,
        "flush_s": 1,
        "first_wait_ms": 20,
        "samples": samples,
    }


def _run(script: str, settings: dict[str, Any], *options: str, may_fail: bool = False) -> Any:
    process = start(HERE / script, settings, options=options, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    try:
        said, wrong = process.communicate(timeout=120)
    except subprocess.TimeoutExpired:
        process.kill()
        said, wrong = process.communicate()
    if process.returncode and not may_fail:
        raise SystemExit(f"{script}: {said}{wrong}")
    return json.loads(said) if process.returncode == 0 else None


def _broker(folder: Path) -> Mosquitto:
    executable = shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin:/usr/bin:/usr/local/bin")
    if executable is None:
        raise SystemExit("mosquitto is not installed: apt-get install mosquitto")
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    place = folder / "mosquitto"
    place.mkdir()
    place.chmod(0o777)
    return Mosquitto(executable, place, port)


if __name__ == "__main__":
    micropython()
    sys.exit(main())
