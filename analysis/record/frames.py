"""What the notebook keeps, as frames; and what events do to them: lamps by time, treatments by time, splits.

In: facts of `tidetray.ingest.notebook.facts`, frames of `analysis/record/trial_data.py`. Out: frames. Reads nothing
itself.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tidetray.analysis.conditions.environment import ATTENUATION_PER_M
from tidetray.analysis.conditions.light import hours_of_several, is_one_each, lux_per_ppfd, ppfd
from tidetray.analysis.growth.drying import judge_drying
from tidetray.ingest.core.readings import Tray
from tidetray.ingest.notebook.drying import DryWeighing
from tidetray.ingest.notebook.facts import Entry, Event, Placement, TrayPlan, WeighIn
from tidetray.ingest.notebook.light_surveys import SurveyReading
from tidetray.ingest.notebook.scales import CheckWeighing
from tidetray.ingest.notebook.trial_events import attenuation_per_m

WEIGH_IN_COLUMNS = ["pot", "time", "replicate", "gross_g", "tare_g", "net_g", "blotted", "who", "note"]
_EVENT_COLUMNS = ["number", "time", "kind", "pot", "tray", "row", "column", "tare_g", "value", "who", "why", "entered"]


def with_times(frame: pd.DataFrame, *columns: str) -> pd.DataFrame:
    """The frame itself, with some of its columns as times, also where it is empty.

    Parameters
    ----------
    frame : DataFrame
        Changed in place.
    columns : str
        Columns of times, or of text that says a time.

    Returns
    -------
    DataFrame
        `datetime64[ms, UTC]` in these columns.
    """
    for column in columns:
        frame[column] = pd.to_datetime(frame[column], utc=True).astype("datetime64[ms, UTC]")
    return frame


def weigh_in_frame(rows: Sequence[tuple[Any, ...]]) -> pd.DataFrame:
    """Of rows as from `Notebook.weigh_in_rows`: column by column, for a year of many pots has tens of thousands."""
    pot, weighed_ms, replicate, gross_g, tare_g, blotted, who, note, _ = [*zip(*rows, strict=True)] or [()] * 9
    gross, tare = np.array(gross_g, dtype=np.float64), np.array(tare_g, dtype=np.float64)
    return pd.DataFrame(
        {
            "pot": pd.Series(pot, dtype="str"),
            "time": pd.DatetimeIndex(np.array(weighed_ms, dtype=np.int64).astype("datetime64[ms]"), tz="UTC"),
            "replicate": np.array(replicate, dtype=np.int64),
            "gross_g": gross,
            "tare_g": tare,
            "net_g": gross - tare,
            "blotted": np.array(blotted, dtype=bool),
            "who": pd.Series(who, dtype="str"),
            "note": pd.Series(note, dtype="str"),
        }
    )


def trail_frame(entries: Iterable[Entry]) -> pd.DataFrame:
    """`number`, the columns of weigh-ins, `balance, entered, stands, replaces, removed, entered_by, reason`."""
    rows = [
        (
            e.number,
            *_weigh_in(e.weigh_in),
            e.weigh_in.balance,
            e.entered,
            e.stands,
            e.replaces,
            e.removed,
            e.entered_by,
            e.reason,
        )
        for e in entries
    ]
    more = ["balance", "entered", "stands", "replaces", "removed", "entered_by", "reason"]
    kinds = {"replaces": "Int64", "blotted": "bool", "stands": "bool", "removed": "bool"}
    frame = pd.DataFrame(rows, columns=["number", *WEIGH_IN_COLUMNS, *more]).astype(kinds)
    return with_times(frame, "time", "entered")


def event_frame(events: Iterable[Event]) -> pd.DataFrame:
    """`number, time, kind, pot, tray, row, column, tare_g, value, who, why, entered`."""
    rows = [
        (e.number, e.time, e.kind, e.pot, e.tray, e.row, e.column, e.tare_g, e.value, e.who, e.why, e.entered)
        for e in events
    ]
    kinds = {"row": "Int64", "column": "Int64", "tare_g": "float64"}
    return with_times(pd.DataFrame(rows, columns=_EVENT_COLUMNS).astype(kinds), "time", "entered")


def check_frame(checks: Iterable[CheckWeighing]) -> pd.DataFrame:
    """`time, nominal_g, shown_g, who`."""
    rows = [(c.time, c.nominal_g, c.shown_g, c.who) for c in checks]
    return with_times(pd.DataFrame(rows, columns=["time", "nominal_g", "shown_g", "who"]), "time")


def dry_masses_g(weighings: Iterable[DryWeighing]) -> dict[str, float]:
    """Sampled pot -> dry mass [g], of those that reached constant mass."""
    of_pot: dict[str, list[DryWeighing]] = {}
    for weighing in weighings:
        of_pot.setdefault(weighing.pot, []).append(weighing)
    judged = {
        pot: judge_drying(pd.DataFrame({"time": [w.time for w in some], "net_g": [w.net_g for w in some]}))
        for pot, some in of_pot.items()
    }
    return {pot: drying.mass_g for pot, drying in judged.items() if drying.is_dry}


def placement_frame(placements: Iterable[Placement], heights_m: Mapping[str, float | None]) -> pd.DataFrame:
    """`pot, tray, row, column, treatment, tare_g, from, to, height_m`; row and column NA where nobody noted them."""
    rows = [(p.pot, p.tray, p.row, p.column, p.treatment, p.tare_g, p.start, p.end) for p in placements]
    frame = pd.DataFrame(rows, columns=["pot", "tray", "row", "column", "treatment", "tare_g", "from", "to"])
    if frame["row"].isna().any() or frame["column"].isna().any():  # a place that nobody noted
        frame = frame.astype({"row": "Int64", "column": "Int64"})
    frame["height_m"] = frame["pot"].map(dict(heights_m)).astype("float64")
    return with_times(frame, "from", "to")


def light_factors(
    tray: TrayPlan, events: Iterable[Event], channel: str
) -> tuple[list[tuple[datetime | None, float]], tuple[str, ...]]:
    """From when how many of the channel's units make one of photon flux, NaN under a lamp that has no factor; cautions.

    No factors at all where none is known. None: from the start.
    """
    if channel == "ppfd":
        return [(None, 1.0)], ()
    changes = [(e.time, e.value) for e in events if e.kind == "lamp changed" and e.tray == tray.name]
    if tray.lamp is None and not changes:
        return [], (f"{tray.name} measures lux, but its lamp is not named: its light is not counted.",)
    factors, cautions = list[tuple[datetime | None, float]](), list[str]()
    for since, lamp in [(None, tray.lamp), *changes]:
        try:
            factors.append((since, math.nan if lamp is None else lux_per_ppfd(lamp)))
        except ValueError as error:
            cautions.append(f"{tray.name}: its light is not counted, {error}")
            factors.append((since, math.nan))
    return (factors if any(math.isfinite(factor) for _, factor in factors) else []), tuple(cautions)


def factor_at(times: pd.Series[Any], factors: Sequence[tuple[datetime | None, float]]) -> NDArray[np.float64]:
    """lx per photon flux at each time. An hour in which the lamp was changed counts as under the lamp it began with."""
    found = np.full(len(times), factors[0][1])
    for since, factor in factors:
        if since is not None:
            found[(times >= pd.Timestamp(since)).to_numpy(dtype=bool)] = factor
    return found


def survey_frame(
    readings: Iterable[SurveyReading], trays: Sequence[TrayPlan], events: Sequence[Event]
) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Light read by hand at places, `tray, row, column, time, ppfd`, under the lamp of its time; cautions.

    Of a tray that was moved, or got another lamp, what was read since counts; what was read before only where
    nothing was since, with a caution.
    """
    rows, cautions = [], dict[str, None]()
    of_tray: dict[str, list[SurveyReading]] = {tray.name: [] for tray in trays}
    for reading in readings:
        if reading.tray in of_tray:
            of_tray[reading.tray].append(reading)
    for tray in trays:
        turns = [e.time for e in events if e.tray == tray.name and e.kind in {"tray moved", "lamp changed"}]
        own = of_tray[tray.name]
        since = [reading for reading in own if not turns or reading.time >= max(turns)]
        if own and not since:
            told = f"{tray.name} was moved or got another lamp after its light survey: survey it again."
            cautions[told] = None
        for reading in since or own:
            lamps = [
                e.value for e in events if (e.kind, e.tray) == ("lamp changed", tray.name) and e.time <= reading.time
            ]
            lamp = lamps[-1] if lamps else tray.lamp
            if reading.channel != "ppfd" and lamp is None:
                told = f"{tray.name} was surveyed in lux, but its lamp is not named: its survey is not used."
                cautions[told] = None
                continue
            try:
                value = reading.value if reading.channel == "ppfd" else ppfd(reading.value, lamp or "")
            except ValueError as error:
                cautions[f"{tray.name}: its light survey is not used, {error}"] = None
                continue
            rows.append((reading.tray, reading.row, reading.column, reading.time, value))
    frame = pd.DataFrame(rows, columns=["tray", "row", "column", "time", "ppfd"])
    return with_times(frame, "time"), tuple(cautions)


