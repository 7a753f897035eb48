"""The timetable in force, as a fact of a running trial: ready trays, start times, published until when.

In: a notebook, and what a person says: the trays are ready, these are the start times, publish, stop. Out: the same as
`TimetableInForce`. What it means for a tray at a moment is worked out in `ingest/notebook/flood_plans.py`; who sends it
to nodes, and again before it ends, is `ingest/recorder/timetables.py`. Nothing is sent from here.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, time
from itertools import pairwise
from typing import Any

from tidetray.ingest.core.readings import from_ms, to_ms
from tidetray.ingest.core.refusals import EntryError
from tidetray.ingest.notebook.facts import Trial
from tidetray.ingest.notebook.flood_plans import DAY_S, FloodPlan, FloodSpell, flood_plans
from tidetray.ingest.notebook.notebook import Notebook

MAX_STARTS = 96
"""Floods of a tray on a day, at most: what a message to a node holds."""


@dataclass(frozen=True, slots=True)
class TimetableInForce:
    """How a trial's floods stand at a moment.

    Parameters
    ----------
    trial, site, zone : str
        Whose it is, and by which clock its start times are.
    spells : mapping
        By tray: the plan that holds now (`ingest.notebook.flood_plans.FloodSpell`).
    started, ended : datetime
        When the trial starts (UTC), and when it ended; None while it runs.
    ready : datetime or None
        Since when alarms watch its floods (UTC); None: nobody has said yet that its trays are ready.
    published : datetime or None
        When it was published to nodes last (UTC); None if it never was, or was stopped since, or has ended.
    ends : datetime or None
        When it is to end (UTC), if it was published with an end.
    outdated : tuple of str
        Trays that were given another treatment or to another trial, or whose flood times were corrected, after it was
        published: their nodes still have the old start times.
    """

    trial: str
    site: str
    zone: str
    started: datetime
    ended: datetime | None
    spells: Mapping[str, FloodSpell]
    ready: datetime | None
    published: datetime | None
    ends: datetime | None
    outdated: tuple[str, ...] = ()

    @property
    def flooded(self) -> tuple[str, ...]:
        """Trays that have floods now."""
        return tuple(tray for tray, spell in self.spells.items() if spell.floods.times)


def starts_s(spell: FloodSpell) -> tuple[int, ...]:
    """Start times of a spell [s after local midnight]."""
    return tuple(3600 * at.hour + 60 * at.minute + at.second for at in spell.floods.times)


def say_ready(notebook: Notebook, trial_name: str, *, now: datetime, who: str) -> datetime:
    """Note that a trial's trays are ready: alarms watch its floods from now on. When somebody said so first."""
    trial = notebook.trial(trial_name)
    if now < trial.started:
        raise EntryError(
            f"trial {trial.name} has not started yet", mend="Say that its trays are ready when it has started"
        )
    if trial.ended is not None:
        raise EntryError(f"trial {trial.name} has ended", mend="Resume it first: `tidetray trial resume`")
    with notebook.store.transaction() as connection:
        connection.execute("INSERT OR IGNORE INTO trays_ready VALUES (?, ?, ?)", (trial.name, to_ms(now), who))
        (ready_ms,) = connection.execute("SELECT ready_ms FROM trays_ready WHERE trial = ?", (trial.name,)).fetchone()
    return from_ms(ready_ms)


def keep_start_times(
    notebook: Notebook, trial_name: str, of_tray: Mapping[str, tuple[str, Sequence[int]]], *, since: datetime
) -> None:
    """Keep when the floods of trays start, from a time on; what is kept already is not written again.

    Parameters
    ----------
    of_tray : mapping
        Tray -> the treatment for which they hold, and the start times [s after local midnight].
    since : datetime
        From when on they hold.

    Raises
    ------
    EntryError
        For start times that are none, and trays or treatments that the trial does not have. Nothing is kept then.
    """
    plan = notebook.plan(trial_name)
    trays, treatments = {tray.name for tray in plan.trays}, {each.name for each in plan.treatments}
    with notebook.store.transaction() as connection:
        for tray, (treatment, starts) in of_tray.items():
            if tray not in trays or treatment not in treatments:
                raise EntryError(f"trial {trial_name} has no tray {tray!r} with {treatment!r}", mend="Check the names")
            if not 1 <= len(starts) <= MAX_STARTS or not all(0 <= start < DAY_S for start in starts):
                raise EntryError(
                    f"tray {tray}: {len(starts)} start times", mend=f"Give 1 to {MAX_STARTS}, each within a day"
                )
            text, key = " ".join(map(str, sorted(starts))), (trial_name, tray, treatment)
            kept = connection.execute(
                "SELECT starts_s FROM start_times WHERE trial = ? AND tray = ? AND treatment = ?"
                " ORDER BY from_ms DESC LIMIT 1",
                key,
            ).fetchone()
            if kept is None or kept[0] != text:
                row = (*key, to_ms(since), text)
                connection.execute("INSERT OR REPLACE INTO start_times VALUES (?, ?, ?, ?, ?)", row)


