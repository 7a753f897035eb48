"""The timetable on the node, under MicroPython: a whole cycle, and every doubt ends in pump off, drain open."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from tests.node.workbench import run_script

BEGIN = """
import json, flooding
DAY = 1780272000  # 2026-06-01T00:00:00Z
GOOD = {"tray": "tray-1", "number": 1, "starts_s": [3600], "wet_s": 60, "until": DAY + 86400}
def made(timetable=GOOD, pump_sensor=False):
    f = flooding.Flooding({"tray": "tray-1", "max_fill_s": 30, "max_wet_s": 600, "max_drain_s": 120}, pump_sensor)
    if timetable is not None:
        f.take(timetable if isinstance(timetable, bytes) else json.dumps(timetable).encode())
    return f
def seconds(f, seen, start=3590, end=3800, utc=lambda s: DAY + s):
    said = []
    for s in range(start, end):
        utc_s = utc(s)
        now_seen = {k: (v(s), 1000 * s) for k, v in seen.items() if v(s) is not None}
        step = f.step(1000 * s, None if utc_s is None else 1000 * utc_s, now_seen)
        if not said or said[-1][1:] != step:
            said.append((s,) + step)
    return [list(one) for one in said]
out = []
"""


def run(tmp_path: Path, script: str) -> list[Any]:
    found: list[Any] = json.loads(run_script(f"{BEGIN}{script}\nprint(json.dumps(out))", folder=tmp_path))
    return found


def test_one_cycle(tmp_path: Path) -> None:
    # the float rises at 3610 and falls at 3690: pump 3600..3610, drain closed 3600..3670
    found = run(tmp_path, "out = seconds(made(), {'flooded': lambda s: int(3610 <= s < 3690)})")
    assert found == [[3590, False, False], [3600, True, True], [3610, False, True], [3670, False, False]]


def test_every_doubt_leaves_the_pump_off_and_the_drain_open(tmp_path: Path) -> None:
    script = """
dry, never = {"flooded": lambda s: 0}, {}
for timetable in (None, b"junk", b"[]", dict(GOOD, tray="tray-2"), dict(GOOD, wet_s=601), dict(GOOD, wet_s=0),
                  dict(GOOD, starts_s=["06:00"]), dict(GOOD, starts_s=[86400]), dict(GOOD, until=DAY)):
    f = made(timetable)
    out.append([f.why != "", seconds(f, dry), f.why])
for seen, utc in ((never, lambda s: DAY + s), (dry, lambda s: None)):
    f = made()
    out.append([True, seconds(f, seen, utc=utc), f.why])
"""
    for _, said, why in run(tmp_path, script):
        assert said == [[3590, False, False]], why
        assert why


def test_what_goes_wrong_during_a_flood_ends_it_and_the_next_ones(tmp_path: Path) -> None:
    script = """
f = made(); out.append([seconds(f, {"flooded": lambda s: 0}), f.why])  # no water comes
f = made(); out.append([seconds(f, {"flooded": lambda s: 0 if s < 3605 else None}), f.why])  # the float's wire breaks
f = made(pump_sensor=True)  # a burnt pump
out.append([seconds(f, {"flooded": lambda s: 0, "pump": lambda s: 0}), f.why])
f = made(); out.append([seconds(f, {"flooded": lambda s: int(s >= 3610)}), f.why])  # it does not drain
out.append(seconds(f, {"flooded": lambda s: 0}, 3590 + 86400, 3700 + 86400, lambda s: DAY + s - 86400))
f.take(json.dumps(dict(GOOD, number=2)).encode()); out.append(f.why)  # a person looked after it
f = made(); out.append([seconds(f, {"flooded": lambda s: 1}), f.why])  # still flooded from before
"""
    no_water, wire, pump, drain, next_day, mended, still = run(tmp_path, script)
    assert no_water == [
        [[3590, False, False], [3600, True, True], [3631, False, False]],
        "the flood mark was not reached in time",
    ]
    assert wire[0] == [[3590, False, False], [3600, True, True], [3605, False, False]]
    assert pump == [[[3590, False, False], [3600, True, True], [3606, False, False]], "the pump draws no current"]
    assert drain[0][-1] == [3670, False, False]
    assert drain[1] == "the tray did not drain"
    assert next_day[0][1:] == [False, False]
    assert len(next_day) == 1
    assert mended == ""
    assert still == [[[3590, False, False]], "the tray is still flooded"]


def test_a_clock_that_steps_back_floods_once_and_a_missed_start_is_left_out(tmp_path: Path) -> None:
    script = """
seen = {"flooded": lambda s: int(3610 <= s < 3690)}
out.append(seconds(made(), seen, 3590, 4200, lambda s: DAY + s - (200 if s >= 3750 else 0)))
out.append(seconds(made(), {"flooded": lambda s: 0}, 3661, 3900))
"""
    back, late = run(tmp_path, script)
    assert [one for one in back if one[1]] == [[3600, True, True]]
    assert late == [[3661, False, False]]
