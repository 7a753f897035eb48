"""InfluxDB 2: lines written, questions asked, and what stands in the way in plain words.

Comes in: the settings of [influx], readings and hourly summaries as rows. Goes out: points on the server, or an error
of one of two kinds: `PointsRefusedError` for what these points are, and no other try mends; `InfluxError` for
all else, which waits and tries again. Does not decide what is sent (`sender`) nor what is asked (`reader`).

Names from outside never become part of a question's text: they travel beside it, as literals of a syntax tree (`extern`
of the API), which the client makes of them. The server of this version knows no other parameters.
"""

from __future__ import annotations

import io
import json
import re
from collections.abc import Callable, Mapping, Sequence
from typing import Any, NamedTuple, Self, TypeVar

import pandas as pd
from influxdb_client import (
    Dialect,
    InfluxDBClient,
    Point,
    WritePrecision,
)
from influxdb_client.client.write_api import SYNCHRONOUS
from influxdb_client.rest import ApiException
from urllib3.exceptions import ConnectTimeoutError, HTTPError, NewConnectionError, ReadTimeoutError

from tidetray.ingest.core.readings import TidetrayError
from tidetray.ingest.settings.model import InfluxSettings
from tidetray.ingest.store.queries import HOUR_COLUMNS

HOUR_FIELDS = HOUR_COLUMNS

_POINTS_FAULTS = (400, 413, 422)
_T = TypeVar("_T")


class InfluxError(TidetrayError):
    """The server cannot be reached, or does not let us in, or cannot just now."""


class PointsRefusedError(Exception):
    """The server does not take these points, now or later. `all_of_them`: it said so of every one."""

    def __init__(self, reason: str, *, all_of_them: bool = False) -> None:
        self.reason, self.all_of_them = reason, all_of_them
        super().__init__(reason)


class Series(NamedTuple):
    """What a series is known by; `tray` is empty for a quantity of the node's own place."""

    site: str
    tray: str
    channel: str
    node: str


def line_start(measurement: str, series: Series) -> str:
    """The part of a line that all points of a series share, escaped; an empty tag is left out."""
    point = Point(measurement)
    for name, value in zip(Series._fields, series, strict=True):
        if value:
            point = point.tag(name, value)
    # a field and a time are needed for a whole line, which is cut off again
    return str(point.field("value", 0.0).time(0, WritePrecision.MS).to_line_protocol()).rsplit(" ", 2)[0]


def reading_line(start: str, time_ms: int, value: float) -> str:
    return f"{start} value={value!r} {time_ms}"


def hour_line(start: str, time_ms: int, fields: Sequence[float | None]) -> str:
    """`fields` as HOUR_FIELDS; None is left out."""
    known = [f"{name}={float(v)!r}" for name, v in zip(HOUR_FIELDS, fields, strict=True) if v is not None]
    return f"{start} {','.join(known)} {time_ms}"


def where(**words: str | Sequence[str]) -> tuple[str, dict[str, str]]:
    """The condition that each tag is the word, or one of the words: Flux, and the values of its free names.

    The names of tags are our own; nothing in a word is code. An empty word stands for a tag that is not there.
    """
    values: dict[str, str] = {}
    conditions = []
    for tag, wanted in words.items():
        either = []
        for word in [wanted] if isinstance(wanted, str) else wanted:
            name = f"_word{len(values)}"
            either.append(f'r["{tag}"] == {name}' if word else f'not exists r["{tag}"]')
            values[name] = word
        conditions.append(f"({' or '.join(either)})")
    return " and ".join(conditions), {name: word for name, word in values.items() if word}


