"""How a column is shown: heading, unit, factor, decimals, said once for page, command, report and downloads.

In: frames in SI units, with names from the analysis. Out: the text of a cell, or plain values for machines. A name that
means the same everywhere is in `COLUMNS`; an estimate, whose meaning depends on its table, is in that table's own
columns below.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

NOT_KNOWN = "–"


@dataclass(frozen=True, slots=True)
class Column:
    """How one column is shown.

    Parameters
    ----------
    heading : str
        What people read above it, with the unit after `factor`.
    decimals : int or None
        Digits after the point; None for text, times and whole numbers, and for numbers of any size, which get four
        significant digits.
    factor : float
        From the unit of the frame to that of the heading.
    most : float or None
        In the unit of the heading: more is written as `> 99`, because nothing is found for certain.
    positive : bool
        Above zero by its nature, as a p-value is: a zero is one that the machine could not hold.
    """

    heading: str
    decimals: int | None = None
    factor: float = 1.0
    most: float | None = None
    positive: bool = False


Columns = Mapping[str, Column]
"""The columns of a table in the order in which they are shown."""

_MM, _PERCENT, _MINUTES = 1000.0, 100.0, 1 / 60


def _cover(of: str) -> Column:
    return Column(f"{of} known %", 0, _PERCENT)


COLUMNS: Columns = {
    # what and where
    "tray": Column("tray"),
    "pot": Column("pot"),
    "treatment": Column("treatment"),
    "stock": Column("stock"),
    "site": Column("site"),
    "node": Column("node"),
    "channel": Column("channel"),
    "unit": Column("unit"),
    "block": Column("block"),
    "lamp": Column("lamp"),
    "culture": Column("culture"),
    "row": Column("row"),
    "column": Column("column"),
    "n_trays": Column("trays", 0),
    "n_pots": Column("pots", 0),
    "trays": Column("trays", 0),
    "pots": Column("pots", 0),
    "trays_in_all": Column("trays in all", 0),
    "pots_in_all": Column("pots in all", 0),
    # trays as they are now, and their cycles
    "state": Column("now"),
    "since": Column("since"),
    "level_m": Column("level mm", 0, _MM),
    "last_flood": Column("last flood"),
    "last_reading": Column("last reading"),
    "failure": Column("failed cycle"),
    "failed_at": Column("failed at"),
    "flood_start": Column("flood"),
    "flood_reached": Column("mark reached"),
    "drain_start": Column("drain"),
    "dry": Column("dry"),
    "fill_s": Column("fill s", 0),
    "wet_s": Column("wet min", 1, _MINUTES),
    "drain_s": Column("drain s", 0),
    "peak_level_m": Column("peak mm", 0, _MM),
    "outcome": Column("outcome"),
    "failed": Column("failed cycles", 0),
    # readings
    "time": Column("time"),
    "value": Column("value"),
    "mean": Column("mean"),
    "min": Column("least"),
    "max": Column("most"),
    # exposure and environment of an interval, a day or a trial
    "start": Column("from"),
    "end": Column("to"),
    "day": Column("day", 0),
    "hours": Column("hours", 1),
    "wet_h": Column("wet h", 1),
    "dry_h": Column("dry h", 1),
    "unknown_h": Column("unknown h", 1),
    "wet_lit_h": Column("wet lit h", 1),
    "wet_dark_h": Column("wet dark h", 1),
    "dry_lit_h": Column("dry lit h", 1),
    "dry_dark_h": Column("dry dark h", 1),
    "wet_most_h": Column("wet at most h", 1),
    "dry_most_h": Column("dry at most h", 1),
    "wet_h_day": Column("wet h/day", 1),
    "dry_h_day": Column("dry h/day", 1),
    "wet_h_d": Column("wet h/day", 1),
    "dry_h_d": Column("dry h/day", 1),
    "dry_lit_h_d": Column("dry and lit h/day", 1),
    "dry_dark_h_d": Column("dry and dark h/day", 1),
    "unknown_share": Column("unknown %", 1, _PERCENT),
    "floods": Column("floods", 0),
    "floods_d": Column("floods a day", 1),
    "dry_spell_mean_h": Column("dry spell h", 1),
    "dry_spell_longest_h": Column("longest dry h", 0),
    "wet_spell_mean_h": Column("wet spell h", 1),
    "dli_mol_m2_d": Column("light mol/m²/day", 1),
    "light_mol_m2_d": Column("light mol/m²/day", 1),
    "dry_light_mol_m2_d": Column("light while dry mol/m²/day", 1),
    "plant_light_mol_m2_d": Column("light on the plants mol/m²/day", 1),
    "light_factor": Column("light factor", 2),
    "light_known_h": Column("light known h", 1),
    "light_cover": _cover("light"),
    "water_depth_m": Column("water above mm", 0, _MM),
    "attenuation_per_m": Column("water dims 1/m", 1),
    "air_temp_c": Column("air °C", 1),
    "air_temp_cover": _cover("air"),
    "water_temp_c": Column("water °C", 1),
    "water_temp_cover": _cover("water"),
    "degree_h_d": Column("degree h/day", 0),
    "vpd_dry_kpa": Column("VPD while dry kPa", 2),
    "vpd_dry_cover": _cover("VPD"),
    # degree days
    "days": Column("days", 0),
    "days_known": Column("days known", 0),
    "mean_c": Column("mean °C", 1),
    "least_c": Column("least °C", 1),
    "greatest_c": Column("greatest °C", 1),
    "known_h": Column("known h", 1),
    "hours_dd": Column("degree days °C d", 0),
    "per_day_dd": Column("degree days a day °C d", 1),
    "sine_dd": Column("sine °C d", 0),
    "triangle_dd": Column("triangle °C d", 0),
    "mean_dd": Column("mean °C d", 0),
    "clamped_dd": Column("mean, clamped °C d", 0),
    # weigh-ins and growth
    "number": Column("entry"),
    "replicate": Column("replicate"),
    "blotted": Column("blotted"),
    "gross_g": Column("gross g", 2),
    "tare_g": Column("tare g", 2),
    "net_g": Column("net g", 2),
    "mean_g": Column("mean g", 2),
    "mass_start_g": Column("first g", 2),
    "mass_end_g": Column("last g", 2),
    "rgr_per_day": Column("growth %/day", 2, _PERCENT),
    "doubling_d": Column("doubles in days", 1),
    "rgr_u_per_day": Column("± weighing", 2, _PERCENT),
    "who": Column("who"),
    "note": Column("note"),
    "why": Column("why"),
    "entered": Column("entered"),
    "entered_by": Column("changed by"),
    "reason": Column("why"),
    "stands": Column("in force"),
    "replaces": Column("replaces"),
    "removed": Column("removed"),
    # events
    "kind": Column("what"),
    "takes_back": Column("takes back"),
    # schedules
    "dose": Column("dose", 1),
    "floods_day": Column("floods a day", 0),
    "hold_minutes": Column("min each", 0),
    "expected": Column("expected %/day", 2, _PERCENT),
    "near_best": Column("chance within 2 % of best %", 0, _PERCENT),
    "is_present_best": Column("best so far"),
    # curves against a dose
    "curve": Column("curve"),
    "rss": Column("RSS"),
    "aicc": Column("AICc", 1),
    "delta": Column("above the least", 1),
    "weight": Column("weight", 2),
    "x0": Column("levels off at", 1),
    # plans
    "first_run": Column("first run"),
    "second_run": Column("second run"),
    "power": Column("found %", 0, _PERCENT, most=99),
    # alarms
    "place": Column("place"),
    "name": Column("name"),
    "alarm": Column("alarm"),
    "priority": Column("priority"),
    "detail": Column("detail"),
    "raised": Column("raised"),
    "returned": Column("returned"),
    "acknowledged": Column("acknowledged"),
    "acknowledged_by": Column("by"),
    "to_acknowledge_min": Column("after min", 0),
    "times": Column("times"),
}
"""Column -> how it is shown, where the name says what it is."""


def columns(*names: str) -> dict[str, Column]:
    """Columns by their names, as `COLUMNS` has them; a name that is not there is its own heading."""
    return {name: COLUMNS.get(name, Column(name.replace("_", " "))) for name in names}


def _estimate(heading: str, decimals: int, factor: float = 1.0) -> dict[str, Column]:
    """An estimate and its 95 % interval."""
    return {
        "estimate": Column(heading, decimals, factor),
        "low": Column("from", decimals, factor),
        "high": Column("to", decimals, factor),
    }


_DF = {"df": Column("df", 1)}
_P = {"p": Column("p", 4, positive=True)}
_PAIR = {"a": Column("treatment"), "b": Column("less")}

MEANS = columns("treatment") | _estimate("mean g", 3) | columns("n_trays", "n_pots")
PAIRS = _PAIR | _estimate("g", 3) | {"percent": Column("%", 0)} | _DF | _P
RATES = (
    columns("treatment")
    | {
        "rate_per_day": Column("growth %/day", 2, _PERCENT),
        "low_per_day": Column("from", 2, _PERCENT),
        "high_per_day": Column("to", 2, _PERCENT),
        "doubling_d": Column("doubles in days", 1),
        "doubling_low_d": Column("from", 1),
        "doubling_high_d": Column("to", 1),
    }
    | columns("n_trays", "n_pots")
)
RATE_PAIRS = _PAIR | _estimate("percentage points a day", 2, _PERCENT) | _DF | _P
TESTS = {
    "term": Column("of"),
    "method": Column("method"),
    "f": Column("F", 3),
    "df_num": Column("df", 0),
    "df_den": Column("and", 1),
    **_P,
}
LAG = (
    columns("treatment", "stock")
    | {"lost_d": Column("days lost", 1), "low": Column("from", 1), "high": Column("to", 1)}
    | _P
    | columns("n_trays")
)
EFFECTS = {
    "label": Column("cause"),
    "more": Column("one step more"),
    "effect": Column("growth %/day a step", 2),
    "effect_low": Column("from", 2),
    "effect_high": Column("to", 2),
    **_P,
    **_DF,
    "level": Column("measured by"),
    "trays_told_by": Column("rests on trays", 1),
    "std_estimate": Column("in standard deviations", 2),
    "vif": Column("VIF", 1),
    "effect_without_low": Column("least without a tray", 2),
    "effect_without_high": Column("most without a tray", 2),
}
"""Effects for one step more of each cause, in % a day."""
EFFECTS_PRINTED = {
    name: EFFECTS[name]
    for name in ("label", "more", "effect", "effect_low", "effect_high", "p", "df", "trays_told_by", "vif")
}
"""Those that a printed page has room for."""

FEATURES = {
    "label": Column("of the place"),
    **_estimate("growth %/day each", 2, _PERCENT),
    "f": Column("F", 2),
    "df_num": Column("df", 0),
    "df_den": Column("of", 0),
    **_P,
    "p_adjusted": Column("p, Holm", 4, positive=True),
    "share": Column("share %", 0, _PERCENT),
    **columns("n_pots", "n_trays"),
}
SPLIT = columns("day", "n_pots", "n_trays") | {
    "sd_pct": Column("pots differ by %", 0),
    "total": Column("ln mass variance", 4),
    "tray": Column("tray", 4),
    "tray_share_low": Column("tray at least %", 0, _PERCENT),
    "tray_share_high": Column("tray at most %", 0, _PERCENT),
    "place": Column("place", 4),
    "scale": Column("scale", 4),
    "rest": Column("everything else", 4),
}
WENT_THROUGH = columns(
    "treatment",
    "tray",
    "unknown_share",
    "wet_h_d",
    "dry_h_d",
    "dry_lit_h_d",
    "dry_dark_h_d",
    "floods_d",
    "dry_spell_longest_h",
    "light_mol_m2_d",
    "plant_light_mol_m2_d",
    "water_depth_m",
    "attenuation_per_m",
    "air_temp_c",
    "water_temp_c",
    "degree_h_d",
    "vpd_dry_kpa",
)
CONDITIONS = columns(
    "treatment",
    "tray",
    "wet_h_d",
    "dry_h_d",
    "unknown_share",
    "floods_d",
    "failed",
    "light_mol_m2_d",
    "light_cover",
    "air_temp_c",
    "air_temp_cover",
    "water_temp_c",
    "water_temp_cover",
    "vpd_dry_kpa",
)
POTS_GROWTH = columns(
    "pot",
    "tray",
    "treatment",
    "rgr_per_day",
    "rgr_u_per_day",
    "dry_h_day",
    "wet_h_day",
    "unknown_h",
    "mass_start_g",
    "mass_end_g",
    "days",
    "floods",
    "dli_mol_m2_d",
    "dry_lit_h",
    "dry_dark_h",
    "wet_lit_h",
    "wet_dark_h",
)
TRAYS_GROWTH = columns(
    "treatment", "tray", "pots", "days", "mass_start_g", "mass_end_g", "rgr_per_day", "rgr_u_per_day"
)
TREATMENTS_GROWTH = columns(
    "treatment", "rgr_per_day", "doubling_d", "mass_start_g", "mass_end_g", "days", "trays", "pots"
)
POWER = columns("trays", "trays_in_all", "pots", "pots_in_all", "power") | {
    "trays": Column("trays each", 0),
    "pots": Column("pots per tray", 0),
}
FLAGGED = {"channel": Column("quantity"), "tray": Column("tray"), "flag": Column("why")}
WARMTH = columns(
    "tray", "days", "days_known", "mean_c", "hours_dd", "per_day_dd", "sine_dd", "triangle_dd", "mean_dd", "clamped_dd"
)
WARMTH_BRIEF = columns("tray", "days_known", "mean_c", "per_day_dd", "hours_dd")
"""Of the method that measures, and what a grower compares."""
CURVES = columns("curve", "aicc", "delta", "weight", "x0")


def next_trial(dose: str, *, in_days: bool) -> dict[str, Column]:
    """The schedules of a next trial.

    `dose` in words, such as dry hours a day; `in_days` where days to a saleable mass are expected, not growth.
    """
    shown = columns("dose", "floods_day", "hold_minutes", "trays", "expected", "near_best", "is_present_best")
    shown["dose"] = Column(dose, 1)
    if in_days:
        shown["expected"] = Column("expected days", 1)
    return shown


def predictions(*, in_days: bool) -> dict[str, Column]:
    """What was predicted of schedules before a trial, beside what happened."""
    figure = partial(Column, decimals=1) if in_days else partial(Column, decimals=2, factor=_PERCENT)
    return columns("trial", "treatment", "dose") | {
        "measured_dose": Column("measured dose", 1),
        "expected": figure("predicted days" if in_days else "predicted %/day"),
        "low": figure("from"),
        "high": figure("to"),
        "happened": figure("happened"),
        "inside": Column("within"),
        "is_best": Column("best so far"),
    }


_WORTH = (
    ("days", "days to sale", "days", 0),
    ("pots_tray_month", "pots per tray-month", "pots", 1),
    ("kwh_pot", "kWh a pot", "kwh", 2),
    ("electricity_pot", "electricity a pot", "electricity", 2),
    ("earned_tray_month", "earned per tray-month", "earned", 1),
)
"""Figure, its heading, the beginning of its limits' names, digits after the point."""