def light_hours(
    trays: Iterable[TrayPlan], events: Sequence[Event], found: Mapping[str, pd.DataFrame]
) -> tuple[pd.DataFrame | None, tuple[str, ...]]:
    """Hourly PPFD of trays (`tray, time, covered_s, above_s, ppfd`), None where there is none; cautions.

    `found`: channel (`ppfd` before `light`) -> the sound hourly summaries. Several nodes may have measured in one
    hour, as when one was replaced.
    """
    measured = {channel: set(hours["tray"].unique()) for channel, hours in found.items()}
    chosen: dict[str, dict[str, Sequence[tuple[datetime | None, float]]]] = {channel: {} for channel in found}
    cautions = list[str]()
    for tray in trays:
        channel = next((name for name, of in measured.items() if tray.name in of), None)
        if channel is None:
            cautions.append(f"{tray.name} has no light readings: its hours cannot be split into lit and dark.")
            continue
        factors, told = light_factors(tray, events, channel)
        cautions += told
        if factors:
            chosen[channel][tray.name] = factors
    parts = [_ppfd_hours(found[channel], factors) for channel, factors in chosen.items() if factors]
    return (pd.concat(parts, ignore_index=True) if parts else None), tuple(cautions)


def _ppfd_hours(hours: pd.DataFrame, factors: Mapping[str, Sequence[tuple[datetime | None, float]]]) -> pd.DataFrame:
    """Of the trays that have factors; all at once, for a tray at a time takes ten times as long."""
    one: pd.DataFrame = hours_of_several(hours[hours["tray"].isin(list(factors))])
    code, names = pd.factorize(one["tray"])
    factor = np.array([factors[name][0][1] for name in names])[code]
    for at in (n for n, name in enumerate(names) if len(factors[name]) > 1):
        factor[code == at] = factor_at(one["time"][code == at], factors[names[at]])
    one["ppfd"] = one["mean"] / factor
    told = np.isfinite(one["ppfd"]) | (one["covered_s"] == 0)
    known: pd.DataFrame = one[told][["tray", "time", "covered_s", "above_s", "ppfd"]]
    return known


