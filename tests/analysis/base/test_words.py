"""Numbers in words."""

from __future__ import annotations

import math

import pytest

from tidetray.analysis.base.words import minus, signed


@pytest.mark.parametrize(
    ("value", "said"), [(0.124, "+0.12"), (-0.124, "−0.12"), (-0.004, "0.00"), (0.0, "0.00"), (-math.inf, "−inf")]
)
def test_a_number_has_its_sign_unless_it_rounds_to_nothing(value: float, said: str) -> None:
    assert signed(value) == said


def test_a_minus_is_printed_as_one() -> None:
    assert minus(-3.26, ".1f") == "−3.3"
    assert minus(-0.04, ".1f") == "0.0"