def worth_of(worth: pd.DataFrame, dose: str) -> tuple[pd.DataFrame, Columns]:
    """What schedules are worth, each figure with its limits: '50 (40 to 61)'; and its columns, `dose` in words."""
    shown: dict[str, Column] = columns("dose", "floods_day", "hold_minutes") | {"dose": Column(dose, 1)}
    out = worth[list(shown)].copy()
    for name, heading, limits, digits in _WORTH:
        rows = worth[[name, f"{limits}_low", f"{limits}_high"]].to_numpy(dtype=float)
        out[name] = [
            f"{_digits(value, digits)} ({_digits(low, digits)} to {_digits(high, digits)})" for value, low, high in rows
        ]
        shown[name] = Column(heading)
    return out, shown


def _digits(value: float, digits: int) -> str:
    return f"{value:.{digits}f}".replace("-", "−") if np.isfinite(value) else NOT_KNOWN


ALARMS = {"number": Column("number")} | columns(
    "site",
    "place",
    "name",
    "alarm",
    "channel",
    "priority",
    "detail",
    "since",
    "raised",
    "returned",
    "acknowledged",
    "acknowledged_by",
    "to_acknowledge_min",
    "times",
)
ALARMS |= {"state": Column("state")}
TIMETABLE = {
    **columns("tray", "treatment"),
    "starts": Column("pump on (local)"),
    "wet_minutes": Column("wet min", 0),
    "next_flood": Column("next flood"),
    "sent_until": Column("node has it until"),
}

