"""Rules in tidetray.toml: what can never fire, contradicts or names what is not there is refused with line and mend."""

from __future__ import annotations

from pathlib import Path

import pytest

from tidetray.ingest.alarms.alarm_settings import DEFAULT_LIMITS, AlarmSettings
from tidetray.ingest.alarms.signal_rules import AlarmLimits
from tidetray.ingest.settings.model import SettingsError, check_rules, load_settings
from tidetray.ingest.settings.toml_lines import line_of

PERSON = '[[alarms.person]]\nname = "me"\nurls = ["json://x"]\n'

FAULTS = [
    ("[alarms]\noff = ['no floot']", 2, "no alarm 'no floot'. Did you mean no flood?"),
    ("[alarms.limits.water_tmp]\nlow = 3", 1, "no such channel with limits. Did you mean water_temp"),
    ("[alarms.limits.pump]\nlow = 0.5", 1, "no such channel with limits"),
    ("[alarms.limits.air_temp]\nlow = 20\nhigh = 10", 1, "low 20 is not below high 10"),
    ("[alarms.limits.air_temp]\nlow = 20\nhigh = 21\ndeadband = 2", 1, "as wide as the limits are apart"),
    ("[alarms.limits.water_temp]\nlow = 31", 1, "is not below high 30"),
    ("[alarms]\n[alarms.limits.humidity]\nhigh = 120", 2, "high 120 can never fire: readings lie between 0 and 105"),
    ("[alarms.limits.supply]\non_delay_s = 10", 1, "neither low nor high"),
    ("[alarms.limits.supply]\nlow = 4\nhigh = 6", 1, "only low is looked at"),
    (
        "[alarms.limits.air_temp]\nlow = 10\n\non_delay_s = 1000",
        1,
        "longer than a reading holds (900 s): it can never fire",
    ),
    ('[alarms.lamp]\non = "07:00"\noff = "07:00"', 1, "on and off are the same"),
    ('[alarms.lamp]\non = "7 am"\noff = "21:00"', 2, 'write a time of day as "07:00"'),
    ('[alarms.quiet]\nfrom = "22:00"\nuntil = "22:00"', 1, "from and until are the same"),
    ('[alarms.quiet]\nfrom = "22:00"', 1, "field required"),
    ('[[alarms.person]]\nname = "me"', 1, "give either urls or urls_file"),
    (PERSON + "after_minutes = 5", 1, "nobody gets a message immediately"),
    (PERSON + PERSON, 1, "two persons have one name"),
    ("[alarms]\nsilent_minutes = 2", 2, "greater than or equal to 6"),
    ("[alarms]\n\nquite = 1", 3, "is not a setting"),
    ('[[alarms.pump]]\nname = "main"\ntrays = ["tray-1"]', 3, "at least 2 items"),
    ('[[alarms.pump]]\nname = "a"\ntrays = ["tray-1", "tray-1"]', 1, "a tray is listed under [[alarms.pump]] twice"),
]

BESIDE_THE_NOTEBOOK = [
    ("[alarms.tray.tray-9.limits.air_temp]\nhigh = 30", 1, "no tray 'tray-9' in the notebook. Did you mean tray-"),
    ('[[alarms.pump]]\nname = "a"\ntrays = ["tray-1", "tray-22"]', 3, "no tray 'tray-22'"),
    ('[alarms.tray.tray-2]\noff = ["missed flood"]', 2, "can never fire on a tray without a schedule"),
]


def fault(home: Path, text: str) -> str:
    (home / "tidetray.toml").write_text(text)
    with pytest.raises(SettingsError) as error:
        check_rules(load_settings(home), home, {"tray-1": True, "tray-2": False})
    return str(error.value)


@pytest.mark.parametrize(("text", "line", "said"), [*FAULTS, *BESIDE_THE_NOTEBOOK])
def test_a_rule_that_cannot_be_is_refused_with_its_line(tmp_path: Path, text: str, line: int, said: str) -> None:
    message = fault(tmp_path, text)
    assert said in message
    assert f"line {line}, alarms" in message


def test_every_fault_is_told_at_once(tmp_path: Path) -> None:
    message = fault(tmp_path, "[alarms]\noff = ['x']\nrepeat_minutes = 0\n[alarms.limits.nothing]\nlow = 1")
    assert [f"line {n}," in message for n in (2, 3, 4)] == [True] * 3


def test_addresses_are_never_shown(tmp_path: Path) -> None:
    assert "secret-token" not in fault(tmp_path, '[[alarms.person]]\nname = "me"\nurls = "json://secret-token"')


def test_limits_of_a_tray_stand_over_those_of_all_and_these_over_the_usual() -> None:
    given = AlarmSettings(
        limits={"air_temp": {"high": 30.0}}, tray={"tray-3": {"limits": {"air_temp": {"low": 15.0, "on_delay_s": 300}}}}
    )
    usual = DEFAULT_LIMITS["air_temp"]
    assert given.limits_of("tray-1")["air_temp"] == usual._replace(high=30.0)
    assert given.limits_of("tray-3")["air_temp"] == AlarmLimits(15.0, 30.0, usual.deadband, 300.0, usual.off_delay_s)
    assert given.limits_of("")["vpd"] == DEFAULT_LIMITS["vpd"]


def test_lines_of_tables_arrays_and_dotted_keys() -> None:
    text = '# x\n[a]\nb = 1\n"c d" = 2\n[[a.p]]\nn = 1\n[[a.p]]\nn = 2\nq.r = 3\n[z.y]\n'
    places = [("a",), ("a", "b"), ("a", "c d"), ("a", "p", 0, "n"), ("a", "p", 1, "n"), ("a", "p", 1, "q", "r"), ("z",)]
    assert [line_of(text, place) for place in places] == [2, 3, 4, 6, 8, 9, 10]
    assert line_of(text, ("a", "p", 1, "missing")) == 7, "the table around it"
    assert line_of(text, ("nowhere",)) is None
