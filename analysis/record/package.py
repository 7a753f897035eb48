"""An exported data package as a record to ask: for a colleague without the home.

Comes in: the folder of a package. Goes out: a record in a folder of its own, with the notebook, cycles and light survey
of the package; hourly summaries and the spans of readings are given from its tables.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

import pandas as pd

from tidetray.ingest.core.readings import TidetrayError, to_ms
from tidetray.ingest.files.package_file import load_package
from tidetray.ingest.notebook.light_surveys import SurveyReading, add_light_survey
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store.derived import CYCLE_TIMES, put_cycles
from tidetray.ingest.store.recording import Store, open_store

HOURS, SPANS, SERIES, SURVEY = "hours", "spans", "last_readings", "light_survey"
"""Tables of an export from which environment and exposure can be worked out again."""


class PackageError(TidetrayError):
    """The folder holds no whole export."""


class PackageReadings:
    """Hourly summaries, last readings and spans as the package has them (`tidetray.ingest.store.queries.Elsewhere`).
    Single readings are not in a package."""

    records_here = True

    def __init__(self, folder: Path) -> None:
        self._hours = _read(folder, HOURS, "time")
        self._latest = _read(folder, SERIES, "time")
        spans = _read(folder, SPANS, "first", "last")
        self._spans = {
            str(row["tray"]): (to_ms(row["first"].to_pydatetime()), to_ms(row["last"].to_pydatetime()))
            for row in spans.to_dict("records")
        }

    def readings(
        self, site: str, tray: str, channels: Sequence[str], *, start_ms: int, end_ms: int, lead: bool
    ) -> pd.DataFrame:
        times = pd.Series([], dtype="datetime64[ms, UTC]")
        return pd.DataFrame({"time": times, "channel": pd.Series([], dtype="str"), "value": pd.Series([], dtype=float)})

    def hourly(self, site: str, channel: str, *, start_ms: int, end_ms: int) -> pd.DataFrame:
        own = self._hours[self._hours["channel"] == channel].drop(columns="channel")
        return own.sort_values(["tray", "node", "time"], ignore_index=True)

    def latest(self, site: str) -> pd.DataFrame:
        return self._latest

    def span_ms(self, site: str, tray: str, channels: Sequence[str]) -> tuple[int, int] | None:
        return self._spans.get(tray)

    def close(self) -> None:
        """Nothing is held open."""


def build_record(package: Path, home: Path, *, now: datetime | None = None) -> str:
    """Make a record of what a data package holds.

    Parameters
    ----------
    package : Path
        The package's folder.
    home : Path
        The new home's folder.
    now : datetime, optional
        What is later lies in the future, and is refused; default: the machine's clock.

    Returns
    -------
    str
        The trial's name.

    Raises
    ------
    RefusedError
        If the package is spoiled, with what is wrong where.
    PackageError
        If tables that are needed are missing.
    """
    cycles = _read(package, "cycles", *CYCLE_TIMES)
    survey = _read(package, SURVEY, "time")
    with open_store(home / RECORD_FILE) as store:
        notebook = Notebook(store)
        load_package(notebook, package, now=now or datetime.now(UTC))
        (trial,) = notebook.trials()
        for tray, own in cycles.groupby("tray"):
            put_cycles(store, trial.site, str(tray), own.drop(columns="tray"), keep=0)
        readings = [
            SurveyReading(r["tray"], r["row"], r["column"], r["time"].to_pydatetime(), r["channel"], r["value"])
            for r in survey.to_dict("records")
        ]
        add_light_survey(store, trial.site, readings)
    return trial.name


def open_package(package: Path, home: Path) -> Store:
    """Open the record that `build_record` made, with the package's hours.

    Parameters
    ----------
    package : Path
        The package's folder.
    home : Path
        The folder of the record.

    Returns
    -------
    Store
        For reading.
    """
    store = open_store(home / RECORD_FILE, read_only=True)
    store.elsewhere = PackageReadings(package)
    return store


def _read(folder: Path, name: str, *times: str) -> pd.DataFrame:
    path = folder / f"{name}.csv"
    try:
        frame = pd.read_csv(path, keep_default_na=False, na_values={}, dtype="str")
    except (OSError, pd.errors.EmptyDataError, pd.errors.ParserError, UnicodeDecodeError) as error:
        raise PackageError(
            f"the package has no readable table {name} ({error})", where=str(folder), mend="Export the trial again"
        ) from error
    for column in frame.columns:
        if column in times:
            frame[column] = pd.to_datetime(frame[column].replace("", None), utc=True).astype("datetime64[ms, UTC]")
        elif column not in {"tray", "node", "channel", "outcome", "pot"}:
            frame[column] = pd.to_numeric(frame[column].replace("", None))
    return frame