EVENTS = {"number": Column("event"), **columns("kind", "time", "pot", "tray")}


def number(value: float, column: Column) -> str:
    """A number as people read it: rounded, with a true minus; what would round to nothing as `< 0.01`."""
    scaled = float(value) * column.factor
    if column.most is not None and scaled > column.most:
        return f"> {column.most:g}"
    if column.decimals is None:
        said = f"{scaled:.4g}"
        return said.replace("-", "−")
    said = f"{scaled:.{column.decimals}f}"
    if (scaled or column.positive) and not float(said):
        least = f"{10.0**-column.decimals:.{column.decimals}f}"
        return f"< {least}" if scaled >= 0 else f"> −{least}"
    return said.replace("-", "−") if float(said) else said.removeprefix("-")


def text(value: Any, column: Column, zone: str = "UTC") -> str:
    """A cell as people read it: times in `zone`, yes and no, a dash where nothing is known."""
    if value is None or (not isinstance(value, list | tuple) and pd.isna(value)):
        return NOT_KNOWN
    if isinstance(value, datetime):
        return local(value, zone)
    if isinstance(value, bool | np.bool_):
        return "yes" if value else "no"
    if isinstance(value, int) and column.decimals is None and column.factor == 1:
        return str(value)
    if isinstance(value, str | list | tuple):
        return value if isinstance(value, str) else ", ".join(map(str, value))
    return number(float(value), column)


