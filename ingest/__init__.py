"""From a node's message to a record on disk, and what people enter: recording, the notebook, alarms.

What `__all__` lists is public and keeps its names; everything else may change.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from tidetray.ingest.cycles.detect import detect_cycles
    from tidetray.ingest.wire.packs import decode

__all__ = ["decode", "detect_cycles"]

_AT = {"decode": "wire.packs", "detect_cycles": "cycles.detect"}
"""Name -> the module below this package that holds it."""


def __getattr__(name: str) -> Any:
    """Load a public name when it is first used (PEP 562): a recorder does not load what finds cycles."""
    if name not in _AT:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    found = getattr(import_module(f"{__name__}.{_AT[name]}"), name)
    globals()[name] = found
    return found


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
