"""Small files that ask for much are refused in words, within the memory that a page may take for a file."""

from __future__ import annotations

import resource
import subprocess
import sys
from pathlib import Path

import pytest

from tests.security.made_files import HEAD, TRIALS, WORKBOOKS, workbook
from tidetray.ingest.files.apart import MOST_MEMORY_BYTES

READ = """
import sys
from pathlib import Path
from tidetray.ingest.core.readings import TidetrayError
from tidetray.ingest.files.trial_file import load_trial
from tidetray.ingest.files.weighing_files import read_start_masses
def most():
    # `ru_maxrss` would be that of the process that started this one
    lines = Path("/proc/self/status").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("VmHWM:"))
began = most()
path = Path(sys.argv[1])
try:
    load_trial(path) if path.suffix == ".toml" else read_start_masses(path, ["a-1"], decimal_comma=False)
    said = "taken"
except TidetrayError as error:
    said = str(error)
print((most() - began) // 1024, said[:300].replace("\\n", " "))
"""

LONGEST_S = 60
MOST_MIB = 250
"""Of the reader itself, without the limit of `apart`: a long file that is read rightly takes as much."""


def _read(path: Path) -> tuple[int, str]:
    """By how many MiB the reader grew, and what it said."""

    def bounded() -> None:
        resource.setrlimit(resource.RLIMIT_AS, (6 << 30, 6 << 30))  # of the test, should the reader fail

    done = subprocess.run(
        [sys.executable, "-c", READ, str(path)],
        capture_output=True,
        text=True,
        timeout=LONGEST_S,
        check=False,
        preexec_fn=bounded,
    )
    assert done.returncode == 0, done.stderr[-2000:]
    mib, said = done.stdout.split(" ", 1)
    return int(mib), said.strip()


def test_a_file_of_the_usual_kind_is_taken_and_its_memory_seen(tmp_path: Path) -> None:
    rows = "".join(f'<row r="{n}"><c r="A{n}"><v>{n}</v></c><c r="B{n}"><v>30</v></c></row>' for n in range(2, 20_000))
    path = tmp_path / "large.xlsx"
    path.write_bytes(workbook(f"<sheetData>{HEAD}{rows}</sheetData>"))
    mib, said = _read(path)
    assert "is not in the trial's file" in said  # it was read, row by row
    assert mib > 3


@pytest.mark.parametrize("name", [*WORKBOOKS, *TRIALS])
def test_a_file_that_asks_for_much_is_refused_in_words_and_takes_little(name: str, tmp_path: Path) -> None:
    if name in WORKBOOKS:
        path = tmp_path / f"{name}.xlsx"
        path.write_bytes(WORKBOOKS[name]())
    else:
        path = tmp_path / f"{name}.toml"
        path.write_text(TRIALS[name]())

    mib, said = _read(path)
    print(f"{name}: {path.stat().st_size / 1000:.0f} kB, memory_mib={mib}, {said}")
    assert said != "taken"
    assert mib < MOST_MIB < MOST_MEMORY_BYTES >> 20
