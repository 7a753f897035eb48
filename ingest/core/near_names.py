"""What somebody may have meant by a name that is not known."""

from __future__ import annotations

import difflib
from collections.abc import Iterable

_NAMES_SHOWN = 8


def near_names(name: str, known: Iterable[str]) -> str:
    """A sentence that names what may have been meant, or else what there is."""
    known = sorted(set(known))
    near = difflib.get_close_matches(name.casefold(), known, n=3, cutoff=0.7)
    if near:
        return f"Did you mean {' or '.join(near)}?"
    if not known:
        return "There are none yet"
    more = f" and {len(known) - _NAMES_SHOWN} more" if len(known) > _NAMES_SHOWN else ""
    return f"There are: {', '.join(known[:_NAMES_SHOWN])}{more}"
