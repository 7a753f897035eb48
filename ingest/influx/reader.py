"""Readings and hourly summaries asked of InfluxDB, of all sites that recorders pass on there.

Comes in: sites, trays, channels, times. Goes out: the same frames as `queries` gives of one home's own record.
Nothing is written.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pandas as pd

from tidetray.ingest.core.readings import CHANNELS, from_ms, to_ms
from tidetray.ingest.influx.client import HOUR_FIELDS, Influx, where
from tidetray.ingest.influx.queue import DAILY, HOURLY, READING
from tidetray.ingest.store.hourly import HOUR_MS

_LAST_MS = round(datetime(2260, 1, 1, tzinfo=UTC).timestamp() * 1000)
"""The server's times end in 2262."""

_READINGS = """from(bucket: _bucket) |> range(start: _start, stop: _stop) |> filter(fn: (r) => MINE)
|> keep(columns: ["_time", "_value", "node", "channel"]) |> group()"""

_LEAD = """from(bucket: _bucket) |> range(start: 0, stop: _start) |> filter(fn: (r) => MINE) |> last()
|> keep(columns: ["_time", "_value", "node", "channel"]) |> group()"""

_FIRST = """from(bucket: _bucket) |> range(start: 0, stop: _stop) |> filter(fn: (r) => MINE) |> first()
|> keep(columns: ["_time", "_value", "node", "channel"]) |> group()"""

_LATEST = """from(bucket: _bucket) |> range(start: 0, stop: _stop) |> filter(fn: (r) => MINE) |> last()
|> keep(columns: ["_time", "_value", "site", "tray", "node", "channel"]) |> group()"""

_SUMMARIES = """from(bucket: _bucket) |> range(start: _start, stop: _stop) |> filter(fn: (r) => MINE)
|> pivot(rowKey: ["_time"], columnKey: ["_field"], valueColumn: "_value")
|> drop(columns: ["_start", "_stop", "_measurement"]) |> group()"""


