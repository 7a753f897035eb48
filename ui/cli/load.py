"""The command `tidetray load`: files that people bring, a sheet of weigh-ins with its questions among them."""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click

from tidetray.ingest.core.refusals import EntryError, RefusedError
from tidetray.ingest.files.light_survey import is_light_survey
from tidetray.ingest.files.rows import read_bytes
from tidetray.ingest.files.sheet_guess import Doubt, Question, Said
from tidetray.ingest.files.sheet_trial import BY_NAME, SUBTRACTED, Answers, Known, Proposal, where
from tidetray.ingest.files.trial_file import NOT_NOTED
from tidetray.ingest.files.weighing_files import How
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store.recording import open_store
from tidetray.ui.changes.entry import load_file
from tidetray.ui.changes.from_sheet import answered, date_of, free_name, known_trial, read_sheet, save_sheet
from tidetray.ui.cli.options import example, home_option, trial_option

SHEETS = (".csv", ".tsv", ".txt", ".xlsx", ".ods")

_OPTIONS = {
    "day_zero": "--day-zero 2026-03-22",
    "empty_pot": "--empty-pot 6.2, or --empty-pot subtracted, or --empty-pot not-noted",
    "zone": "--zone Europe/Lisbon",
    "trays": "--trays not-noted or --trays by-name",
    "treatment": "--treatment by-name or --treatment NAME",
    "decimal": "--decimal-comma or --decimal-point",
    "day_first": "--dates day-first or --dates month-first",
    "year": "--year 2026",
    "days": '--days "22.3.2026 29.3.2026", one for each',
}
"""Question of a sheet -> the option that answers it."""

_MEANINGS = {"weighed": "date", "gross_g": "gross", "tare_g": "tare", "gross_oz": "gross", "tare_oz": "tare"}
"""What a column may be called in `--column` -> what it is called where a sheet is understood."""


@click.command(
    epilog=example("tidetray load old.xlsx --empty-pot 6.2 --trays not-noted --zone Europe/Lisbon --dry-run")
)
@click.argument("file", type=click.Path(path_type=Path))
@click.option(
    "--decimal-comma/--decimal-point", default=None, help="How masses are written. Default: as the file shows."
)
@click.option("--dates", type=click.Choice(["day-first", "month-first"]), help="Order of day and month in 03/04/2026.")
@click.option("--year", type=click.IntRange(2000, 2099), help="The year of dates that have none.")
@click.option("--days", default="", metavar="DAYS", help="The days of weighings that are only numbered (W1, W2 ...).")
@click.option("--sheet", metavar="NAME", help="Which sheet of a workbook. Default: all with weigh-ins.")
@click.option(
    "--column",
    "columns",
    multiple=True,
    metavar="HEADER=MEANING",
    help=(
        "What a column is: pot, weighed, gross_g, gross_oz, tare_g, tare_oz, clock, blotted, replicate, who, "
        "note, balance or ignore; for a new trial also treatment, tray, row, column, net, stock. Remembered."
    ),
)
@click.option("--sure", is_flag=True, help="Load masses even if the change looks unlikely.")
@click.option("--new", metavar="NAME", help="Make a new trial of the sheet, with this name.")
@click.option("--species", default="", help="What grows in the new trial.")
@click.option("--day-zero", metavar="DATE", help="The date of day 0, where the sheet counts days.")
@click.option("--empty-pot", metavar="G", help="What an empty pot weighs, or 'subtracted', or 'not-noted'.")
@click.option("--zone", metavar="ZONE", help="The time zone of the sheet's clock, such as Europe/Lisbon.")
@click.option("--trays", type=click.Choice(["not-noted", "by-name"]), help="Trays, where the sheet has none.")
@click.option("--treatment", metavar="NAME", help="The treatment of all pots, or 'by-name' as their names begin.")
@click.option("--leave-out", is_flag=True, help="Leave doubtful cells of the sheet out.")
@click.option("--dry-run", is_flag=True, help="Show what would happen, and change nothing.")
@trial_option
@home_option
def load(home: Path, file: Path, trial: str | None, columns: tuple[str, ...], *, dry_run: bool, **options: Any) -> None:
    """Load a FILE: trial or calibrations (.toml), sheet of weigh-ins (.csv, .xlsx, .ods), light survey (.csv) or
    exported package.

    A sheet in a home without a trial becomes a trial. All of it or nothing. Loading the same file again changes
    nothing."""
    now = datetime.now(UTC)
    meanings = dict(_meaning(pair) for pair in columns)
    if file.suffix.lower() in SHEETS and not _is_survey(file):
        lines = _load_sheet(home, file, trial, meanings, options, dry_run=dry_run, now=now)
    else:
        how = _how(meanings, options)
        with open_store(home / RECORD_FILE) as store:
            lines = list(load_file(store, file, trial, how=how, now=now, dry_run=dry_run))
    for line in lines:
        click.echo(line)


