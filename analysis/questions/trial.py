"""A trial opened in a notebook: every question as a method, each read closed again."""

from __future__ import annotations

import shutil
import tempfile
import weakref
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

from tidetray.analysis.dose.schedules import FACTORS
from tidetray.analysis.questions.compare import CompareAnswer, compare
from tidetray.analysis.questions.conditions import ConditionsAnswer, conditions
from tidetray.analysis.questions.cycles import CyclesAnswer, cycles
from tidetray.analysis.questions.environment import EnvironmentAnswer, environment
from tidetray.analysis.questions.exposure import ExposureAnswer, exposure
from tidetray.analysis.questions.growth import GrowthAnswer, growth
from tidetray.analysis.questions.positions import PositionsAnswer, positions
from tidetray.analysis.questions.relate import RelateAnswer, relate
from tidetray.analysis.questions.trays import TraysAnswer, trays
from tidetray.analysis.questions.tune import TuneAnswer, tune
from tidetray.analysis.questions.warmth import WarmthAnswer, warmth
from tidetray.analysis.questions.weighing import WeighingAnswer, weighing
from tidetray.analysis.record.package import build_record, open_package
from tidetray.analysis.record.trial_data import TrialData, choose_trial, open_record
from tidetray.ingest.settings.model import Settings, load_settings
from tidetray.ingest.store.recording import Store


class OpenedTrial:
    """A trial to ask. Nothing stays open between two questions: each reads the record as it is then.

    Attributes
    ----------
    name : str
        The trial's.
    """

    def __init__(self, name: str, record: Callable[[], Store], settings: Callable[[], Settings]) -> None:
        self.name = name
        self._record = record
        self._settings = settings

    def __repr__(self) -> str:
        return f"<trial {self.name}>"

    @contextmanager
    def _data(self) -> Iterator[TrialData]:
        with self._record() as store:
            yield TrialData(store, choose_trial(store, self.name))

    def trays(self, now: datetime | None = None) -> TraysAnswer:
        """How the trays stand now, or at another moment (`tidetray.analysis.questions.trays`)."""
        with self._data() as data:
            return trays(data, datetime.now(UTC) if now is None else now)

    def cycles(self, *, tray: str | None = None, since: datetime | None = None) -> CyclesAnswer:
        """Floods and drains (`tidetray.analysis.questions.cycles`)."""
        with self._data() as data:
            return cycles(data, tray=tray, since=since)

    def exposure(
        self, *, daily: bool = False, tray: str | None = None, since: datetime | None = None
    ) -> ExposureAnswer:
        """Hours wet, dry and unknown (`tidetray.analysis.questions.exposure`)."""
        with self._data() as data:
            return exposure(data, daily=daily, tray=tray, since=since)

    def environment(self, *, base_c: float | None = None, top_c: float | None = None) -> EnvironmentAnswer:
        """Light, warmth and air per pot and interval (`tidetray.analysis.questions.environment`)."""
        with self._data() as data:
            return environment(data, base_c=base_c, top_c=top_c)

    def conditions(self) -> ConditionsAnswer:
        """What each tray went through (`tidetray.analysis.questions.conditions`)."""
        with self._data() as data:
            return conditions(data)

    def warmth(
        self, *, channel: str = "air_temp", base_c: float | None = None, top_c: float | None = None
    ) -> WarmthAnswer:
        """Degree days of every tray (`tidetray.analysis.questions.warmth`)."""
        with self._data() as data:
            return warmth(data, channel=channel, base_c=base_c, top_c=top_c)

    def growth(self, *, tray: str | None = None, since: datetime | None = None) -> GrowthAnswer:
        """Growth beside exposure (`tidetray.analysis.questions.growth`)."""
        with self._data() as data:
            return growth(data, tray=tray, since=since)

    def compare(
        self, *, day: int | None = None, saleable_g: float | None = None, multiplicity: str = "holm"
    ) -> CompareAnswer:
        """Treatments compared, the tray as unit (`tidetray.analysis.questions.compare`)."""
        with self._data() as data:
            return compare(data, day=day, saleable_g=saleable_g, multiplicity=multiplicity)

    def relate(self, causes: Sequence[str] = ()) -> RelateAnswer:
        """Growth beside conditions (`tidetray.analysis.questions.relate`)."""
        with self._data() as data:
            return relate(data, causes)

    def positions(self, *, neighbours: str = "rook") -> PositionsAnswer:
        """Growth beside the places of pots (`tidetray.analysis.questions.positions`)."""
        with self._data() as data:
            return positions(data, neighbours=neighbours)

    def tune(
        self,
        *,
        factor: str = FACTORS[0],
        planned: bool = False,
        weeks: float = 4.0,
        saleable_g: float | None = None,
        seed: int = 1,
    ) -> TuneAnswer:
        """Which floods are best, by this trial (`tidetray.analysis.questions.tune`)."""
        with self._record() as store:
            return tune(
                store,
                self._settings(),
                trials=[self.name],
                factor=factor,
                planned=planned,
                weeks=weeks,
                saleable_g=saleable_g,
                seed=seed,
            )

    def weighing(self) -> WeighingAnswer:
        """How sure masses and growth rates are (`tidetray.analysis.questions.weighing`)."""
        with self._data() as data:
            return weighing(data)


def open(home: Path | str, trial: str | None = None) -> OpenedTrial:  # noqa: A001
    """A trial of a home, to ask.

    Parameters
    ----------
    home : path
        The home's folder.
    trial : str, optional
        Its name. Default: the one with most to say (with growth, running, weighed last).

    Returns
    -------
    OpenedTrial

    Raises
    ------
    StoreError
        If there is no record.
    NoTrialError, EntryError
        If there is no such trial, or none at all.
    """
    path = Path(home).expanduser()
    with open_record(path) as store:
        name = choose_trial(store, trial).name
    return OpenedTrial(name, lambda: open_record(path), lambda: load_settings(path))


def read_package(folder: Path | str) -> OpenedTrial:
    """The trial of an exported data package, to ask; the same answers as at home, as far as its tables reach.

    Scales and single readings are not in a package: `weighing` has no scale, and single readings are not flagged.

    Parameters
    ----------
    folder : path
        That `tidetray export` wrote.

    Returns
    -------
    OpenedTrial

    Raises
    ------
    RefusedError, PackageError
        If the package is spoiled or not whole.
    """
    package = Path(folder).expanduser()
    home = Path(tempfile.mkdtemp(prefix="tidetray-package-"))
    try:
        name = build_record(package, home)
    except BaseException:
        shutil.rmtree(home, ignore_errors=True)
        raise
    opened = OpenedTrial(name, lambda: open_package(package, home), Settings)
    weakref.finalize(opened, shutil.rmtree, home, ignore_errors=True)
    return opened
