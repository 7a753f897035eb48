"""Single signals: deadband, delays, flicker and the known bad values; worked by hand."""

from __future__ import annotations

from datetime import UTC, datetime, time

import numpy as np
import pytest

from tidetray.ingest.alarms.signal_rules import AlarmLimits, FlatRule, LimitRule, SignalPlan, SignalWatch, known_bad
from tidetray.ingest.alarms.tray_rules import Change, Findings
from tidetray.ingest.core.readings import to_ms
from tidetray.ingest.core.wall_clock import Daily

S = 1000


def sides(rule: LimitRule, values: list[float], every_s: float = 10.0) -> list[str]:
    return [rule.step(round(1000 * every_s * n) + S, value) for n, value in enumerate(values)]


@pytest.mark.parametrize(
    ("limits", "clears_below"), [(AlarmLimits(None, 55.0, 3.0, 0, 0), 52.0), (AlarmLimits(None, 30.0, 0.5, 0, 0), 29.5)]
)
def test_a_high_alarm_is_raised_at_its_limit_and_clears_a_deadband_below(
    limits: AlarmLimits, clears_below: float
) -> None:
    # OPC UA Part 9, annex B.1.5: the deadband is on the returning side only. 5 % of a span of 60 mm, 1 % of 50 K
    high = limits.high or 0.0
    rule = LimitRule(limits)
    assert sides(rule, [high, high + 0.01, high - 0.01, clears_below + 0.01, clears_below]) == [
        "",
        "too high",
        "too high",
        "too high",
        "",
    ]


def test_a_low_alarm_clears_a_deadband_above() -> None:
    assert sides(LimitRule(AlarmLimits(55.0, None, 3.0, 0, 0)), [55.0, 54.9, 57.9, 58.0]) == [
        "",
        "too low",
        "too low",
        "",
    ]


def test_delays_count_from_the_first_reading_beyond() -> None:
    rule = LimitRule(AlarmLimits(None, 30.0, 0.5, 60, 30))
    assert sides(rule, [31] * 7) == [""] * 6 + ["too high"]
    assert rule.since_ms == S
    assert sides(rule, [31, 29, 31, 29, 29, 29, 29])[-2:] == ["too high", ""]


def test_a_value_holds_between_readings_but_not_over_a_gap() -> None:
    rule = LimitRule(AlarmLimits(None, 30.0, 0.5, 60, 60))
    rule.step(S, 31.0)
    assert rule.hold(59 * S) == ""
    assert rule.hold(61 * S) == "too high"
    late = LimitRule(AlarmLimits(None, 30.0, 0.5, 1000, 60))
    late.step(S, 31.0)
    late.step(2000 * S, 31.0)
    assert late.hold(2001 * S) == "", "what was between is not known"


def test_an_on_delay_of_n_samples_is_as_rare_as_theory_says() -> None:
    # with independent samples beyond the limit with p, q = 1 - p, n for the on-delay and m for the off-delay:
    # P = p^n S_m(q) / (p^n S_m(q) + q^m S_n(p)), S_k(x) = 1 + x + .. + x^(k-1): for 0.2, 2, 3: 0.13708
    # (Adnan, Cheng, Izadi and Chen 2012 by name; formula recomputed)
    values = np.where(np.random.default_rng(5).uniform(size=60_000) < 0.2, 1.0, 0.0).tolist()
    # a value holds until the next one: two samples beyond last for more than 10 s, three of the others for more than 20
    # s
    rule = LimitRule(AlarmLimits(None, 0.5, 0.0, 15, 25))
    stands = [bool(side) for side in sides(rule, values)]
    assert np.mean(stands) == pytest.approx(0.13708, abs=0.01)


def flat(values: list[float], every_s: int = 300) -> list[bool]:
    rule = FlatRule()
    return [rule.step(every_s * S * n + S, value) is not None for n, value in enumerate(values)]


def test_a_sensor_that_flickers_and_then_stands_still_is_stuck() -> None:
    flicker = [20.0 + 0.1 * (n % 3) for n in range(100)]
    assert not any(flat(flicker))
    stuck = flat([*flicker, *[20.1] * 80])
    assert stuck.index(True) == 100 + 72, "six hours of readings every five minutes"


def test_a_coarse_sensor_and_a_dry_tray_are_not_stuck() -> None:
    assert not any(flat([20.0] * 200))
    assert not any(flat([20.0 + n // 12 for n in range(120)] + [30.0] * 200))


@pytest.mark.parametrize(
    ("channel", "value", "before", "is_bad"),
    [
        ("water_temp", 0.0, 21.0, True),
        ("water_temp", 0.0, 0.1, False),
        ("air_temp", 0.0, -1.0, False),
        ("light", 54612.5, 9000.0, True),
        ("light", 54000.0, 9000.0, False),
        ("humidity", 0.0, 60.0, True),
    ],
)
def test_what_common_parts_say_when_they_fail(channel: str, value: float, before: float, is_bad: bool) -> None:
    # nine zero bytes have a valid check sum (1-wire, data sheet); 65535 counts / 1.2 (I2C light sensor, data sheet)
    assert bool(known_bad(channel, value, before)) == is_bad


def test_daily_times_over_a_clock_change() -> None:
    # Lisbon: 2026-03-29 01:00 -> 02:00; 2026-10-25 02:00 -> 01:00
    daily = Daily((time(1, 30), time(12)), "Europe/Lisbon")
    spring = to_ms(datetime(2026, 3, 29, tzinfo=UTC))
    assert daily.next_ms(spring) == to_ms(datetime(2026, 3, 29, 1, 30, tzinfo=UTC))
    assert daily.next_ms(to_ms(datetime(2026, 3, 29, 2, tzinfo=UTC))) == to_ms(datetime(2026, 3, 29, 11, tzinfo=UTC))
    autumn = to_ms(datetime(2026, 10, 25, 0, 0, tzinfo=UTC))
    once = daily.next_ms(autumn)
    assert once == to_ms(datetime(2026, 10, 25, 0, 30, tzinfo=UTC))
    assert daily.next_ms(once) == to_ms(datetime(2026, 10, 25, 12, tzinfo=UTC))
    assert daily.near(once, 0, 0) == once == daily.last_ms(once)
    assert daily.near(once + 2 * 3_600_000, 600_000, 900_000) is None
    assert Daily((), "UTC").next_ms(spring) is None


def test_dry_air_counts_only_for_plants_that_are_not_under_water() -> None:
    changes: list[Change] = []
    watch = SignalWatch(
        SignalPlan({"vpd": AlarmLimits(None, 1.8, 0.1, 0, 0)}), Findings("tray", "tray-1", changes.append)
    )
    for minute, is_dry in enumerate([False, True, False]):
        watch.take("air_temp", 60 * S * (minute + 1), 30.0, is_dry=is_dry)
        watch.take("humidity", 60 * S * (minute + 1) + S, 40.0, is_dry=is_dry)
    # 4.243 kPa x 0.6 (FAO-56, table 2.3 for 30 °C)
    assert [(change.kind, change.begins) for change in changes] == [("too high", True), ("too high", False)]
    assert "2.546 kPa" in changes[0].detail