class InfluxReader:
    """Use one per thread; every call asks the server. InfluxError says why it cannot answer."""

    def __init__(self, influx: Influx) -> None:
        self._influx = influx
        self.records_here = influx.settings.forward

    def close(self) -> None:
        self._influx.close()

    def readings(
        self,
        site: str,
        tray: str,
        channels: Sequence[str],
        *,
        start_ms: int = 0,
        end_ms: int = _LAST_MS,
        lead: bool = False,
    ) -> pd.DataFrame:
        """As `queries.readings`: `time, channel, value`, by channel and time."""
        if not channels:
            return _readings(pd.DataFrame())
        mine = where(_measurement=READING, site=site, tray=tray, channel=channels)
        parts = [self._ask(_READINGS, mine, start_ms, end_ms)]
        if lead and start_ms > 0:
            parts.append(self._ask(_LEAD, mine, start_ms, end_ms))
        return _readings(pd.concat(parts, ignore_index=True))

    def hourly(self, site: str, channel: str, *, start_ms: int = 0, end_ms: int = _LAST_MS) -> pd.DataFrame:
        """As `queries.hourly`: of one channel over all trays of a site."""
        if channel not in CHANNELS:
            raise ValueError(f"no channel {channel!r}: choose one of {', '.join(CHANNELS)}")
        mine = where(_measurement=HOURLY, site=site, channel=channel)
        start_ms, end_ms = start_ms // HOUR_MS * HOUR_MS, -(-end_ms // HOUR_MS) * HOUR_MS
        found = self._ask(_SUMMARIES, mine, start_ms, end_ms, bucket=self._influx.settings.hourly_bucket)
        columns = ["node", "tray", *HOUR_FIELDS, "time"]
        frame = _typed(found, ["node", "tray"], list(HOUR_FIELDS))[columns]
        return frame.astype({"n": "int64"}).sort_values(["tray", "node", "time"], ignore_index=True)

    def latest(self, site: str | None = None) -> pd.DataFrame:
        """The last reading of every series: `node, tray, channel, value, time`; without `site` of all, and `site`
        first."""
        mine = where(_measurement=READING) if site is None else where(_measurement=READING, site=site)
        frame = _typed(self._ask(_LATEST, mine, 0, _LAST_MS), ["site", "node", "tray", "channel"], ["value"])
        columns = ["node", "tray", "channel", "value", "time"]
        if site is None:
            columns.insert(0, "site")
        return frame.sort_values(["site", "tray", "channel", "node"], ignore_index=True)[columns]

    def span_ms(self, site: str, tray: str, channels: Sequence[str]) -> tuple[int, int] | None:
        """As `queries.evidence_span_ms`: of the first and the last reading of a tray's channels."""
        mine = where(_measurement=READING, site=site, tray=tray, channel=channels)
        ends = [_times(self._ask(flux, mine, 0, _LAST_MS)) for flux in (_FIRST, _LATEST)]
        if ends[0].empty:
            return None
        return to_ms(ends[0].min()), to_ms(ends[1].max())

    def days(self, site: str | None = None, *, start_ms: int = 0) -> pd.DataFrame:
        """Days (UTC) as the server makes them of the hours: `site, tray, node, channel, time, n, mean, min, max,
        integral, covered_s`."""
        mine = where(_measurement=DAILY) if site is None else where(_measurement=DAILY, site=site)
        found = self._ask(_SUMMARIES, mine, start_ms, _LAST_MS, bucket=self._influx.settings.hourly_bucket)
        names, numbers = ["site", "tray", "node", "channel"], ["n", "min", "max", "integral", "covered_s"]
        frame = _typed(found, names, numbers)
        frame["mean"] = frame["integral"] / frame["covered_s"].where(frame["covered_s"] > 0)
        frame = frame.sort_values([*names, "time"], ignore_index=True)
        return frame[[*names, "time", "n", "mean", "min", "max", "integral", "covered_s"]]

    def _ask(
        self, flux: str, mine: tuple[str, dict[str, str]], start_ms: int, end_ms: int, *, bucket: str | None = None
    ) -> pd.DataFrame:
        values = {
            "_bucket": self._influx.settings.bucket if bucket is None else bucket,
            "_start": from_ms(max(0, start_ms)),
            "_stop": from_ms(min(end_ms, _LAST_MS)),
        }
        if start_ms >= end_ms:
            return pd.DataFrame()
        condition, words = mine
        used = {name: value for name, value in values.items() if name in flux}
        return self._influx.ask(flux.replace("MINE", condition), {**used, **words})


def _typed(found: pd.DataFrame, words: list[str], numbers: list[str]) -> pd.DataFrame:
    """The server's text as `time` [ms, UTC], `words` (empty where there is no such tag) and `numbers` (NaN
    where none)."""
    frame = pd.DataFrame({"time": _times(found)})
    for name in words:
        frame[name] = found[name].astype("str") if name in found else ""
    frame = frame.astype(dict.fromkeys(words, "str"))
    source = found.rename(columns={"_value": "value"})
    for name in numbers:
        frame[name] = _numbers(source[name]) if name in source else np.nan
    return frame.astype(dict.fromkeys(numbers, "float64"))


def _times(found: pd.DataFrame) -> pd.Series[Any]:
    texts = found["_time"] if "_time" in found else pd.Series([], dtype="str")
    return pd.to_datetime(texts, format="ISO8601", utc=True).astype("datetime64[ms, UTC]")


def _numbers(texts: pd.Series[Any]) -> pd.Series[Any]:
    """Each text as the very double that was written: to_numeric would miss it by a last digit."""
    return pd.Series([float(text) if text else np.nan for text in texts], index=texts.index, dtype="float64")


def _readings(found: pd.DataFrame) -> pd.DataFrame:
    frame = _typed(found, ["node", "channel"], ["value"])
    names = pd.Index(sorted(set(frame["channel"])))
    frame = frame.sort_values(["channel", "node", "time"], ignore_index=True)
    frame["channel"] = pd.Categorical(frame["channel"], categories=names) if len(names) else ""
    return frame[["time", "channel", "value"]]
