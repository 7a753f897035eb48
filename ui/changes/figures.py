"""A figure typed into a field: one decimal point or comma, nothing else. ValueError in words otherwise."""

from __future__ import annotations

import re


def figure(name: str, text: str) -> float:
    """A number not below zero. A figure of a plan has no thousands, so a comma can only be decimal."""
    if not re.fullmatch(r"[0-9]+([.,][0-9]+)?|[.,][0-9]+", text.strip()):
        raise ValueError(f"{name}: {text[:40]!r} is not a number. Write it as 0.4")
    return float(text.strip().replace(",", "."))
