"""Filling and draining of a tray: times and levels from its geometry; holes, siphons and standpipes.

In: areas [m²], heights [m], flows [m³/s], numbers or arrays that broadcast. Out: seconds and metres,
a float for numbers and an array for arrays. It knows no readings and no clock.

Draining follows Torricelli's law: the level's root falls evenly, by Cd·a·√(2g)/(2A) per second.
Heights are measured from the plane of the outlet; with a drain pipe that ends H below the tray's floor
add H to both heights. Pots take up floor: with a share f of it use A·(1 − f).
The law is a lower bound where the head is of the order of the bore: there the outlet turns into a weir
or a vortex, and the last one or two centimetres drain more slowly than it says.
"""

from __future__ import annotations

from typing import overload

import numpy as np
from numpy.typing import ArrayLike, NDArray

G_M_S2 = 9.81
"""Acceleration of free fall [m/s²]."""

WEIR_M05_S = 1.84
"""Cw of a sharp-edged weir [√m/s]: Q = Cw·L·H^1.5. The Francis weir's 3.33 in feet, 3.33·√0.3048."""

Array = NDArray[np.float64]


@overload
def drain_time_s(
    area_m2: float, height_m: float, hole_m2: float, discharge_coefficient: float, to_height_m: float = 0.0
) -> float: ...
@overload
def drain_time_s(
    area_m2: ArrayLike,
    height_m: ArrayLike,
    hole_m2: ArrayLike,
    discharge_coefficient: ArrayLike,
    to_height_m: ArrayLike = 0.0,
) -> float | Array: ...
def drain_time_s(
    area_m2: ArrayLike,
    height_m: ArrayLike,
    hole_m2: ArrayLike,
    discharge_coefficient: ArrayLike,
    to_height_m: ArrayLike = 0.0,
) -> float | Array:
    """Seconds to drain from `height_m` to `to_height_m`: 2A(√h₁ − √h₂) / (Cd·a·√(2g)). A lower bound.

    ValueError: an area or the coefficient is not positive, the coefficient is above 1, a height is
    negative, or the water would have to rise.
    """
    area, height, hole, coefficient, to_height = _arrays(area_m2, height_m, hole_m2, discharge_coefficient, to_height_m)
    fall = _root_fall_per_s(area, hole, coefficient)
    _require((height >= 0) & (to_height >= 0), "a height must be zero or more metres")
    _require(
        to_height <= height, "water does not drain upwards: the height it drains to is above the one it starts from"
    )
    return _result((np.sqrt(height) - np.sqrt(to_height)) / fall)


@overload
def draining_level_m(
    area_m2: float, height_m: float, hole_m2: float, discharge_coefficient: float, time_s: float
) -> float: ...
@overload
def draining_level_m(
    area_m2: ArrayLike, height_m: ArrayLike, hole_m2: ArrayLike, discharge_coefficient: ArrayLike, time_s: ArrayLike
) -> float | Array: ...
def draining_level_m(
    area_m2: ArrayLike, height_m: ArrayLike, hole_m2: ArrayLike, discharge_coefficient: ArrayLike, time_s: ArrayLike
) -> float | Array:
    """Level [m] `time_s` after the drain opened at `height_m`: (√h₀ − t·Cd·a·√(2g)/(2A))², then 0.

    The level to compare a reading with: a half blocked drain shows as a level that is too high.
    ValueError as for `drain_time_s`, or a time before the opening.
    """
    area, height, hole, coefficient, time = _arrays(area_m2, height_m, hole_m2, discharge_coefficient, time_s)
    fall = _root_fall_per_s(area, hole, coefficient)
    _require(height >= 0, "a height must be zero or more metres")
    _require(time >= 0, "the time since the drain opened must be zero or more seconds")
    return _result(np.maximum(np.sqrt(height) - time * fall, 0.0) ** 2)


@overload
def fill_time_s(area_m2: float, height_m: float, flow_m3_s: float) -> float: ...
@overload
def fill_time_s(area_m2: ArrayLike, height_m: ArrayLike, flow_m3_s: ArrayLike) -> float | Array: ...
def fill_time_s(area_m2: ArrayLike, height_m: ArrayLike, flow_m3_s: ArrayLike) -> float | Array:
    """Seconds to fill to `height_m` with the drain shut: A·h/Q.

    ValueError: the area or the flow is not positive, or the height is negative.
    """
    area, height, flow = _arrays(area_m2, height_m, flow_m3_s)
    _require(area > 0, "the area of the tray must be positive")
    _require(flow > 0, "the pump's flow must be positive")
    _require(height >= 0, "a height must be zero or more metres")
    return _result(area * height / flow)


def fill_time_open_s(
    area_m2: float, height_m: float, flow_m3_s: float, hole_m2: float, discharge_coefficient: float
) -> float:
    """Seconds to fill to `height_m` while the drain stands open: A·dh/dt = Q − k·√h with k = Cd·a·√(2g), so
    t = −2A·(√h/k + Q/k²·ln(1 − k·√h/Q)). Infinite where the drain takes all before: the level tends to (Q/k)².

    ValueError as for `fill_time_s` and `drain_time_s`.
    """
    _require(np.asarray(fill_time_s(area_m2, height_m, flow_m3_s) >= 0), "a filling takes time")
    k = float(_root_fall_per_s(*_arrays(area_m2, hole_m2, discharge_coefficient))) * 2 * area_m2
    share = k * height_m**0.5 / flow_m3_s
    if share >= 1:
        return float("inf")
    return float(-2 * area_m2 / k**2 * flow_m3_s * (share + np.log1p(-share)))


def weir_head_m(flow_m3_s: float, diameter_m: float) -> float:
    """Height [m] of the water above the rim of a standpipe that takes `flow_m3_s`: (Q/(Cw·π·D))^(2/3).

    Holds while the rim works as a weir, up to a head of about a third of the diameter; above, the pipe
    fills and takes less. ValueError if the flow is negative or the diameter not positive.
    """
    flow, diameter = _arrays(flow_m3_s, diameter_m)
    _require(flow >= 0, "the flow must be zero or more")
    _require(diameter > 0, "the diameter of the standpipe must be positive")
    return float((flow / (WEIR_M05_S * np.pi * diameter)) ** (2 / 3))


def _root_fall_per_s(area: Array, hole: Array, coefficient: Array) -> Array:
    """By how much √h falls per second [√m/s]."""
    _require(area > 0, "the area of the tray must be positive")
    _require(hole > 0, "the area of the drain hole must be positive")
    _require((coefficient > 0) & (coefficient <= 1), "the discharge coefficient must be above 0 and at most 1")
    fall: Array = coefficient * hole * np.sqrt(2 * G_M_S2) / (2 * area)
    return fall


def _arrays(*quantities: ArrayLike) -> tuple[Array, ...]:
    arrays = tuple(np.asarray(quantity, dtype=np.float64) for quantity in quantities)
    for array in arrays:
        _require(np.isfinite(array), "every quantity must be a finite number")
    return arrays


def _require(holds: NDArray[np.bool_], rule: str) -> None:
    if not np.all(holds):
        raise ValueError(rule)


def _result(quantity: Array) -> float | Array:
    return float(quantity) if np.ndim(quantity) == 0 else quantity
