"""The commands that ask what growth went with: `exposure`, `relate`, `positions`. Prints; decides nothing itself."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict
from datetime import UTC, datetime
from typing import Any

import click
import pandas as pd

from tidetray.analysis.conditions.degree_days import total_warmth
from tidetray.analysis.record.trial_data import TrialData
from tidetray.analysis.relations.predictors import CAUSES
from tidetray.ui.cache.place_views import (
    NO_GROWTH,
    PlaceView,
    RelationView,
    not_weighed_twice,
    place_view_of,
    relation_view_of,
    warmth_asked,
    warmth_view_of,
    warmth_words,
)
from tidetray.ui.cli import printing

_EFFECTS = {
    "cause": ("cause", "", 1),
    "estimate": ("%/day", ".3f", 100),
    "low": ("from", ".3f", 100),
    "high": ("to", ".3f", 100),
    "each": ("for each", "", 1),
    "df": ("df", ".1f", 1),
    "p": ("p", ".3f", 1),
    "std_estimate": ("in sd", ".2f", 1),
    "vif": ("VIF", ".1f", 1),
    "trays_told_by": ("rests on trays", ".1f", 1),
    "without_low": ("least without a tray", ".3f", 100),
    "without_high": ("most", ".3f", 100),
}
_FEATURES = {
    "feature": ("of the place", "", 1),
    "estimate": ("%/day each", ".2f", 100),
    "low": ("from", ".2f", 100),
    "high": ("to", ".2f", 100),
    "f": ("F", ".2f", 1),
    "df_num": ("df", ".0f", 1),
    "df_den": ("of", ".0f", 1),
    "p": ("p", ".3f", 1),
    "p_adjusted": ("p, Holm", ".3f", 1),
    "share": ("share %", ".0f", 100),
    "n_pots": ("pots", ".0f", 1),
    "n_trays": ("trays", ".0f", 1),
}
_SPLIT = {
    "day": ("day", ".0f", 1),
    "n_pots": ("pots", ".0f", 1),
    "n_trays": ("trays", ".0f", 1),
    "sd_pct": ("pots differ by %", ".0f", 1),
    "total": ("ln mass variance", ".4f", 1),
    "tray": ("tray", ".4f", 1),
    "place": ("place", ".4f", 1),
    "scale": ("scale", ".4f", 1),
    "rest": ("all else", ".4f", 1),
}


def _printed(table: pd.DataFrame, columns: dict[str, tuple[str, str, float]]) -> pd.DataFrame:
    """`columns`: name -> heading, format, factor. What is not known is left to be printed as such."""
    out = pd.DataFrame(index=table.index)
    for name, (heading, form, factor) in columns.items():
        out[heading] = (
            table[name] if not form else [None if pd.isna(v) else format(v * factor, form) for v in table[name]]
        )
    return out


def show_exposure(
    data: TrialData,
    tray: str | None,
    since: datetime | None,
    *,
    as_json: bool,
    daily: bool,
    environment: bool,
    warmth: bool,
    base_c: float | None,
    top_c: float | None,
    channel: str,
) -> None:
    if environment and (daily or warmth):
        raise click.UsageError("--environment is a table of its own: ask for it without --daily and --warmth.")
    asked = warmth_asked(data, base_c, top_c)
    if warmth:
        table, cautions = warmth_view_of(data, channel, asked, since)
        if tray is not None:
            table = table[table["tray"] == tray]
        table = table.assign(day=table["day"].dt.strftime("%Y-%m-%d")) if daily else total_warmth(table)
        printing.frame(table.reset_index(drop=True), data.trial.zone, as_json=as_json, cautions=cautions)
        return
    cautions = [*data.light[1], *data.left_out]
    if daily:
        table = _daily(data, since)
        if tray is not None:
            table = table[table["tray"] == tray]
    else:
        table = data.exposure if not environment else data.environment_of(data.intervals, asked)
        if environment:
            table = table.merge(data.exposure[["pot", "start", "end", "tray"]], on=["pot", "start", "end"])
            table.insert(1, "tray", table.pop("tray"))
            cautions += [*data.places[1], *data.water[1], warmth_words(asked)]
        if tray is not None:
            table = table[table["tray"] == tray]
        if since is not None:
            table = table[table["end"] > since]
    if data.growth.table.empty and not daily:
        cautions.append(f"{NO_GROWTH} By day and tray, `--daily` tells already.")
    if not daily:
        cautions += not_weighed_twice(data)
    cautions += _geometry_cautions(data)
    printing.frame(table.reset_index(drop=True), data.trial.zone, as_json=as_json, cautions=cautions)


def _daily(data: TrialData, since: datetime | None) -> pd.DataFrame:
    spans = data.record_span
    if spans is None:
        return pd.DataFrame()
    start, end = spans
    start = start if since is None else max(start, since.astimezone(UTC))
    if start >= end:
        return pd.DataFrame()
    table = data.daily_exposure(start, end)
    return table.assign(day=table["day"].dt.strftime("%Y-%m-%d"))


def _geometry_cautions(data: TrialData) -> Iterable[str]:
    """Pots that stand high in trays whose level nobody measures."""
    high = data.pots[data.pots["height_m"] > 0]
    levels = data.cycles()
    without = sorted(set(high["tray"]) - set(levels.loc[levels["peak_level_m"].notna(), "tray"]))
    if without:
        yield (
            f"{', '.join(without)} has no level readings: its pots count as wet while the tray is, whatever "
            "their height."
        )


def show_relation(data: TrialData, causes: tuple[str, ...], *, as_json: bool) -> None:
    unknown = [name for name in causes if name not in CAUSES]
    if unknown:
        raise click.BadParameter(f"no cause {unknown[0]!r}. There are: {', '.join(CAUSES)}", param_hint="--cause")
    view = relation_view_of(data, causes)
    if as_json:
        printing.print_json(_relation_json(view))
        return
    if view.relation is None:
        click.echo(view.why_not)
    else:
        for sentence in view.relation.sentences:
            click.echo(sentence)
        click.echo("")
        effects = view.relation.effects
        asked = [CAUSES[name] for name in effects["cause"]]
        step = [cause.step for cause in asked]
        per_step = {name: effects[name] * step for name in ("estimate", "low", "high", "without_low", "without_high")}
        effects = effects.assign(cause=[c.label for c in asked], each=[c.more for c in asked], **per_step)
        printing.frame(_printed(effects, _EFFECTS), data.trial.zone, as_json=False)
    for caution in view.cautions:
        click.echo(f"Note: {caution}")


def _relation_json(view: RelationView) -> dict[str, Any]:
    out: dict[str, Any] = {
        "hours_flagged": printing.records(view.flags),
        "readings_flagged": printing.records(view.recent),
        "answered": view.relation is not None,
        "why_not": view.why_not,
        "cautions": list(view.cautions),
    }
    if view.relation is not None:
        r = view.relation
        frames = {
            "effects": r.effects,
            "size": r.size,
            "variance": r.variance,
            "without": r.without,
            "points": r.points,
        }
        out |= {"sentences": list(r.sentences)} | {name: printing.records(frame) for name, frame in frames.items()}
    return out


def show_positions(data: TrialData, neighbours: str, *, as_json: bool) -> None:
    view = place_view_of(data, neighbours)
    if as_json:
        printing.print_json(_positions_json(view))
        return
    if view.positions is None:
        click.echo(view.why_not)
    else:
        for sentence in view.positions.sentences:
            click.echo(sentence)
        click.echo("\nWhat to do:")
        for sentence in view.positions.advice.sentences:
            click.echo(f"  {sentence}")
        click.echo("")
        printing.frame(_printed(view.positions.features, _FEATURES), data.trial.zone, as_json=False)
    if view.spread is not None:
        click.echo("\nSpread over time:")
        for sentence in view.spread.sentences:
            click.echo(f"  {sentence}")
        printing.frame(_printed(view.spread.split, _SPLIT), data.trial.zone, as_json=False)
    for caution in view.cautions:
        click.echo(f"Note: {caution}")


def _positions_json(view: PlaceView) -> dict[str, Any]:
    out: dict[str, Any] = {
        "answered": view.positions is not None,
        "why_not": view.why_not,
        "cautions": list(view.cautions),
    }
    if view.positions is not None:
        p = view.positions
        out |= {
            "sentences": list(p.sentences),
            "features": printing.records(p.features),
            "explained": printing.plain(p.explained),
            "explained_p": printing.plain(p.explained_p),
            "moran": {name: printing.plain(value) for name, value in asdict(p.moran).items()},
            "moran_after": {name: printing.plain(value) for name, value in asdict(p.moran_after).items()},
            "places": printing.records(p.places),
            "pots": printing.records(p.pots),
            "advice": list(p.advice.sentences),
            "even_out": printing.records(p.advice.even_out),
            "block_by": p.advice.block_by,
            "at_risk": p.advice.at_risk,
        }
    if view.spread is not None:
        s = view.spread
        out["spread"] = {
            "split": printing.records(s.split),
            "ratio": printing.plain(s.ratio),
            "p": printing.plain(s.p),
            "sentences": list(s.sentences),
        }
    return out