def _meaning(pair: str) -> tuple[str, str]:
    header, mark, meaning = pair.rpartition("=")
    if not (mark and header.strip() and meaning.strip()):
        raise click.BadParameter(f"'{pair}' is not HEADER=MEANING, such as 'Weight=gross_g'", param_hint="--column")
    return header, meaning.strip()


def _is_survey(file: Path) -> bool:
    try:
        return file.suffix.lower() == ".csv" and is_light_survey(file)
    except RefusedError:  # no UTF-8: a sheet may be written otherwise
        return False


def _how(meanings: dict[str, str], options: dict[str, Any]) -> How:
    day_first = {"day-first": True, "month-first": False, None: None}[options["dates"]]
    return How(bool(options["decimal_comma"]), day_first, options["sheet"], meanings, options["sure"])


@dataclass(frozen=True)
class _File:
    """A sheet on its way into a home."""

    content: bytes
    file: Path
    home: Path
    now: datetime

    def read(self, answers: Answers, known: Known | None = None) -> Proposal:
        return read_sheet(self.content, self.file.name, answers, home=self.home, now=self.now, known=known)


def _load_sheet(
    home: Path,
    file: Path,
    trial: str | None,
    meanings: dict[str, str],
    options: dict[str, Any],
    *,
    dry_run: bool,
    now: datetime,
) -> list[str]:
    """The lines to print. A home without a record gets one only when something is saved into it."""
    one, answers = _File(read_bytes(file), file, home, now), _answers(meanings, options)
    if options["sheet"]:
        answers = replace(answers, said=replace(answers.said, sheets=(options["sheet"],)))
    found, trials = None, []
    if (home / RECORD_FILE).is_file():
        with open_store(home / RECORD_FILE) as store:
            trials = [each.name for each in Notebook(store).trials()]
            if trials and not options["new"]:
                try:
                    return list(load_file(store, file, trial, how=_how(meanings, options), now=now, dry_run=dry_run))
                except RefusedError as refused:
                    known = known_trial(store, trial or trials[0])
                    found = _understood(one, answers, known)
                    if found is None or not found.ready:
                        raise _why_not(found, known, file) or refused from None
    proposal = found
    if proposal is None:
        name = options["new"] or free_name(trials, file.name)
        proposal = _answered(one, replace(answers, name=name), leave_out=options["leave_out"])
    lines = [*_said(proposal), proposal.summary]
    if dry_run:
        return [*lines, "Dry run: nothing was changed."]
    for line in lines:
        click.echo(line)
    if found is None and sys.stdin.isatty():
        click.confirm("Save these weigh-ins?", default=True, abort=True)
    home.mkdir(parents=True, exist_ok=True)
    with open_store(home / RECORD_FILE) as store:
        return [save_sheet(store, proposal, now=now)]


