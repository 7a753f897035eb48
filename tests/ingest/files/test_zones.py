"""The names of time zones."""

from __future__ import annotations

from zoneinfo import available_timezones

import pytest

from tidetray.ingest.files import zones


def test_they_are_those_of_this_machine_in_order_and_looked_up_once(monkeypatch: pytest.MonkeyPatch) -> None:
    known = sorted(available_timezones())
    zones.zones.cache_clear()
    looks: list[int] = []
    monkeypatch.setattr(zones, "available_timezones", lambda: looks.append(1) or set(known))
    assert [list(zones.zones()) for _ in range(2)] == [known] * 2
    assert looks == [1]