class Influx:
    """A connection to the server. Used by one thread."""

    def __init__(self, settings: InfluxSettings, *, token: str | None = None) -> None:
        """InfluxError or SettingsError if there is no server or token to use."""
        if settings.url is None:
            raise InfluxError("no server is named", where="[influx]", mend="Give `url` under [influx]")
        self.settings = settings
        self.client = InfluxDBClient(
            url=settings.url,
            token=settings.read_token() if token is None else token,
            org=settings.org,
            timeout=round(settings.timeout_s * 1000),
            ssl_ca_cert=None if settings.ca_file is None else str(settings.ca_file),
        )
        self._write = self.client.write_api(write_options=SYNCHRONOUS)

    def close(self) -> None:
        self.client.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_exc: object) -> None:
        self.close()

    def write(self, bucket: str, lines: Sequence[str]) -> None:
        """All points are on the server when this returns. PointsRefusedError, or InfluxError.

        After PointsRefusedError some of them may be there (a partial write) or none (one line could not be read).
        """
        try:
            self._write.write(bucket=bucket, record="\n".join(lines), write_precision=WritePrecision.MS)
        except ApiException as error:
            if error.status in _POINTS_FAULTS:
                reason = _said(error)
                dropped = re.search(r"dropped=(\d+)", reason)
                everything = dropped is not None and int(dropped[1]) == len(lines)
                raise PointsRefusedError(reason, all_of_them=everything) from error
            raise self.trouble(error, f"to write into '{bucket}'") from error
        except (HTTPError, OSError) as error:
            raise self.trouble(error, f"to write into '{bucket}'") from error

    def ask(self, flux: str, values: Mapping[str, Any]) -> pd.DataFrame:
        """The rows of a Flux query, all columns as text. `values` are those of its free names: words and times."""

        def run() -> bytes:
            answer = self.client.query_api().query_raw(
                flux, dialect=Dialect(header=True, annotations=[], delimiter=","), params=dict(values)
            )
            return bytes(answer.data)

        data = self.tried(run, "to read")
        found = _rows(data)
        if "error" in found.columns and "reference" in found.columns:
            raise InfluxError(
                f"InfluxDB could not answer: {found['error'].iloc[0]}",
                where=str(self.settings.url),
                mend="Look at its log",
            )
        return found

    def tried(self, run: Callable[[], _T], what: str) -> _T:
        """The result of a call of the client's; InfluxError in plain words for what it raises. `what`: 'to read'."""
        try:
            return run()
        except (ApiException, HTTPError, OSError) as error:
            raise self.trouble(error, what) from error

    def trouble(self, error: Exception, what: str) -> InfluxError:
        url = str(self.settings.url)
        if isinstance(error, ApiException):
            told = {
                401: (
                    "the token is not known there",
                    "Correct `token_file` under [influx], or `tidetray check --prepare`",
                ),
                403: (f"the token is not allowed {what}", "Make another with `tidetray check --prepare`"),
                404: (
                    f"there is no organisation or bucket of that name {what}, or the token may not see it",
                    "Correct `org` and `bucket` under [influx], or `tidetray check --prepare`",
                ),
                429: ("the server has too much to do", "It is tried again"),
            }
            says = (f"the server is in trouble ({error.status}: {_said(error)})", "Look at its log; it is tried again")
            text, mend = told.get(error.status, says)
            return InfluxError(text, where=url, mend=mend)
        if isinstance(error, NewConnectionError):  # first: it counts as a ConnectTimeoutError
            text = "nothing answers there"
        elif isinstance(error, ConnectTimeoutError | ReadTimeoutError):
            text = f"no answer within {self.settings.timeout_s:g} s"
        else:
            text = f"the connection failed ({type(error).__name__}: {error})"
        return InfluxError(text, where=url, mend="Start InfluxDB, or correct `url` under [influx]; it is tried again")


def _said(error: ApiException) -> str:
    """What the server said, without its headers."""
    try:
        return str(json.loads(error.body)["message"])
    except (TypeError, ValueError, KeyError):
        return str(error.body or error.reason)[:500]


def _rows(data: bytes) -> pd.DataFrame:
    """Tables come one after the other, with a heading again after each empty line."""
    parts = [part for part in data.replace(b"\r\n", b"\n").split(b"\n\n") if part.strip()]
    if not parts:
        return pd.DataFrame()
    frames = [pd.read_csv(io.BytesIO(part), dtype="str", keep_default_na=False) for part in parts]
    return frames[0] if len(frames) == 1 else pd.concat(frames, ignore_index=True)