def water_frame(events: Iterable[Event]) -> pd.DataFrame:
    """From when which tray had water of which attenuation: `tray, time, attenuation_per_m`."""
    rows = [
        (e.tray, e.time, value)
        for e in events
        if e.kind == "water changed" and (value := attenuation_per_m(e)) is not None
    ]
    return with_times(pd.DataFrame(rows, columns=["tray", "time", "attenuation_per_m"]), "time")


def water_cautions(trays: Iterable[Tray], water: pd.DataFrame, cycles: pd.DataFrame) -> tuple[str, ...]:
    """Where the depth or the clearness of the water is taken for granted. `cycles`: `tray, outcome, peak_level_m`."""
    known = list(trays)
    said_of = set(water["tray"].unique())
    unsaid = [t.name for t in known if t.attenuation_per_m is None and t.name not in said_of]
    flooded = cycles[~cycles["outcome"].isin(["unknown", "no flood"])]
    measured = set(flooded.loc[flooded["peak_level_m"].notna(), "tray"].unique())
    unmeasured = set(flooded["tray"].unique()) - measured
    without = [t.name for t in known if t.name in unmeasured]
    said = []
    if unsaid and len(flooded):
        which = "no tray" if len(unsaid) == len(known) else f"{len(unsaid)} of {len(known)} trays"
        said.append(
            f"How clear the water is was measured on {which}: light under it is worked out for clear water, "
            f"{ATTENUATION_PER_M:g} per metre, which takes 2 to 5 % in a tray. Say it by attenuation_per_m "
            "in the trial's file or 'tidetray event water'."
            if which == "no tray"
            else (
                f"How clear the water is was not measured on {which}: theirs counts as clear water, "
                f"{ATTENUATION_PER_M:g} per metre."
            )
        )
    if without:
        said.append(
            f"{', '.join(without)}: no level readings, so light under water is counted at the depth of the flood mark."
        )
    return tuple(said)


