"""The tables of a comparison as they are shown."""

from __future__ import annotations

from tidetray.ui.columns import Shown

MEANS: Shown = {
    "treatment": ("treatment", 1, 0),
    "estimate": ("mean g", 1, 3),
    "low": ("from", 1, 3),
    "high": ("to", 1, 3),
    "n_trays": ("trays", 1, 0),
    "n_pots": ("pots", 1, 0),
}
PAIRS: Shown = {
    "a": ("treatment", 1, 0),
    "b": ("less", 1, 0),
    "estimate": ("g", 1, 3),
    "low": ("from", 1, 3),
    "high": ("to", 1, 3),
    "percent": ("%", 1, 0),
    "df": ("df", 1, 1),
    "p": ("p", 1, 4),
}
RATES: Shown = {
    "treatment": ("treatment", 1, 0),
    "rate_per_day": ("growth %/day", 100, 2),
    "low_per_day": ("from", 100, 2),
    "high_per_day": ("to", 100, 2),
    "doubling_d": ("doubles in days", 1, 1),
    "doubling_low_d": ("from", 1, 1),
    "doubling_high_d": ("to", 1, 1),
    "n_trays": ("trays", 1, 0),
    "n_pots": ("pots", 1, 0),
}
RATE_PAIRS: Shown = {
    "a": ("treatment", 1, 0),
    "b": ("less", 1, 0),
    "estimate": ("points of %/day", 100, 2),
    "low": ("from", 100, 2),
    "high": ("to", 100, 2),
    "df": ("df", 1, 1),
    "p": ("p", 1, 4),
}
TESTS: Shown = {
    "term": ("of", 1, 0),
    "method": ("method", 1, 0),
    "f": ("F", 1, 3),
    "df_num": ("df", 1, 0),
    "df_den": ("and", 1, 1),
    "p": ("p", 1, 4),
}
LAG: Shown = {
    "treatment": ("treatment", 1, 0),
    "stock": ("stock", 1, 0),
    "lost_d": ("days lost", 1, 1),
    "low": ("from", 1, 1),
    "high": ("to", 1, 1),
    "p": ("p", 1, 4),
    "n_trays": ("trays", 1, 0),
}