def local(time: datetime, zone: str) -> str:
    """A time of a table, in the trial's zone."""
    return f"{time.astimezone(ZoneInfo(zone)):%Y-%m-%d %H:%M}"


def is_numeric(values: pd.Series[Any]) -> bool:
    """Whether a column is set to the right."""
    return values.dtype.kind in "fiu"


def texts(table: pd.DataFrame, shown: Columns, zone: str = "UTC") -> list[list[str]]:
    """The rows of a table as people read them, with the columns `shown`, in that order."""
    return [
        [text(value, column, zone) for value, column in zip(row, shown.values(), strict=True)]
        for row in table[list(shown)].itertuples(index=False)
    ]


# for machines


def records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Rows as plain values: times as ISO 8601 in UTC with Z, what is not known or without a bound as null."""
    return [{str(name): plain(value) for name, value in row.items()} for row in frame.to_dict("records")]


def one_row(value: Any) -> pd.DataFrame:
    """A single value as a table, for `records` to make plain."""
    return pd.DataFrame({"value": [value]})


def plain(value: Any) -> Any:
    if value is None or (not isinstance(value, str | bool | list) and pd.isna(value)):
        return None
    if isinstance(value, datetime):
        return f"{value.astimezone(UTC).isoformat(timespec='milliseconds').removesuffix('+00:00')}Z"
    one = value.item() if hasattr(value, "item") else value
    return None if isinstance(one, float) and not math.isfinite(one) else one


_FORMULA = ("=", "+", "-", "@", "\t", "\r")


def as_csv(table: pd.DataFrame) -> str:
    """A file for a spreadsheet: all columns unrounded under their own names, times in UTC with Z, nothing where nothing
    is known.

    Text that a spreadsheet would take for a formula begins with an apostrophe: names and notes are typed by anybody.
    The data package (`ui/prints/export.py`) holds the same as it was typed, because it is read back.
    """
    rows = [{name: _harmless(value) for name, value in row.items()} for row in records(table)]
    return pd.DataFrame(rows, columns=list(table.columns)).to_csv(index=False, lineterminator="\n")


def _harmless(value: Any) -> Any:
    return f"'{value}" if isinstance(value, str) and value.startswith(_FORMULA) else value


def each_row(frame: pd.DataFrame) -> Iterator[Any]:
    """The rows of `frame` as named tuples; what a column holds is said where the frame is made, not by its type."""
    return iter(frame.itertuples())
