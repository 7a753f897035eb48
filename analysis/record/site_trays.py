"""All trays of a site as one: those of every running trial, and those that are recorded and in none.

Comes in: an open store and a trial of the site. Goes out: the frames of `tidetray.analysis.record.trial_data`, for
everything that shows how trays stand. Of several running trials on a tray the latest one counts.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cached_property

from tidetray.analysis.record.trial_data import TrialData
from tidetray.ingest.notebook.facts import TrayPlan, Treatment, Trial, TrialPlan
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.notebook.placements import treatment_spells
from tidetray.ingest.store import queries
from tidetray.ingest.store.recording import Store

NO_TRIAL = "in no running trial"


class SiteTrays(TrialData):
    """Trays of the site of a trial. Where several trials are running, a treatment says of which trial it is.

    Parameters
    ----------
    store
        The record.
    trial
        Gives site and zone; its pots and weigh-ins are those of `TrialData`.
    """

    def __init__(self, store: Store, trial: Trial) -> None:
        super().__init__(store, trial)
        self._of_site = Notebook(store)

    @cached_property
    def _running(self) -> list[TrialPlan]:
        """Plans of the running trials of the site, oldest first."""
        of_site = [trial for trial in self._of_site.trials() if trial.site == self.trial.site]
        running = [trial for trial in of_site if trial.ended is None and not trial.archived]
        return [self._of_site.plan(trial.name) for trial in sorted(running, key=lambda trial: trial.started)]

    @cached_property
    def plan(self) -> TrialPlan:
        """The trays of the site, each under the treatment that it was given first."""
        trays: dict[str, TrayPlan] = {}
        treatments: dict[str, Treatment] = {}
        for plan in self._running:
            named = {way.name: replace(way, name=self._name(way.name, plan.trial)) for way in plan.treatments}
            treatments |= {way.name: way for way in named.values()}
            trays |= {
                tray.name: replace(tray, treatment=named[tray.treatment].name) for tray in plan.trays if tray.noted
            }
        own = {tray.name for tray in self._of_site.plan(self.trial.name).trays}
        for tray, lamp in self._of_site.trays(self.trial.site):
            if tray.name in trays:
                continue
            measured = queries.is_measured(self._store, self.trial.site, tray.name) or self._store.elsewhere is not None
            if measured or (not self._running and tray.name in own):
                trays[tray.name] = TrayPlan(tray, NO_TRIAL, lamp)
                treatments[NO_TRIAL] = Treatment(NO_TRIAL, "")
        pots = self._of_site.plan(self.trial.name).pots
        return TrialPlan(self.trial, tuple(treatments.values()), tuple(trays.values()), pots)

    @cached_property
    def treatments(self) -> dict[str, str]:
        """Tray -> treatment now."""
        found = {tray.name: tray.treatment for tray in self.plan.trays}
        for plan in self._running:
            first = {tray.name: tray.treatment for tray in plan.trays}
            now = treatment_spells(first, self._of_site.events(plan.trial.name))
            found |= {tray: self._name(spells[-1][1], plan.trial) for tray, spells in now.items() if tray in found}
        return found

    def _name(self, treatment: str, trial: Trial) -> str:
        return treatment if len(self._running) < 2 else f"{treatment}, {trial.name}"
