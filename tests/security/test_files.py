"""Small files that ask for much are refused in words, within the memory that a page may take for a file."""

from __future__ import annotations

import resource
import subprocess
import sys
from pathlib import Path

import pytest

from tests.security.made_files import TRIALS, WORKBOOKS
from tidetray.ingest.files.apart import MOST_MEMORY_BYTES

READ = """
import resource, sys
from pathlib import Path
from tidetray.ingest.core.readings import TidetrayError
from tidetray.ingest.files.trial_file import load_trial
from tidetray.ingest.files.weighing_files import read_start_masses
began = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
path = Path(sys.argv[1])
try:
    load_trial(path) if path.suffix == ".toml" else read_start_masses(path, ["a-1"], decimal_comma=False)
    said = "taken"
except TidetrayError as error:
    said = str(error)
print((resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - began) // 1024, said[:300].replace("\\n", " "))
"""

LONGEST_S = 60
MOST_MIB = 250
"""Of the reader itself, without the limit of `apart`: a long file that is read rightly takes as much."""


@pytest.mark.parametrize("name", [*WORKBOOKS, *TRIALS])
def test_a_file_that_asks_for_much_is_refused_in_words_and_takes_little(name: str, tmp_path: Path) -> None:
    if name in WORKBOOKS:
        path = tmp_path / f"{name}.xlsx"
        path.write_bytes(WORKBOOKS[name]())
    else:
        path = tmp_path / f"{name}.toml"
        path.write_text(TRIALS[name]())

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
    print(f"{name}: {path.stat().st_size / 1000:.0f} kB, memory_mib={mib}, {said.strip()}")
    assert said.strip() != "taken"
    assert int(mib) < MOST_MIB < MOST_MEMORY_BYTES >> 20