def means_of_hours(hours: pd.DataFrame) -> pd.DataFrame:
    """Means over the covered time of each tray and hour, not over readings, which come denser when things change.

    `hours`: sound hourly summaries, of several nodes too. Out: `tray, time, integral, covered_s, min, max, mean`.
    """
    if is_one_each(hours):
        of = hours[["tray", "time", "integral", "covered_s", "min", "max"]].reset_index(drop=True)
    else:
        of = hours.groupby(["tray", "time"], as_index=False).agg(
            integral=("integral", "sum"), covered_s=("covered_s", "sum"), min=("min", "min"), max=("max", "max")
        )
    return of.assign(mean=of["integral"] / of["covered_s"].where(of["covered_s"] > 0))


def in_turn(names: pd.Series[str]) -> str:
    """Names in their order, the same one twice running told once: 'dry, then wet'.

    Parameters
    ----------
    names : Series[str]
        In order of time.

    Returns
    -------
    str
    """
    return ", then ".join(names[names != names.shift()])


def in_turn_so_far(pots: pd.Series[str], names: pd.Series[str]) -> pd.Series[str]:
    """`in_turn` of the names of each pot up to each row.

    Parameters
    ----------
    pots, names : Series[str]
        A row each, by pot and in order of time.

    Returns
    -------
    Series[str]
        With their index.
    """
    other_pot = (pots != pots.shift()).to_numpy()
    changes = other_pot | (names != names.shift()).to_numpy()
    said: list[str] = []
    for name, is_first in zip(names[changes], other_pot[changes], strict=True):
        said.append(name if is_first else f"{said[-1]}, then {name}")
    return pd.Series(said, dtype="str").take(np.cumsum(changes) - 1).set_axis(names.index)


def treatments_during(intervals: pd.DataFrame, pots: pd.DataFrame) -> pd.Series[str]:
    """The treatment that a pot was under for the longest part of each interval."""
    rows = intervals[["pot", "start", "end"]].reset_index(names="interval")
    both = rows.merge(
        pots[["pot", "treatment", "from", "to"]].assign(to=pots["to"].fillna(intervals["end"].max())), on="pot"
    )
    both["shared"] = both[["end", "to"]].min(axis=1) - both[["start", "from"]].max(axis=1)
    longest = both[both["shared"] > pd.Timedelta(0)].groupby(["interval", "treatment"])["shared"].sum()
    best = longest.sort_values(kind="stable").reset_index().drop_duplicates("interval", keep="last")
    return best.set_index("interval")["treatment"].reindex(intervals.index)


def _weigh_in(w: WeighIn) -> tuple[object, ...]:
    return w.pot, w.time, w.replicate, w.gross_g, w.tare_g, w.net_g, w.blotted, w.who, w.note
