"""A fingerprint of frames: two reports with the same one rest on the same data.

SHA-256 (FIPS 180-4) over every column's name and bytes: times as milliseconds since 1970 UTC and numbers as IEEE 754
doubles, both little-endian, texts as UTF-8, each once in the order in which they come, then a 32-bit number per row
(-1: none). The order of rows counts. Pure.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

_BETWEEN = b"\x1e"


def fingerprint(frames: Mapping[str, pd.DataFrame]) -> str:
    """A fingerprint of frames, whatever the order in which they are given.

    Parameters
    ----------
    frames : Mapping[str, DataFrame]
        Name -> frame.

    Returns
    -------
    str
        64 hexadecimal digits (SHA-256).
    """
    digest = hashlib.sha256()
    for name in sorted(frames):
        frame = frames[name]
        digest.update(f"{name} {len(frame)}".encode() + _BETWEEN)
        for column in frame.columns:
            digest.update(str(column).encode() + _BETWEEN + _bytes(frame[column]) + _BETWEEN)
    return digest.hexdigest()


def _bytes(column: pd.Series[Any]) -> bytes:
    if isinstance(column.dtype, pd.DatetimeTZDtype):
        times = column.dt.tz_convert("UTC").dt.tz_localize(None).astype("datetime64[ms]")
        return bytes(times.astype("int64").to_numpy().astype("<i8").tobytes())
    if column.dtype.kind in "fiub":
        values = column.to_numpy(dtype="float64", na_value=np.nan).astype("<f8")
        # every way of being no number is the same one, and so is every zero
        return np.where(np.isnan(values), np.nan, values + 0.0).tobytes()
    codes, texts = pd.factorize(column)  # a tray's name stands in every one of its hours
    return "\x1f".join(map(str, texts)).encode("utf-8", "surrogatepass") + _BETWEEN + codes.astype("<i4").tobytes()
