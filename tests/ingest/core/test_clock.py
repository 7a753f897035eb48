"""The recorder's clock: no step of the wall clock moves it, drift is followed."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from tidetray.ingest.core.clock import Clock

T0 = 1_780_300_800_000
HOUR = 3_600_000


class Machine:
    """Two clocks of a machine, turned by hand."""

    def __init__(self) -> None:
        self.steady_s = 1000.0
        self.wall_ms = float(T0)
        self.clock = Clock(lambda: round(self.wall_ms), lambda: self.steady_s)

    def pass_s(self, seconds: float, drift: float = 0.0) -> None:
        self.steady_s += seconds
        self.wall_ms += 1000 * seconds * (1 + drift)


def test_it_goes_on_as_time_does() -> None:
    machine = Machine()
    machine.pass_s(60)
    assert machine.clock.look() == 0
    assert machine.clock.now_ms() == T0 + 60_000


def test_a_step_does_not_move_it_until_it_is_adopted() -> None:
    machine = Machine()
    machine.wall_ms += 8 * HOUR
    assert machine.clock.look() == 8 * HOUR
    machine.pass_s(60)
    assert machine.clock.look() == 0, "told once"
    assert (machine.clock.now_ms(), machine.clock.apart_ms) == (T0 + 60_000, 8 * HOUR)
    assert machine.clock.adopt() == 8 * HOUR
    assert (machine.clock.now_ms(), machine.clock.apart_ms) == (T0 + 60_000 + 8 * HOUR, 0)


@given(drift=st.floats(-5e-4, 5e-4), days=st.integers(1, 20))
def test_a_clock_that_a_time_server_keeps_right_is_followed(drift: float, days: int) -> None:
    machine = Machine()
    for _ in range(24 * days):
        machine.pass_s(3600, drift)
        assert machine.clock.look() == 0
    assert abs(machine.clock.now_ms() - machine.wall_ms) <= 1


@given(st.lists(st.tuples(st.floats(1, 1000), st.integers(-30 * 24 * HOUR, 30 * 24 * HOUR))))
def test_whatever_is_set_it_never_jumps(steps: list[tuple[float, int]]) -> None:
    machine = Machine()
    for seconds, step_ms in steps:
        before = machine.clock.now_ms()
        machine.pass_s(seconds)
        machine.wall_ms += step_ms
        machine.clock.look()
        assert abs(machine.clock.now_ms() - before - 1000 * seconds) <= 2001