def kept_start_times(notebook: Notebook, trial_name: str) -> dict[tuple[str, str], tuple[int, ...]]:
    """The latest start times [s after local midnight] by (tray, treatment), as far as they were kept."""
    rows = notebook.store.connection.execute(
        "SELECT tray, treatment, starts_s FROM start_times WHERE trial = ? ORDER BY from_ms", (trial_name,)
    ).fetchall()
    return {(tray, treatment): tuple(map(int, text.split())) for tray, treatment, text in rows}


def publish_timetable(
    notebook: Notebook, trial_name: str, *, now: datetime, who: str, ends: datetime | None = None
) -> None:
    """Note that a trial's timetable is given to its nodes from now on; its trays are then ready, too.

    EntryError before the trial's start, and for an end that lies in the past. Nothing is noted then.
    """
    if ends is not None and ends <= now:
        raise EntryError("the timetable would end before it begins", mend="Give an end in the future, or none")
    with notebook.store.transaction():
        say_ready(notebook, trial_name, now=now, who=who)
        spells = timetable_in_force(notebook, trial_name, now).spells
        in_force = {tray: (spell.treatment, starts_s(spell)) for tray, spell in spells.items() if spell.floods.times}
        keep_start_times(notebook, trial_name, in_force, since=now)
        _act(notebook, trial_name, "published", now=now, who=who, ends=ends)


def stop_timetable(notebook: Notebook, trial_name: str, *, now: datetime, who: str) -> None:
    """Note that a trial's floods are stopped from now on: no flood is due until it is published again."""
    with notebook.store.transaction():
        notebook.trial(trial_name)
        _act(notebook, trial_name, "stopped", now=now, who=who)


@dataclass(frozen=True, slots=True)
class Sent:
    """The message that was sent last for a tray: of which trial, to which node, under which number.

    `starts_s`: seconds after midnight UTC. `until_s`: seconds since 1970. `sent_ms`: milliseconds since 1970.
    """

    trial: str
    node: str
    number: int
    starts_s: tuple[int, ...]
    wet_s: int
    until_s: int
    sent_ms: int


def sent_timetables(notebook: Notebook) -> dict[tuple[str, str], Sent]:
    """What was sent last, by (site, tray)."""
    rows = notebook.store.connection.execute(
        "SELECT site, tray, trial, node, number, starts_s, wet_s, until_s, sent_ms FROM timetable_sent"
    ).fetchall()
    return {
        (site, tray): Sent(trial, node, number, tuple(map(int, starts.split())), wet_s, until_s, sent_ms)
        for site, tray, trial, node, number, starts, wet_s, until_s, sent_ms in rows
    }


def keep_sent(notebook: Notebook, site: str, tray: str, sent: Sent) -> None:
    """Note that the broker took a message, inside a transaction of the caller."""
    notebook.store.connection.execute(
        "INSERT OR REPLACE INTO timetable_sent (site, tray, trial, node, number, starts_s, wet_s, until_s, sent_ms)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (
            site,
            tray,
            sent.trial,
            sent.node,
            sent.number,
            " ".join(map(str, sent.starts_s)),
            sent.wet_s,
            sent.until_s,
            sent.sent_ms,
        ),
    )


def sent_until(notebook: Notebook, site: str) -> dict[str, datetime]:
    """By tray: until when the timetable holds that was sent to its node last (UTC)."""
    return {tray: from_ms(1000 * sent.until_s) for (at, tray), sent in sent_timetables(notebook).items() if at == site}


def any_published(notebook: Notebook) -> bool:
    """Whether any timetable was ever published."""
    (found,) = notebook.store.connection.execute("SELECT EXISTS (SELECT 1 FROM timetable_act)").fetchone()
    return bool(found)


def stopped_since(notebook: Notebook, trial: Trial) -> datetime | None:
    """When a person stopped a trial's floods, or ended the trial (UTC); None while neither holds."""
    if trial.ended is not None:
        return trial.ended
    row = notebook.store.connection.execute(
        "SELECT what, at_ms FROM timetable_act WHERE trial = ? ORDER BY at_ms DESC, id DESC", (trial.name,)
    ).fetchone()
    return None if row is None or row[0] != "stopped" else from_ms(row[1])


def publications(notebook: Notebook, trial_name: str) -> list[tuple[int, int | None]]:
    """When a trial's timetable was published and when that ended or will, as far as anybody said [ms since 1970]."""
    acts = notebook.store.connection.execute(
        "SELECT at_ms, what, ends_ms FROM timetable_act WHERE trial = ? ORDER BY at_ms, id", (trial_name,)
    ).fetchall()
    found = []
    for (at_ms, what, ends_ms), following in pairwise([*acts, None]):
        if what == "published":
            nearest = [each for each in (ends_ms, None if following is None else following[0]) if each is not None]
            found.append((at_ms, min(nearest, default=None)))
    return found


