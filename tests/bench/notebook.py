"""How fast the notebook is; run as `python tests/bench/notebook.py`.

load_s       100,000 weigh-ins of 100 pots from one CSV file into an empty notebook, by what `tidetray load` calls
load_xlsx_s  the same from a workbook
again_s      the same CSV file once more, which changes nothing
form_ms      opening the weigh-in form of a pot on that record (a year and more), median of 15, nothing cached
load_cpu_s, load_xlsx_cpu_s  what of that this process itself worked, which other load on the machine does not change
save_ms      saving a weigh-in on it and showing what was saved, median of 15
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

import numpy as np  # noqa: E402
import streamlit as st  # noqa: E402
from openpyxl import Workbook  # noqa: E402
from streamlit.runtime.context import ContextProxy  # noqa: E402
from streamlit.testing.v1 import AppTest  # noqa: E402

from tidetray.ingest.files.weighing_files import How  # noqa: E402
from tidetray.ingest.notebook.facts import PotPlan, TrialPlan  # noqa: E402
from tidetray.ingest.notebook.notebook import Notebook  # noqa: E402
from tidetray.ingest.nursery.nursery import make_nursery  # noqa: E402
from tidetray.ingest.settings.model import RECORD_FILE  # noqa: E402
from tidetray.ingest.store.recording import open_store  # noqa: E402
from tidetray.ui.changes.entry import load_file  # noqa: E402

WEIGH_INS = 100_000
POTS = 100
TIMES = 15


def plan(started: datetime) -> TrialPlan:
    base = make_nursery(datetime.now(UTC)).plan
    trays = base.trays
    pots = tuple(
        PotPlan(f"p-{n:03}", trays[n % len(trays)].name, 1 + n // len(trays), 1, 6.0 + n / 100) for n in range(POTS)
    )
    return replace(base, trial=replace(base.trial, started=started), pots=pots)


def rows(trial: TrialPlan, started: datetime, step: timedelta) -> list[tuple[str, str, str]]:
    return [
        (pot.name, f"{started + step * (1 + n):%Y-%m-%d %H:%M}Z", f"{pot.tare_g + 2 + (k % 7) / 100 + n * 0.002:.2f}")
        for n in range(WEIGH_INS // POTS)
        for k, pot in enumerate(trial.pots)
    ]


def load(home: Path, trial: TrialPlan, path: Path) -> tuple[float, float, str]:
    with open_store(home / RECORD_FILE) as store:
        Notebook(store).add_trial(trial)
        started, worked = time.perf_counter(), time.process_time()
        said = next(iter([*load_file(store, path, None, how=How(), now=datetime.now(UTC))]))
        return time.perf_counter() - started, time.process_time() - worked, said


def open_form(app: AppTest, pot: str) -> float:
    st.cache_data.clear()
    app.query_params["pot"] = pot
    started = time.perf_counter()
    app.run()
    took = time.perf_counter() - started
    if app.exception or not app.text_input:
        raise SystemExit(f"the form of {pot} did not open: {app.exception}")
    return took * 1000


def save(app: AppTest, gross: str) -> float:
    field = next(each for each in app.text_input if each.label.startswith("Pot with plants"))
    field.input(gross)
    next(each for each in app.button if each.label == "Save").click()
    started = time.perf_counter()
    app.run()
    took = time.perf_counter() - started
    if not any(each.label == "Undo" for each in app.button):
        raise SystemExit(f"not saved: {[block.proto.body[:200] for block in app.get('html')]}")
    return took * 1000


def main() -> None:
    step = timedelta(hours=9)  # a thousand weigh-ins of each pot in 375 days
    started = (
        datetime.now(UTC).replace(minute=0, second=0, microsecond=0)
        - step * (2 + WEIGH_INS // POTS)
        - timedelta(days=2)
    )
    trial = plan(started)
    with tempfile.TemporaryDirectory() as folder:
        path, book = Path(folder) / "weigh-ins.csv", Path(folder) / "weigh-ins.xlsx"
        table = rows(trial, started, step)
        path.write_text("pot,weighed,gross_g\n" + "".join(f"{','.join(row)}\n" for row in table))
        workbook = Workbook(write_only=True)
        sheet = workbook.create_sheet("weigh-ins")
        sheet.append(["pot", "weighed", "gross_g"])
        for pot, weighed, gross in table:
            sheet.append([pot, weighed, float(gross)])
        workbook.save(book)
        home = Path(folder) / "home"
        load_s, load_cpu_s, said = load(home, trial, path)
        again_s, _, again = load(home, trial, path)
        load_xlsx_s, load_xlsx_cpu_s, other = load(Path(folder) / "other", trial, book)
        print(said, again, other, sep="\n")
        os.environ["TIDETRAY_HOME"] = str(home)
        ContextProxy.cookies = {}
        app = AppTest.from_file(str(ROOT / "ui" / "app.py"), default_timeout=240)
        app.run()
        app.switch_page("views/weigh.py")
        app.run()
        forms, saves = [], []
        for pot in trial.pots[:TIMES]:
            forms.append(open_form(app, pot.name))
            saves.append(save(app, f"{pot.tare_g + 4.05:.2f}"))
    print(
        f"notebook load_s={load_s:.2f} load_xlsx_s={load_xlsx_s:.2f} again_s={again_s:.2f} "
        f"load_cpu_s={load_cpu_s:.2f} load_xlsx_cpu_s={load_xlsx_cpu_s:.2f} form_ms={np.median(forms):.0f} "
        f"save_ms={np.median(saves):.0f}"
    )


if __name__ == "__main__":
    main()
