"""The joints of a trial measured: what becomes of growth and claims where something happened to pots and trays.

`python tests/bench/joints.py [TRIALS]` (100 unless told). Prints what it measured and ends with one line:
  split_rate_error       largest error of a rate [1/day] of pots weighed, split and weighed again within a session
  crossover_null_claims  share of crossovers (8 trays, 2 runs of 3 weeks, growth that slows with age, no effect) in
  which
                         tuning on the planned doses, or the comparison over all runs, claims one
  lost_null_claims       share of trials without an effect, in which the trays of one schedule lose half of their pots
                         after the first week, in which tuning, or the comparison of the last day or of growth, claims
                         one
  two_day_trays_compared trays compared of eight, of which four were weighed a day later
  false_missed_floods    trays of nine of a trial that was begun and published, for which in a week with a change of
                         clocks alarms expect floods at other times than nodes flood by the messages they get
All but the last go through a notebook.
"""

from __future__ import annotations

import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.made_trials import event, made_plan, open_trial, put, treatment, weekly, weigh_in
from tidetray.analysis.compare.trial import compare_trial
from tidetray.analysis.dose.fit import fit_response
from tidetray.analysis.dose.schedules import FloodSchedule, ScheduleLimits, TrayWater
from tidetray.analysis.plan.next_plan import next_plan
from tidetray.analysis.plan.timetable import make_timetable
from tidetray.analysis.record.trial_data import TrialData, tuning_data
from tidetray.ingest.alarms.alarm_settings import AlarmSettings
from tidetray.ingest.alarms.keeper import watch_plan
from tidetray.ingest.alarms.tray_states import EARLY_S, LATE_S
from tidetray.ingest.core.readings import Reading, to_ms
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.notebook.timetables import keep_start_times, publish_timetable
from tidetray.ingest.recorder.timetables import due_messages, note_sent
from tidetray.ingest.store.recording import open_store
from tidetray.ingest.wire.packs import Pack
from tidetray.ingest.wire.timetables import TrayTimetable
from tidetray.ingest.wire.topics import data_topic

SLOWING = np.array([0.09, 0.07, 0.055, 0.045, 0.035, 0.03])
"""Growth rates of the weeks [1/day]."""
TRAY_SD, POT_SD = 0.004, 0.004
NO_CLAIM = ("flat", "too few trays", "not enough spread")
FLOODS = (2, 4, 6, 8)


def split_rate_error() -> float:
    """Pots that grow by 0.073 a day, split at 10 g and weighed again within the hour, or hours later on that day."""
    plan = made_plan(["floods-2", "floods-4"], [treatment(2), treatment(4)], pots=4)
    rates = np.log(10 / 6) / 7
    masses, events = [], []
    for k, later in enumerate((0.02, 0.06, 0.3, 0.5)):
        pot = f"t1-{k + 1}"
        masses += [weigh_in(pot, 0.2, 6.0), weigh_in(pot, 7.2, 10.0), weigh_in(pot, 7.2 + later, 5.0)]
        masses += [weigh_in(pot, 14.2 + later, 5.0 * np.exp(7 * rates))]
        events.append(event("pot split", 7.2 + later / 2, pot=pot, value=f"{pot}x"))
    with open_trial(plan, masses, events) as data:
        found = data.growth.table["rgr_per_day"].to_numpy()
        assert len(found) == 8, f"{len(found)} rates of 8"
        return float(np.abs(found - rates).max())


def claims(data: TrialData) -> tuple[bool, bool]:
    """Whether tuning on the planned doses claims an effect, and whether the comparison does."""
    rows = tuning_data(data._store, [data.trial]).planned
    named = {"tray": "tray", "trial": "trial", "own_tray": "own_tray"}
    # no claim rests on the bootstrap of the turning point, which takes most of the time
    found = fit_response(rows, response="rgr_per_day", dose="dry_h_day", bootstraps=0, **named)
    compared = compare_trial(data.masses, intervals=data.growth_in_runs)
    if compared.runs is not None and compared.runs.whole is not None:
        tested = [compared.runs.whole.pairs["p"]]
    else:
        tested = [compared.at_day.pairs["p"], compared.growth.pairs["p"]]
    return found.finding not in NO_CLAIM, any(bool((p.astype(float) < 0.05).any()) for p in tested)


def _courses(rng: np.random.Generator, trays: int, pots: int, weeks: int) -> dict[str, list[float]]:
    masses = {}
    for k in range(1, trays + 1):
        tray = TRAY_SD * rng.standard_normal()
        for n in range(1, pots + 1):
            rates = SLOWING[:weeks] + tray + POT_SD * rng.standard_normal(weeks)
            masses[f"t{k}-{n}"] = (5 * np.exp(np.cumsum([0.0, *(7 * rates)]))).tolist()
    return masses


def crossover_null_claims(trials: int) -> tuple[float, float]:
    rng, seen = np.random.default_rng(1), []
    given = [f"floods-{n}" for n in FLOODS for _ in range(2)]
    plan = made_plan(given, [treatment(n) for n in FLOODS], pots=4)
    for _ in range(trials):
        order = rng.permutation(FLOODS)
        after = {f"floods-{a}": f"floods-{b}" for a, b in zip(order, np.roll(order, 1), strict=True)}
        changes = [
            event("treatment changed", 21.5, tray=f"tray-{k}", value=after[name]) for k, name in enumerate(given, 1)
        ]
        with open_trial(plan, weekly(_courses(rng, 8, 4, 6), list(range(0, 43, 7))), changes) as data:
            seen.append(claims(data))
    tuned, compared = np.mean(seen, axis=0)
    return float(tuned), float(compared)


