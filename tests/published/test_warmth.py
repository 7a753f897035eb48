"""Degree days against the published table of worked days; the status of the source stands beside it."""

import pytest

from tidetray.analysis.conditions.degree_days import METHODS, degree_days
from tidetray.analysis.conditions.light import under_water

# Thresholds 12 and 33 °C, horizontal cut-off. Single sine: University of California, Zalom et al. 1983 (read in a
# secondary copy, which prints 0.47, 0, 1.5, 21, 12.94, 10.94 and 2.87); triangle (0.29 and 2.46 printed there); the
# others confirmed by fine integration. The formulas were compared with those of the University of California's R
# package degday 0.4.0, which gives tables 3 and 5 of that leaflet as their source.
DAYS = [
    (7, 14, 0.468, 0.286, 0.0, 1.0),
    (7, 10, 0.0, 0.0, 0.0, 0.0),
    (13, 14, 1.5, 1.5, 1.5, 1.5),
    (35, 40, 21.0, 21.0, 25.5, 21.0),
    (13, 40, 12.944, 13.593, 14.5, 11.0),
    (7, 40, 10.940, 11.136, 11.5, 10.5),
    (7, 20, 2.874, 2.462, 1.5, 4.0),
]


@pytest.mark.parametrize("day", DAYS)
def test_days_of_the_table(day: tuple[float, ...]) -> None:
    least, greatest, *wanted = day
    for method, value in zip(METHODS, wanted, strict=True):
        assert float(degree_days(least, greatest, 12, 33, method=method)) == pytest.approx(value, abs=6e-4)


# Beer-Lambert: E(z) = E0 exp(-K z), as the page "Attenuation coefficient" of a maker of sensors has it
# (K is the slope of ln E over depth); values are own arithmetic.
@pytest.mark.parametrize(
    ("k", "shares"),
    [
        (0.1, (0.9950, 0.9900, 0.9512, 0.9048)),
        (1.0, (0.9512, 0.9048, 0.6065, 0.3679)),
        (5.0, (0.7788, 0.6065, 0.0821, 0.0067)),
    ],
)
def test_light_left_at_a_depth(k: float, shares: tuple[float, ...]) -> None:
    assert [under_water(1.0, z, k) for z in (0.05, 0.1, 0.5, 1.0)] == pytest.approx(shares, abs=5e-5)


def test_light_under_water_takes_no_negative_depth() -> None:
    with pytest.raises(ValueError, match="must not be negative"):
        under_water(1.0, -0.1, 1.0)
