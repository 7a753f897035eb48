"""`tidetray trial`: trials begun, corrected, renamed, ended, archived, undone; their history."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import click
import pandas as pd
import tomlkit

from tidetray.analysis.record.trial_data import choose_trial, open_record
from tidetray.ingest.core.near_names import near_names
from tidetray.ingest.core.refusals import EntryError
from tidetray.ingest.files.trial_file import load_trial, plan_tables
from tidetray.ingest.notebook import trial_changes
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store.recording import open_store
from tidetray.ui.changes.trial_changes import correct_plan, correct_values, line, told, typed_value
from tidetray.ui.cli import printing
from tidetray.ui.cli.opening import chosen_trial, written_time
from tidetray.ui.cli.options import example, home_option, json_option, trial_option, who_option, why_option
from tidetray.ui.columns import Column
from tidetray.ui.words import many

_CORRECTED = "tidetray trial correct tray tray-1 drain_hole_diameter_m=0.014 --who me --why 'measured again'"


@click.group(epilog=example(_CORRECTED))
def trial() -> None:
    """Begin, correct, end or archive a trial; show its history."""


@trial.command("list", epilog=example("tidetray trial list"))
@click.option("--all", "archived", is_flag=True, help="Also archived trials.")
@home_option
@json_option
def trial_list(home: Path, *, archived: bool, as_json: bool) -> None:
    """List the trials, the one with most to say first: pages and commands show that one by default."""
    with open_record(home) as store:
        trials = [each for each in Notebook(store).trials_by_interest() if archived or not each.archived]
    rows = [
        {
            "trial": each.name,
            "site": each.site,
            "started": each.started,
            "ended": each.ended,
            "state": "archived" if each.archived else "ended" if each.ended else "running",
        }
        for each in trials
    ]
    frame = pd.DataFrame(rows, columns=["trial", "site", "started", "ended", "state"])
    for column in ("started", "ended"):
        frame[column] = pd.to_datetime(frame[column], utc=True)
    printing.frame(frame, trials[0].zone if trials else "UTC", as_json=as_json, shown=_named(frame))


@trial.command("begin", epilog=example("tidetray trial begin trial.toml --who me"))
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@click.option("--who", default="", metavar="NAME", help="Who begins it.")
@click.option("--why", default="", metavar="TEXT", help="Why, for the history.")
@home_option
def trial_begin(home: Path, file: Path, who: str, why: str) -> None:
    """Begin the trial of a FILE, or add its new treatments, trays and pots to the trial of that name."""
    plan = load_trial(file)
    with open_store(home / RECORD_FILE) as store:
        added = trial_changes.begin(Notebook(store), plan, now=datetime.now(UTC), who=who, why=why)
    new = ", ".join(
        many(len(names), one)
        for names, one in ((added.treatments, "treatment"), (added.trays, "tray"), (added.pots, "pot"))
        if names
    )
    did = "begun" if added.trial else "changed"
    click.echo(
        f"Trial {plan.trial.name} {did}: {new} added." if new else "Everything in this file is in the notebook already."
    )


@trial.command("file", epilog=example("tidetray trial file --out trial.toml"))
@click.option("--out", type=click.Path(path_type=Path, dir_okay=False), required=True, help="Write the file here.")
@trial_option
@home_option
def trial_file(home: Path, trial: str | None, out: Path) -> None:
    """Write a trial as a file: to read, to change and correct it by, or to begin another one like it."""
    with open_record(home) as store:
        plan = Notebook(store).plan(chosen_trial(store, trial).name)
    if out.exists():
        raise EntryError(f"{out} is there already", mend="Name a new file: nothing is overwritten")
    out.write_text(tomlkit.dumps(plan_tables(plan)), encoding="utf-8")
    click.echo(f"Wrote {out}. Change it, then `tidetray trial correct-from {out}` corrects the trial by it.")


@trial.command("correct", epilog=example(_CORRECTED))
@click.argument("kind", type=click.Choice(trial_changes.KINDS))
@click.argument("name")
@click.argument("values", metavar="KEY=VALUE...", nargs=-1, required=True)
@who_option
@why_option
@trial_option
@home_option
def trial_correct(
    home: Path, trial: str | None, *, kind: str, name: str, values: tuple[str, ...], who: str, why: str
) -> None:
    """Correct what was entered wrongly of a trial, treatment, tray or pot, by the keys of a trial's file. An empty
    VALUE is 'not known'.

    It holds from the start of the trial; cycles, exposure and growth follow. What changed on a day is an event:
    `tidetray event`.
    """
    given = dict(_pair(text) for text in values)
    with open_store(home / RECORD_FILE) as store:
        chosen = choose_trial(store, name if kind == "trial" and trial is None else trial)
        done = correct_values(
            home,
            store,
            chosen.name,
            {(kind, name, key): typed_value(key, value) for key, value in given.items()},
            now=datetime.now(UTC),
            who=who,
            why=why,
        )
    for each in told(done):
        click.echo(each)


@trial.command(
    "correct-from", epilog=example("tidetray trial correct-from trial.toml --who me --why 'measured all trays again'")
)
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@who_option
@why_option
@home_option
def trial_correct_from(home: Path, file: Path, who: str, why: str) -> None:
    """Correct a trial by a FILE of the whole of it; what is new in the file is added."""
    plan = load_trial(file)
    with open_store(home / RECORD_FILE) as store:
        done = correct_plan(home, store, plan, now=datetime.now(UTC), who=who, why=why)
    for each in told(done):
        click.echo(each)


@trial.command("rename", epilog=example("tidetray trial rename pot t1-a1 d-1 --who me --why 'as on its label'"))
@click.argument("kind", type=click.Choice(trial_changes.KINDS))
@click.argument("old")
@click.argument("new")
@who_option
@why_option
@trial_option
@home_option
def trial_rename(home: Path, trial: str | None, *, kind: str, old: str, new: str, who: str, why: str) -> None:
    """Give a trial, treatment, tray or pot another name, everywhere. Entries keep every value."""
    with open_store(home / RECORD_FILE) as store:
        chosen = choose_trial(store, old if kind == "trial" and trial is None else trial)
        trial_changes.rename(Notebook(store), chosen.name, kind, old, new, now=datetime.now(UTC), who=who, why=why)
    click.echo(f"The {kind} {old} is {new} now.")


@trial.command("end", epilog=example("tidetray trial end plugs --who me --why 'sold'"))
@click.argument("name")
@click.option("--at", metavar="TIME", help="When it ended, in the trial's zone. Default: now.")
@who_option
@why_option
@home_option
def trial_end(home: Path, name: str, at: str | None, who: str, why: str) -> None:
    """End trial NAME: no weigh-in is asked for, no flood is expected any more. Results stay."""
    now = datetime.now(UTC)
    with open_store(home / RECORD_FILE) as store:
        zone = choose_trial(store, name).zone
        trial_changes.end(Notebook(store), name, written_time(at, zone, now), now=now, who=who, why=why)
    click.echo(f"Trial {name} has ended. `tidetray trial resume {name}` takes that back.")


@trial.command("resume", epilog=example("tidetray trial resume plugs --who me --why 'it goes on'"))
@click.argument("name")
@who_option
@why_option
@home_option
def trial_resume(home: Path, name: str, who: str, why: str) -> None:
    """Take back that trial NAME has ended."""
    with open_store(home / RECORD_FILE) as store:
        trial_changes.resume(Notebook(store), name, now=datetime.now(UTC), who=who, why=why)
    click.echo(f"Trial {name} is running.")


@trial.command("archive", epilog=example("tidetray trial archive plugs --who me --why 'written up'"))
@click.argument("name")
@click.option("--bring-back", is_flag=True, help="Offer it again.")
@who_option
@why_option
@home_option
def trial_archive(home: Path, name: str, *, bring_back: bool, who: str, why: str) -> None:
    """Offer trial NAME, which has ended, on pages no longer. Everything of it stays."""
    with open_store(home / RECORD_FILE) as store:
        trial_changes.archive(Notebook(store), name, archived=not bring_back, now=datetime.now(UTC), who=who, why=why)
    click.echo(f"Trial {name} is {'offered again' if bring_back else 'archived: --trial still shows it'}.")


@trial.command("undo", epilog=example("tidetray trial undo first --who me --why 'begun by mistake'"))
@click.argument("name")
@who_option
@why_option
@home_option
def trial_undo(home: Path, name: str, who: str, why: str) -> None:
    """Take trial NAME out again, as long as nothing was entered for it."""
    with open_store(home / RECORD_FILE) as store:
        trial_changes.undo(Notebook(store), name, now=datetime.now(UTC), who=who, why=why)
    click.echo(f"Trial {name} is undone.")


@trial.command("history", epilog=example("tidetray trial history plugs"))
@click.argument("name", required=False)
@home_option
@json_option
def trial_history(home: Path, name: str | None, *, as_json: bool) -> None:
    """Show what was changed of a trial, by whom, when and why."""
    with open_record(home) as store:
        notebook = Notebook(store)
        known = {each.name: each.zone for each in notebook.trials()}
        shown = chosen_trial(store, None).name if name is None else name
        changes = trial_changes.history(notebook, shown)
    if not changes and shown not in known:
        raise EntryError(f"there is and was no trial {shown[:40]!r}", mend=near_names(shown[:40], known))
    zone = known.get(shown, "UTC")
    frame = pd.DataFrame(
        [(each.made, line(each), each.who, each.why) for each in changes], columns=["made", "what", "who", "why"]
    )
    frame["made"] = pd.to_datetime(frame["made"], utc=True)
    printing.frame(frame, zone, as_json=as_json, shown=_named(frame))


def _named(frame: pd.DataFrame) -> dict[str, Column]:
    return {name: Column(name) for name in frame.columns}


def _pair(text: str) -> tuple[str, str]:
    key, mark, value = text.partition("=")
    if not mark or not key.strip():
        raise click.BadParameter(
            f"'{text}' is not KEY=VALUE, such as drain_hole_diameter_m=0.014", param_hint="KEY=VALUE"
        )
    return key.strip(), value