def lost_null_claims(trials: int) -> tuple[float, float]:
    rng, seen = np.random.default_rng(2), []
    given = [f"floods-{n}" for n in FLOODS for _ in range(2)]
    plan = made_plan(given, [treatment(n) for n in FLOODS], pots=6)
    for _ in range(trials):
        masses, lost = _courses(rng, 8, 6, 4), []
        for k, name in enumerate(given, 1):
            if name in ("floods-6", "floods-8"):
                for n in rng.permutation(6)[:3] + 1:
                    masses[f"t{k}-{n}"][2:] = [float("nan")] * 3
                    lost.append(event("pot lost", 8.0, pot=f"t{k}-{n}"))
        with open_trial(plan, weekly(masses, list(range(0, 29, 7))), lost) as data:
            seen.append(claims(data))
    tuned, compared = np.mean(seen, axis=0)
    return float(tuned), float(compared)


def two_day_trays_compared() -> int:
    plan = made_plan(["floods-2", "floods-4"] * 4, [treatment(2), treatment(4)], pots=6)
    masses = _courses(np.random.default_rng(3), 8, 6, 3)
    late = {pot: 1.0 for pot in masses if int(pot[1]) % 2 == 0}
    with open_store(":memory:") as store:
        put(store, plan, weekly(masses, [0, 7, 14, 21], late=late))
        found = compare_trial(TrialData(store, plan.trial).masses)
    return int(found.at_day.means["n_trays"].sum()) if found.day == 21 else 0


def false_missed_floods() -> int:
    """Nine trays of six floods a day, 4 min each to fill and 8 to drain: the next trial begun, its timetable published,
    and a week around a change of clocks (Europe/Lisbon, 2026-10-25) in which nodes flood by the messages they got."""
    names = [f"tray-{k}" for k in range(1, 10)]
    schedules, limits = dict.fromkeys(names, FloodSchedule(6, 30.0)), ScheduleLimits()
    base = made_plan(["floods-2"] * 9, [treatment(2)], pots=1)
    started = datetime(2026, 10, 22, 9, tzinfo=UTC)
    plan = next_plan(schedules, base, limits=limits, name="next", started=started, question="Which?")
    timetable = make_timetable(schedules, dict.fromkeys(names, TrayWater(240, 480, 0.003)), limits)
    wrong: set[str] = set()
    with open_store(":memory:") as store:
        notebook = Notebook(store)
        notebook.add_trial(base)
        notebook.add_trial(plan, now=started)
        times = {tray.name: (tray.treatment, timetable.starts(tray.name)) for tray in plan.trays}
        keep_start_times(notebook, "next", times, since=started)
        for k, name in enumerate(names, 1):
            reading = (Reading(name, "level", to_ms(started), 0.0),)
            pack = Pack("nursery", f"bench-{k}", "a1", 1, None, started, reading, ())
            store.record([(pack, data_topic("nursery", f"bench-{k}"), b"")])
        publish_timetable(notebook, "next", now=started, who="bench")
        expected = {name: watch_plan(store, AlarmSettings()).trays["nursery", name].floods for name in names}
        now, held = started, dict[str, TrayTimetable]()
        flooded: dict[str, list[int]] = {name: [] for name in names}
        while now < started + timedelta(days=7):
            due = due_messages(store, now)
            note_sent(store, due, now)
            held |= {each.timetable.tray: each.timetable for each in due}
            for minute in range(1, 31):
                at = now + timedelta(minutes=minute)
                for name, each in held.items():
                    if (at.hour * 3600 + at.minute * 60) in each.starts_s and at < each.until:
                        flooded[name].append(to_ms(at))
            now += timedelta(minutes=30)
        for name in names:
            planned = list(expected[name].due(to_ms(started), to_ms(now)))
            early, late = round(1000 * EARLY_S), round(1000 * LATE_S)
            missed = [due for due in planned if not any(-early <= at - due <= late for at in flooded[name])]
            outside = [at for at in flooded[name] if expected[name].near(at, early, late) is None]
            if missed or outside or not planned:
                wrong.add(name)
    return len(wrong)


def main() -> None:
    trials = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    error = split_rate_error()
    print(f"split pots: largest error of a rate {error:.2e} a day", flush=True)
    trays = two_day_trays_compared()
    print(f"a weigh-in over two days: {trays} of 8 trays compared", flush=True)
    missed = false_missed_floods()
    print(f"floods of nodes and floods that alarms expect: {missed} of 9 trays apart", flush=True)
    crossed = crossover_null_claims(trials)
    print(
        f"crossover without effect, {trials} trials: tuning {crossed[0]:.3f}, comparison {crossed[1]:.3f}", flush=True
    )
    lost = lost_null_claims(trials)
    print(f"uneven losses without effect, {trials} trials: tuning {lost[0]:.3f}, comparison {lost[1]:.3f}", flush=True)
    print(
        f"split_rate_error={error:.2e} crossover_null_claims={max(crossed):.3f} lost_null_claims={max(lost):.3f} "
        f"two_day_trays_compared={trays}/8 false_missed_floods={missed}"
    )


if __name__ == "__main__":
    main()
