"""What readers ask of the store: frames and small dataclasses out, nothing written.

Every query is fetched whole and closed at once: an open cursor would keep SQLite's log from shrinking.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import chain
from typing import Any, NamedTuple, Protocol

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tidetray.ingest.core.readings import CHANNELS, from_ms, to_ms
from tidetray.ingest.store.database import Database
from tidetray.ingest.store.derived import CYCLE_NUMBERS, CYCLE_TIMES
from tidetray.ingest.store.hour_blocks import COLUMNS
from tidetray.ingest.store.hourly import HOUR_MS
from tidetray.ingest.store.message_numbers import MessageNumbers
from tidetray.ingest.store.raw_readings import FAR_MS
from tidetray.ingest.store.recording import Store
from tidetray.ingest.store.tail_hours import all_hours, counted_by_hour, hours_with_tail
from tidetray.ingest.store.tail_notes import Notes, heard_again, notes_of


@dataclass(frozen=True, slots=True)
class NodeState:
    """A node as last heard. `missing`: message numbers that have not come; `gone`: that never will.

    What it said of itself: how much it dropped because its journal was full, records of its journal that were
    spoilt, and the records whose sensors are in trouble (`flash`: the journal cannot be written), and until when the
    timetable holds by which it floods.
    """

    site: str
    node: str
    here: bool | None
    here_at: datetime | None
    last_message: datetime | None
    boot: str | None
    missing: int
    gone: int
    dropped_messages: int = 0
    dropped_readings: int = 0
    spoilt_records: int = 0
    faults: tuple[str, ...] = ()
    boots: tuple[BootState, ...] = ()
    timetable_until: datetime | None = None


@dataclass(frozen=True, slots=True)
class BootState:
    """The messages of one boot of a node, by their numbers: all up to `upto` are settled, which is what its receipt
    says; `highest` is the highest that came. `missing`: ranges (first, last) below it that have not come and may yet;
    `outstanding`: how many numbers from `upto` to `highest` have no receipt, those that came and those that did not.
    """

    boot: str
    upto: int
    highest: int
    missing: tuple[tuple[int, int], ...]
    gone: int

    @property
    def outstanding(self) -> int:
        return self.highest - self.upto


class Elsewhere(Protocol):
    """Another place that holds readings and hourly summaries, and gives the same frames of them.

    `records_here`: whether this home records them too, so that what is derived from them is in its own record.
    """

    records_here: bool

    def readings(
        self, site: str, tray: str, channels: Sequence[str], *, start_ms: int, end_ms: int, lead: bool
    ) -> pd.DataFrame: ...

    def hourly(self, site: str, channel: str, *, start_ms: int, end_ms: int) -> pd.DataFrame: ...

    def latest(self, site: str) -> pd.DataFrame: ...

    def span_ms(self, site: str, tray: str, channels: Sequence[str]) -> tuple[int, int] | None: ...

    def close(self) -> None: ...


def frame_times(frame: pd.DataFrame, columns: Sequence[str]) -> pd.DataFrame:
    """Turn `<name>_ms` columns into UTC times named `<name>`."""
    for column in columns:
        frame[column] = pd.to_datetime(frame.pop(f"{column}_ms"), unit="ms", utc=True).astype("datetime64[ms, UTC]")
    return frame


def readings(
    store: Store,
    site: str,
    tray: str,
    channels: Sequence[str],
    *,
    start_ms: int = 0,
    end_ms: int = FAR_MS,
    lead: bool = False,
) -> pd.DataFrame:
    """Readings of one tray in [start_ms, end_ms): columns `time, channel, value`, by channel and time.

    `lead` adds per channel the last reading before `start_ms`, so that the state at the start is known.
    """
    if store.elsewhere is not None:
        return store.elsewhere.readings(site, tray, channels, start_ms=start_ms, end_ms=end_ms, lead=lead)
    marks = ", ".join("?" * len(channels))
    series = store.connection.execute(
        f"SELECT id, channel FROM series WHERE site = ? AND tray = ? AND channel IN ({marks})", (site, tray, *channels)
    ).fetchall()
    names = sorted({channel for _, channel in series})
    parts = []
    for series_id, _ in series:
        before = store.raw.last(series_id, start_ms) if lead else None
        parts.append(store.raw.rows(series_id, start_ms if before is None else before[0], end_ms))
    codes = np.array([names.index(channel) for _, channel in series], np.int64)
    time_ms, value = (
        np.concatenate([np.empty(0, dtype), *(part[name] for part in parts)])
        for name, dtype in (("time_ms", np.int64), ("value", np.float64))
    )
    return pd.DataFrame(
        {
            "time": pd.DatetimeIndex(time_ms.astype("datetime64[ms]"), tz="UTC"),
            "channel": pd.Categorical.from_codes(np.repeat(codes, list(map(len, parts))), pd.Index(names, dtype="str")),
            "value": value,
        },
        copy=False,
    )


def hourly(store: Store, site: str, channel: str, *, start_ms: int = 0, end_ms: int = FAR_MS) -> pd.DataFrame:
    """Hourly summaries of one channel over all trays of a site.

    Columns `node, tray` (empty for a node's own place), `time` (start of the hour), `n, mean, min, max,
    integral, covered_s, above_s`.
    """
    if channel not in CHANNELS:
        raise ValueError(f"no channel {channel!r}: choose one of {', '.join(CHANNELS)}")
    if store.elsewhere is not None:
        return store.elsewhere.hourly(site, channel, start_ms=start_ms, end_ms=end_ms)
    series = store.connection.execute(
        "SELECT id, node, tray FROM series WHERE site = ? AND channel = ? ORDER BY tray, node", (site, channel)
    ).fetchall()
    first, end = start_ms // HOUR_MS, -(-end_ms // HOUR_MS)
    (hour, n, *numbers), counts = all_hours(
        store.connection, store.raw, [number for number, _, _ in series], first, end
    )
    frame = pd.DataFrame(
        {name: _repeated([row[at] for row in series], counts) for name, at in (("node", 1), ("tray", 2))}
        | {"n": n.astype(np.int64)}
        | dict(zip(COLUMNS[2:], numbers, strict=True)),
        copy=False,
    )
    frame["time"] = pd.DatetimeIndex((hour.astype(np.int64) * HOUR_MS).astype("datetime64[ms]"), tz="UTC")
    return frame


def latest(store: Store, site: str) -> pd.DataFrame:
    """The last reading of every series of a site: `node, tray, channel, time, value`."""
    if store.elsewhere is not None:
        return store.elsewhere.latest(site)
    series = store.connection.execute("SELECT id, node, tray, channel FROM series WHERE site = ?", (site,)).fetchall()
    rows = [(*names, *last) for number, *names in series if (last := store.raw.last(number)) is not None]
    frame = pd.DataFrame(rows, columns=["node", "tray", "channel", "time_ms", "value"])
    return frame_times(frame.astype({"value": "float64"}), ["time"])


def cycles(store: Store, site: str, tray: str | None = None, *, start_ms: int = 0) -> pd.DataFrame:
    """Cycles as last worked out by the recorder (`detect_cycles` columns and `tray`), not over before `start_ms`."""
    trays = [tray] if tray is not None else sorted(_trays_with_cycles(store, site))
    of = [(site, each, _first_not_over(store, site, each, start_ms)) for each in trays]
    names = [*(f"{name}_ms" for name in CYCLE_TIMES), *CYCLE_NUMBERS, "outcome"]
    asked = f"SELECT {', '.join(names)} FROM cycle WHERE site = ? AND tray = ? AND number >= ? ORDER BY number"
    # of each tray by one question: a cycle that the recorder adds meanwhile is in all columns or in none
    found = [store.connection.execute(asked, each).fetchall() for each in of]
    *numbers, outcomes = [*zip(*chain.from_iterable(found), strict=True)] or [()] * len(names)
    frame = pd.DataFrame({"tray": _repeated(trays, [len(rows) for rows in found])})
    for name, values in zip((*CYCLE_TIMES, *CYCLE_NUMBERS), numbers, strict=True):
        known = np.array(values, dtype=np.float64)  # NaN for what is not known; a frame made of rows takes far longer
        frame[name] = _utc(known) if name in CYCLE_TIMES else known
    frame["outcome"] = pd.Series(outcomes, dtype="str")
    return frame


def _repeated(names: Sequence[str], counts: Sequence[int]) -> pd.Series[str]:
    """Each name so many times."""
    of = np.repeat(np.arange(len(names)), np.asarray(counts, dtype=np.int64))
    return pd.Series(list(names), dtype="str").take(of).reset_index(drop=True)


def _utc(time_ms: NDArray[np.float64]) -> pd.DatetimeIndex:
    """Times of milliseconds since 1970, NaT for NaN."""
    nowhere = np.isnan(time_ms)
    whole = np.where(nowhere, 0.0, time_ms).astype("datetime64[ms]")
    whole[nowhere] = np.datetime64("NaT")
    return pd.DatetimeIndex(whole, tz="UTC")


def _trays_with_cycles(store: Store, site: str) -> list[str]:
    """One step in the index for each, however many cycles there are."""
    found: list[str] = []
    last = ""
    while True:
        (following,) = store.connection.execute(
            "SELECT min(tray) FROM cycle WHERE site = ? AND tray > ?", (site, last)
        ).fetchone()
        if following is None:
            return found
        found.append(following)
        last = following


def _first_not_over(store: Store, site: str, tray: str, start_ms: int) -> int:
    """Number of the first cycle that was not over by `start_ms`, looked for back from the last one: of a long record
    only its end is read.

    A row that was never seen dry is over when the pump stopped in vain, or when the tray's next row begins.
    """
    if start_ms <= 0:
        return 0
    cursor = store.connection.execute(
        "SELECT number, flood_start_ms, flood_reached_ms, drain_start_ms, dry_ms, outcome FROM cycle"
        " WHERE site = ? AND tray = ? ORDER BY number DESC",
        (site, tray),
    )
    first, follows_ms = FAR_MS, FAR_MS
    for number, flood_ms, reached_ms, drain_ms, dry_ms, outcome in cursor:
        over_ms = next(
            each for each in (dry_ms, drain_ms if outcome == "no flood" else None, follows_ms) if each is not None
        )
        if over_ms < start_ms:
            break
        first = number
        begins_ms = next((each for each in (flood_ms, reached_ms, drain_ms) if each is not None), None)
        follows_ms = FAR_MS if begins_ms is None else begins_ms
    cursor.close()
    return int(first)


def hourly_of_tray(store: Store, site: str, tray: str, channel: str, *, start_ms: int = 0) -> pd.DataFrame:
    """Hourly summaries of one channel of one tray: `time, mean, min, max, integral, covered_s`; of the place of the
    nodes that serve it, where the tray has no readings of that channel of its own."""
    columns = ["time", "mean", "min", "max", "integral", "covered_s"]
    if store.elsewhere is not None:
        found = hourly(store, site, channel, start_ms=start_ms)
        own = found[found["tray"] == tray]
        if own.empty:
            last = latest(store, site)
            serve = last.loc[last["tray"] == tray, "node"].unique()
            own = found[(found["tray"] == "") & found["node"].isin(serve)]
        return own.sort_values("time", ignore_index=True)[columns]
    its_own = "site = ?1 AND tray = ?2 AND channel = ?3"
    lent = (
        "site = ?1 AND tray = '' AND channel = ?3 AND node IN (SELECT node FROM series WHERE site = ?1 AND tray = ?2)"
    )
    hours = np.empty((len(COLUMNS), 0))
    for which in (its_own, lent):
        series = store.connection.execute(f"SELECT id FROM series WHERE {which} ORDER BY id", (site, tray, channel))
        numbers = [number for (number,) in series.fetchall()]
        hours, _ = all_hours(store.connection, store.raw, numbers, start_ms // HOUR_MS, FAR_MS // HOUR_MS)
        if hours.shape[1]:
            break
    hours = hours[:, np.argsort(hours[0], kind="stable")]
    frame = pd.DataFrame(dict(zip(COLUMNS, hours, strict=True)))[columns[1:]]
    frame.insert(0, "time_ms", hours[0].astype(np.int64) * HOUR_MS)
    return frame_times(frame, ["time"])[columns]


def nodes(store: Store, site: str) -> list[NodeState]:
    with store.raw.one_moment():
        return _nodes(store, site, notes_of(store.connection))


def _nodes(store: Store, site: str, notes: Notes) -> list[NodeState]:
    found = store.connection.execute(
        "SELECT node, here, here_ms, last_message_ms, boot, dropped_messages, dropped_readings, spoilt_records, faults,"
        " timetable_until_s FROM node WHERE site = ? ORDER BY node",
        (site,),
    ).fetchall()
    states = []
    for node, here, here_ms, kept_ms, kept_boot, messages, readings, spoilt, faults, until_s in found:
        boot, last_ms = heard_again((kept_boot, kept_ms or 0), notes.heard.get((site, node), (None, 0)))
        of_boots = _boots(store, site, node, boot, notes)
        missing = sum(last - first + 1 for each in of_boots for first, last in each.missing)
        states.append(
            NodeState(
                site,
                node,
                None if here is None else bool(here),
                _time(here_ms),
                _time(last_ms or None),
                boot,
                missing,
                sum(each.gone for each in of_boots),
                messages,
                readings,
                spoilt,
                tuple(faults.split()),
                tuple(each for each in of_boots if each.missing or each.boot == boot),
                _time(None if until_s is None else 1000 * until_s),
            )
        )
    return states


def _boots(store: Store, site: str, node: str, boot: str | None, notes: Notes) -> list[BootState]:
    """The boots of a node of which more is to be said than that all came: those with something between their numbers,
    or without the first ones, and `boot`. A node that starts twice a day has thousands of others."""
    which = (
        "SELECT boot FROM message_range WHERE site = ?1 AND node = ?2 GROUP BY boot"
        " HAVING count(*) > 1 OR min(first_seq) > 1 OR boot = ?3"
    )
    came = _ranges(store, f"message_range WHERE site = ?1 AND node = ?2 AND boot IN ({which})", (site, node, boot))
    for of_site, of_node, name in notes.numbers:
        ranges = notes.numbers[of_site, of_node, name]
        if (of_site, of_node) == (site, node) and ranges is not None:
            came[name] = ranges
    came = {
        name: ranges
        for name, ranges in sorted(came.items())
        if len(ranges) > 1 or name == boot or (ranges and ranges[0][0] > 1)
    }
    said_gone = {
        name: _ranges(store, "message_gap WHERE site = ? AND node = ? AND boot = ?", (site, node, name)).get(name, [])
        for name in came
    }
    folded = dict(
        store.connection.execute(
            "SELECT boot, sum(came) FROM message_gap WHERE site = ? AND node = ? GROUP BY boot", (site, node)
        ).fetchall()
    )
    found = []
    for name, ranges in came.items():
        numbers = MessageNumbers(ranges)
        settled = MessageNumbers([*ranges, *said_gone.get(name, [])])
        missing = tuple(settled.missing(settled.highest()))
        never = sum(last - first + 1 for first, last in numbers.missing(numbers.highest()))
        gone = never - sum(last - first + 1 for first, last in missing) - folded.get(name, 0)
        found.append(BootState(name, settled.upto(), settled.highest(), missing, max(0, gone)))
    return found


def counters(store: Store) -> dict[str, int]:
    """Since the home was made: `received` messages, `doubled` ones, `readings`, `set_aside`."""
    with store.raw.one_moment():
        found = dict(store.connection.execute("SELECT name, value FROM counter WHERE name != 'home_id'").fetchall())
        noted = notes_of(store.connection).counts
    every = dict.fromkeys(("received", "doubled", "readings", "set_aside"), 0) | found
    return every | {name: every.get(name, 0) + count for name, count in noted.items()}


def newest_received_ms(store: Store) -> int | None:
    """When the last message of any node was received [ms since 1970], by the clock of then; None: there is none."""
    with store.raw.one_moment():
        (newest,) = store.connection.execute("SELECT max(last_message_ms) FROM node").fetchone()
        noted = [last_ms for _, last_ms in notes_of(store.connection).heard.values()]
    return max((each for each in (newest, *noted) if each is not None), default=None)


def evidence_span_ms(store: Store, site: str, tray: str, channels: Sequence[str]) -> tuple[int, int] | None:
    """Times of the first and last reading of a tray's channels; None if there is none."""
    if store.elsewhere is not None:
        return store.elsewhere.span_ms(site, tray, channels)
    series = _series(store, site, tray, channels)
    first = [first_ms for number in series if (first_ms := store.raw.first_ms(number)) is not None]
    last = [found[0] for number in series if (found := store.raw.last(number)) is not None]
    return (min(first), max(last)) if first else None


def is_measured(store: Store, site: str, tray: str) -> bool:
    """Whether there was ever a reading of a tray."""
    row = store.connection.execute("SELECT 1 FROM series WHERE site = ? AND tray = ? LIMIT 1", (site, tray)).fetchone()
    return row is not None


def last_before_ms(store: Store, site: str, tray: str, channels: Sequence[str], time_ms: int) -> int | None:
    """Time of the last reading of a tray's channels before a time; None if there is none."""
    last = [store.raw.last(number, time_ms) for number in _series(store, site, tray, channels)]
    return max((found[0] for found in last if found is not None), default=None)


def for_trays(store: Store, site: str, hours: pd.DataFrame) -> pd.DataFrame:
    """Hourly summaries by tray: what a node measures of its own place holds for the trays it serves,
    as far as these have no readings of that channel of their own."""
    of_nodes = hours["tray"] == ""
    if not of_nodes.any():
        return hours
    shared, own = hours[of_nodes].drop(columns="tray"), hours[~of_nodes]
    if store.elsewhere is not None:
        serves = store.elsewhere.latest(site)[["node", "tray"]].query("tray != ''").drop_duplicates()
    else:
        serves = pd.DataFrame(
            store.connection.execute(
                "SELECT DISTINCT node, tray FROM series WHERE site = ? AND tray != ''", (site,)
            ).fetchall(),
            columns=["node", "tray"],
        )
    lent = shared.merge(serves[~serves["tray"].isin(own["tray"])], on="node")
    return pd.concat([own, lent[own.columns]], ignore_index=True)


def node_of_trays(store: Store, site: str) -> dict[str, str]:
    """Tray -> the node that measured in it last."""
    rows = store.connection.execute("SELECT id, tray, node FROM series WHERE site = ? AND tray != ''", (site,))
    lasts = [(store.raw.last(number) or (0, 0.0), tray, node) for number, tray, node in rows.fetchall()]
    return {tray: node for _, tray, node in sorted(lasts, key=lambda each: each[0][0])}


class SeriesKey(NamedTuple):
    """What one series measures, under its number in the record. `tray` is empty for a node's own place."""

    id: int
    site: str
    tray: str
    channel: str
    node: str


def all_series(store: Database, *, from_id: int = 0) -> list[SeriesKey]:
    """All series, by number."""
    rows = store.connection.execute(
        "SELECT id, site, tray, channel, node FROM series WHERE id >= ? ORDER BY id", (from_id,)
    )
    return [SeriesKey(*row) for row in rows.fetchall()]


def series_key(store: Database, number: int) -> SeriesKey:
    """The series of this number."""
    return SeriesKey(
        *store.connection.execute("SELECT id, site, tray, channel, node FROM series WHERE id = ?", (number,)).fetchone()
    )


HOUR_COLUMNS = ("n", "mean", "min", "max", "integral", "covered_s", "above_s")
_HOUR = f"SELECT series, hour, {', '.join(HOUR_COLUMNS)} FROM hourly"


def hours_after(store: Database, series: int, hour: int, *, most: int) -> list[tuple[Any, ...]]:
    """The next hourly summaries of the table by series and hour: both, then HOUR_COLUMNS. Those that only the tail has
    come when they are folded."""
    with store.raw.one_moment():
        rows = store.connection.execute(
            f"{_HOUR} WHERE (series, hour) > (?, ?) ORDER BY series, hour LIMIT ?", (series, hour, most)
        ).fetchall()
        found = hours_with_tail(store.connection, store.raw, rows, {row[0] for row in rows})
    return [found[row[:2]] for row in rows]


def readings_by_hour(store: Database, series: int, start_ms: int) -> list[tuple[int, int]]:
    """How many readings of a series there are in each hour (since 1970) that ends after a time."""
    with store.raw.one_moment():
        counts = dict(
            store.connection.execute(
                "SELECT hour, n FROM hourly WHERE series = ? AND hour >= ?", (series, start_ms // HOUR_MS)
            ).fetchall()
        )
        for hour, count in counted_by_hour(store.raw, series).items():
            if hour >= start_ms // HOUR_MS:
                counts[hour] = counts.get(hour, 0) + count
    return sorted(counts.items())


def last_times_ms(store: Store) -> dict[int, int]:
    """Of each series the time of its last reading [ms since 1970]."""
    lasts = ((series.id, store.raw.last(series.id)) for series in all_series(store))
    return {number: last[0] for number, last in lasts if last is not None}


def hours_of(store: Database, keys: Iterable[tuple[int, int]]) -> list[tuple[Any, ...]]:
    """The hourly summaries of these series and hours, as far as there are any: both, then HOUR_COLUMNS."""
    wanted = list(keys)
    with store.raw.one_moment():
        rows = (store.connection.execute(f"{_HOUR} WHERE series = ? AND hour = ?", key).fetchone() for key in wanted)
        known = [row for row in rows if row is not None]
        found = hours_with_tail(store.connection, store.raw, known, {series for series, _ in wanted})
    return [found[key] for key in wanted if key in found]


def hours_about(store: Database) -> int:
    """About how many hourly summaries there are, at most: the series times the hours of the longest one. Without those
    of the tail, a day at most."""
    series, hours = store.connection.execute(
        "SELECT count(*), coalesce(max((SELECT max(hour) FROM hourly WHERE series = id)"
        " - (SELECT min(hour) FROM hourly WHERE series = id)), 0) FROM series"
    ).fetchone()
    return int(series * hours)


def measured_until(store: Database, until_ms: int | None) -> tuple[Any, ...]:
    """What changes when an hour or a cycle up to a time does (None: any): how many there are, and of what.

    Takes part of a second on a long record.
    """
    last_ms = FAR_MS if until_ms is None else until_ms
    with store.raw.one_moment():
        hours = store.connection.execute(
            "SELECT count(*), total(n), total(covered_s) FROM hourly WHERE hour <= ?", (last_ms // HOUR_MS,)
        ).fetchone()
        tail = store.raw.tail.all()["time_ms"]
        cycles = store.connection.execute(
            "SELECT count(*), total(dry_ms), total(wet_s) FROM cycle"
            " WHERE coalesce(flood_start_ms, flood_reached_ms, drain_start_ms, 0) <= ?",
            (last_ms,),
        ).fetchone()
    tail = tail[tail < (last_ms // HOUR_MS + 1) * HOUR_MS]
    return (*hours, len(tail), int(tail.max(initial=0))), cycles


def here_reports(store: Database) -> list[tuple[str, str, bool, int, str, int | None]]:
    """Of each node that ever said so: site, node, whether it is connected, since when [ms since 1970], its faults, and
    until when its timetable holds [s since 1970]."""
    rows = store.connection.execute(
        "SELECT site, node, here, here_ms, coalesce(faults, ''), timetable_until_s FROM node WHERE here IS NOT NULL"
    )
    return [(site, node, bool(here), *rest) for site, node, here, *rest in rows.fetchall()]


def nodes_heard(store: Database) -> list[tuple[str, str, datetime | None]]:
    """Site, node, and when it was last heard, of all sites."""
    with store.raw.one_moment():
        rows = store.connection.execute(
            "SELECT site, node, last_message_ms, here_ms FROM node ORDER BY site, node"
        ).fetchall()
        heard = notes_of(store.connection).heard
    found = []
    for site, node, last_ms, here_ms in rows:
        _, noted_ms = heard.get((site, node), (None, 0))
        found.append((site, node, _time(max(last_ms or 0, noted_ms) or here_ms)))
    return found


def nodes_that_measured(store: Database) -> set[tuple[str, str]]:
    """Site and node of all that ever measured in a tray."""
    return set(store.connection.execute("SELECT DISTINCT site, node FROM series WHERE tray != ''").fetchall())


def since_ms(time: datetime | None) -> int:
    return 0 if time is None else to_ms(time)


def _series(store: Store, site: str, tray: str, channels: Sequence[str]) -> list[int]:
    marks = ", ".join("?" * len(channels))
    rows = store.connection.execute(
        f"SELECT id FROM series WHERE site = ? AND tray = ? AND channel IN ({marks})", (site, tray, *channels)
    )
    return [number for (number,) in rows.fetchall()]


def _ranges(store: Store, of: str, values: Sequence[str | None]) -> dict[str, list[tuple[int, int]]]:
    found: dict[str, list[tuple[int, int]]] = {}
    rows = store.connection.execute(f"SELECT boot, first_seq, last_seq FROM {of} ORDER BY boot, first_seq", values)
    for boot, first, last in rows.fetchall():
        found.setdefault(boot, []).append((first, last))
    return found


def _time(time_ms: int | None) -> datetime | None:
    return None if time_ms is None else from_ms(time_ms)
