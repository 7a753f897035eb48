"""How long the demo's report takes: `tidetray report` as it is typed, on nine trays and 63 days of readings.

`seconds`: the command from its start to its end, the best of three; `cpu_s`: processor time of that one; `html_kib`,
`pdf_kib`: what it writes; `pages`: sheets of A4.

Run: python tests/bench/report.py
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

from pypdf import PdfReader

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.made_home import make_home

ROOT = Path(__file__).parents[2]
RUNS = 3


def main() -> None:
    with tempfile.TemporaryDirectory(prefix="tidetray-bench-") as folder:
        home = make_home(Path(folder) / "home", datetime(2026, 6, 1, 12, tzinfo=UTC))
        command = [sys.executable, "-m", "tidetray", "report", "--home", str(home), "--out", folder]
        took = []
        for _ in range(RUNS):
            before, began = resource.getrusage(resource.RUSAGE_CHILDREN), time.monotonic()
            subprocess.run(
                command, cwd=ROOT, check=True, stdout=subprocess.DEVNULL, env=os.environ | {"PYTHONPATH": str(ROOT)}
            )
            after = resource.getrusage(resource.RUSAGE_CHILDREN)
            cpu_s = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
            took.append((time.monotonic() - began, cpu_s))
            print(f"{took[-1][0]:.1f} s, of which {cpu_s:.1f} s of processor; load {os.getloadavg()[0]:.1f}")
        (html,), (pdf,) = (list(Path(folder).glob(f"*.{suffix}")) for suffix in ("html", "pdf"))
        seconds, cpu_s = min(took)
        print(
            f"report seconds={seconds:.1f} cpu_s={cpu_s:.1f} html_kib={html.stat().st_size // 1024} "
            f"pdf_kib={pdf.stat().st_size // 1024} pages={len(PdfReader(pdf).pages)}"
        )


if __name__ == "__main__":
    main()