def every_timetable_fact(notebook: Notebook, trial_name: str) -> dict[str, list[dict[str, Any]]]:
    """When a trial's trays were ready, its start times, and what was published and stopped, as entered.

    Returns
    -------
    dict
        `readiness`: ready, who (a row, or none). `start_times`: tray, treatment, since, starts (local times).
        `timetable_acts`: act (1, 2, ...), what, time, ends, who. Times are UTC.
    """
    execute, of = notebook.store.connection.execute, (trial_name,)
    ready = execute("SELECT ready_ms, who FROM trays_ready WHERE trial = ?", of).fetchall()
    starts = execute(
        "SELECT tray, treatment, from_ms, starts_s FROM start_times WHERE trial = ? ORDER BY tray, treatment, from_ms",
        of,
    ).fetchall()
    acts = execute("SELECT what, at_ms, ends_ms, who FROM timetable_act WHERE trial = ? ORDER BY id", of).fetchall()
    return {
        "readiness": [{"ready": from_ms(ms), "who": who} for ms, who in ready],
        "start_times": [
            {
                "tray": tray,
                "treatment": treatment,
                "since": from_ms(ms),
                "starts": " ".join(f"{s // 3600:02d}:{s // 60 % 60:02d}:{s % 60:02d}" for s in map(int, text.split())),
            }
            for tray, treatment, ms, text in starts
        ],
        "timetable_acts": [
            {
                "act": number,
                "what": what,
                "time": from_ms(at_ms),
                "ends": None if ends_ms is None else from_ms(ends_ms),
                "who": who,
            }
            for number, (what, at_ms, ends_ms, who) in enumerate(acts, 1)
        ],
    }


def restore_timetable(notebook: Notebook, trial_name: str, facts: Mapping[str, Sequence[Mapping[str, Any]]]) -> None:
    """Write what `every_timetable_fact` gave, inside a transaction of the caller; a trial without readiness is not
    ready then.

    Raises
    ------
    ValueError, KeyError
        If there is readiness twice, start times are of trays or treatments that the trial does not have, or an act is
        neither published nor stopped.
    """
    execute = notebook.store.connection.execute
    if len(facts["readiness"]) > 1:
        raise ValueError("its trays were ready twice")
    execute("DELETE FROM trays_ready WHERE trial = ?", (trial_name,))
    for row in facts["readiness"]:
        execute("INSERT INTO trays_ready VALUES (?, ?, ?)", (trial_name, to_ms(row["ready"]), row["who"]))
    for row in facts["start_times"]:
        each = [time.fromisoformat(text) for text in row["starts"].split()]
        starts = [3600 * at.hour + 60 * at.minute + at.second for at in each]
        keep_start_times(notebook, trial_name, {row["tray"]: (row["treatment"], starts)}, since=row["since"])
    for row in facts["timetable_acts"]:
        if row["what"] not in {"published", "stopped"}:
            raise ValueError(f"timetable act {row['act']} is {row['what']!r}")
        _act(notebook, trial_name, row["what"], now=row["time"], who=row["who"], ends=row["ends"])


def timetable_in_force(
    notebook: Notebook, trial_name: str, now: datetime, *, plans: Mapping[tuple[str, str], FloodPlan] | None = None
) -> TimetableInForce:
    """How a trial's floods stand at `now`; `plans` as of `flood_plans`, where they are at hand."""
    trial, now_ms = notebook.trial(trial_name), to_ms(now)
    plans = flood_plans(notebook) if plans is None else plans
    ready = notebook.store.connection.execute(
        "SELECT ready_ms FROM trays_ready WHERE trial = ?", (trial.name,)
    ).fetchone()
    act = notebook.store.connection.execute(
        "SELECT at_ms, what, ends_ms FROM timetable_act WHERE trial = ? AND at_ms <= ? ORDER BY at_ms DESC, id DESC",
        (trial.name, now_ms),
    ).fetchone()
    spells, outdated, published, ends = {}, [], None, None
    kept = kept_start_times(notebook, trial.name)
    is_over = trial.ended is not None and trial.ended <= now
    if not is_over and act is not None and act[1] == "published" and (act[2] is None or act[2] > now_ms):
        published, ends = from_ms(act[0]), None if act[2] is None else from_ms(act[2])
    for tray in notebook.treatments(trial.name):
        plan = plans.get((trial.site, tray), FloodPlan())
        spell = plan.at(now_ms)
        if spell.trial == trial.name:
            spells[tray] = spell
        if published is not None:
            then = plan.at(to_ms(published))
            is_kept = not spell.floods.times or (tray, spell.treatment) in kept
            if (then.trial, then.treatment) != (spell.trial, spell.treatment) or not is_kept:
                outdated.append(tray)
    return TimetableInForce(
        trial.name,
        trial.site,
        trial.zone,
        trial.started,
        trial.ended,
        spells,
        None if ready is None else from_ms(ready[0]),
        published,
        ends,
        tuple(outdated),
    )


def _act(notebook: Notebook, trial: str, what: str, *, now: datetime, who: str, ends: datetime | None = None) -> None:
    notebook.store.connection.execute(
        "INSERT INTO timetable_act (trial, what, at_ms, ends_ms, who) VALUES (?, ?, ?, ?, ?)",
        (trial, what, to_ms(now), None if ends is None else to_ms(ends), who),
    )
