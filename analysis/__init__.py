"""From a record to answers: pure functions on frames, the record read in one folder only.

What `__all__` lists is public and keeps its names; everything else may change. Names are loaded when they are used.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from tidetray.analysis.compare.one_day import compare_treatments
    from tidetray.analysis.compare.over_time import compare_growth
    from tidetray.analysis.conditions.exposure import exposure
    from tidetray.analysis.conditions.light import dli, ppfd
    from tidetray.analysis.dose.fit import fit_response
    from tidetray.analysis.growth.curves import fit_curve
    from tidetray.analysis.growth.rates import relative_growth_rate
    from tidetray.analysis.plan.power import power, trays_needed
    from tidetray.analysis.questions.trial import open, read_package  # noqa: A004
    from tidetray.analysis.relations.positions import positions
    from tidetray.analysis.relations.relate import relate
    from tidetray.analysis.stats.morans_i import morans_i
    from tidetray.analysis.stats.unimodal import unimodal_regression
    from tidetray.ingest.core.vapour import dew_point_c, saturation_vapour_pressure_kpa, vpd_kpa

__all__ = [
    "compare_growth",
    "compare_treatments",
    "dew_point_c",
    "dli",
    "exposure",
    "fit_curve",
    "fit_response",
    "morans_i",
    "open",
    "positions",
    "power",
    "ppfd",
    "read_package",
    "relate",
    "relative_growth_rate",
    "saturation_vapour_pressure_kpa",
    "trays_needed",
    "unimodal_regression",
    "vpd_kpa",
]

_AT = {
    "compare_growth": "tidetray.analysis.compare.over_time",
    "compare_treatments": "tidetray.analysis.compare.one_day",
    "dew_point_c": "tidetray.ingest.core.vapour",
    "dli": "tidetray.analysis.conditions.light",
    "exposure": "tidetray.analysis.conditions.exposure",
    "fit_curve": "tidetray.analysis.growth.curves",
    "fit_response": "tidetray.analysis.dose.fit",
    "morans_i": "tidetray.analysis.stats.morans_i",
    "open": "tidetray.analysis.questions.trial",
    "positions": "tidetray.analysis.relations.positions",
    "power": "tidetray.analysis.plan.power",
    "ppfd": "tidetray.analysis.conditions.light",
    "read_package": "tidetray.analysis.questions.trial",
    "relate": "tidetray.analysis.relations.relate",
    "relative_growth_rate": "tidetray.analysis.growth.rates",
    "saturation_vapour_pressure_kpa": "tidetray.ingest.core.vapour",
    "trays_needed": "tidetray.analysis.plan.power",
    "unimodal_regression": "tidetray.analysis.stats.unimodal",
    "vpd_kpa": "tidetray.ingest.core.vapour",
}
"""Name -> the module that holds it."""


def __getattr__(name: str) -> Any:
    """Load a public name when it is first used (PEP 562): importing this package stays quick."""
    if name not in _AT:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    found = getattr(import_module(_AT[name]), name)
    globals()[name] = found
    return found


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