def _answers(meanings: dict[str, str], options: dict[str, Any]) -> Answers:
    decimal = {True: ",", False: ".", None: ""}[options["decimal_comma"]]
    day_first = {"day-first": True, "month-first": False, None: None}[options["dates"]]
    columns = {head.strip().casefold(): _MEANINGS.get(meaning, meaning) for head, meaning in meanings.items()}
    words = {"not-noted": NOT_NOTED, "by-name": BY_NAME, "subtracted": SUBTRACTED}

    def word(name: str) -> str:
        text = options[name] or ""
        return words.get(text, text)

    return Answers(
        Said(decimal, day_first, options["year"], options["days"], columns),
        date_of(options["day_zero"]) if options["day_zero"] else None,
        word("empty_pot"),
        options["zone"] or "",
        word("trays"),
        word("treatment"),
        species=options["species"],
    )


def _understood(one: _File, answers: Answers, known: Known) -> Proposal | None:
    try:
        return one.read(answers, known)
    except (RefusedError, EntryError):
        return None


def _why_not(proposal: Proposal | None, known: Known, file: Path) -> RefusedError | None:
    """Where questions are open, or none of a sheet's pots is in the trial: nobody wants that said of each."""
    there = {pot.casefold() for pot in known.tares_g}
    if proposal is None:
        return None
    if any(pot.casefold() in there for pot in proposal.understood.pots):
        return RefusedError(_open(proposal), where=file.name) if proposal.questions else None
    what = f"trial {known.name} has none of its pots ({', '.join(proposal.understood.pots[:4])} ...)"
    mend = "Name the trial with --trial, or make a new one of the sheet with --new NAME"
    return RefusedError([EntryError(what, mend=mend)], where=file.name)


def _answered(one: _File, answers: Answers, *, leave_out: bool) -> Proposal:
    """Ask until nothing is open; without a terminal EntryError says which options answer what is."""
    while True:
        proposal = one.read(answers)
        if proposal.doubts and leave_out:
            cells = dict(answers.said.cells) | {doubt.spot: "" for doubt in proposal.doubts}
            answers = replace(answers, said=replace(answers.said, cells=cells))
            continue
        if proposal.ready:
            return proposal
        if not sys.stdin.isatty():
            raise RefusedError(_open(proposal), where=one.file.name)
        for line in _said(proposal):
            click.echo(line)
        if proposal.questions:
            try:
                answers = _ask(proposal.questions[0], answers)
            except EntryError as error:  # asked again
                click.echo(f"{error}.")
        else:
            text = _ask_cell(proposal.doubts[0], proposal)
            cells = dict(answers.said.cells) | {proposal.doubts[0].spot: text}
            answers = replace(answers, said=replace(answers.said, cells=cells))


def _open(proposal: Proposal) -> list[EntryError]:
    """What is open, each with the option that settles it."""
    faults = [EntryError(q.text.rstrip("?"), where="open question", mend=_OPTIONS[q.key]) for q in proposal.questions]
    mend = "Correct the cell, or leave all doubtful ones out with --leave-out"
    return faults + [EntryError(f"{d.text} {d.why}", where=where(d, proposal), mend=mend) for d in proposal.doubts]


def _said(proposal: Proposal) -> list[str]:
    lines = list(proposal.understood.facts)
    if proposal.understood.unused:
        lines.append(f"Not used: {'; '.join(proposal.understood.unused[:8])}.")
    return lines


def _ask(question: Question, answers: Answers) -> Answers:
    """One question on the terminal; the answers with its own."""
    click.echo(f"\n{question.text}{f' ({question.why})' if question.why else ''}")
    for n, choice in enumerate(question.choices, start=1):
        click.echo(f"  {n}  {choice.label}")
    text = click.prompt("Answer", default="1" if len(question.choices) == 1 else None).strip()
    if text.isdecimal() and 1 <= int(text) <= len(question.choices):
        text = question.choices[int(text) - 1].value
    return answered(answers, question.key, text)


def _ask_cell(doubt: Doubt, proposal: Proposal) -> str:
    click.echo(f"\n{where(doubt, proposal)}: {doubt.text} {doubt.why}.")
    for n, choice in enumerate(doubt.choices, start=1):
        click.echo(f"  {n}  {choice.label}")
    text = str(click.prompt("Answer, or the mass", default=None)).strip()
    return doubt.choices[int(text) - 1].value if text.isdecimal() and 0 < int(text) <= len(doubt.choices) else text
