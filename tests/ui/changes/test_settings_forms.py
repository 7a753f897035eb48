"""Settings saved by forms: units, defaults, comments kept, every fault beside its field, two people at once."""

from __future__ import annotations

import stat
import tomllib
from pathlib import Path
from typing import Any

import pytest

from tidetray.ingest.settings.model import SETTINGS_FILE, Settings, load_settings
from tidetray.ui.changes.new_trial import FormError
from tidetray.ui.changes.settings_forms import (
    GROUPS,
    Group,
    add_mapping,
    add_person,
    limits_of,
    remove_mapping,
    remove_person,
    save,
    shown,
)

WRITTEN = """# the shed
[alarms]
silent_minutes = 20   # slow node
quiet = {from = "22:00", until = "06:00"}   # nights

[value]
price = 3.5   # the shop's
"""


def group(name: str) -> Group:
    return next(group for group in GROUPS if group.name == name)


def change(home: Path, name: str, **typed: Any) -> list[str]:
    seen = shown(home, group(name).fields)
    return save(home, group(name), seen | {key.replace("__", "."): value for key, value in typed.items()}, seen)


def refused(home: Path, name: str, **typed: Any) -> dict[str, str]:
    before = (home / SETTINGS_FILE).read_text()
    with pytest.raises(FormError) as told:
        change(home, name, **typed)
    assert (home / SETTINGS_FILE).read_text() == before
    return {fault.field: fault.text for fault in told.value.faults}


@pytest.fixture
def home(tmp_path: Path) -> Path:
    (tmp_path / SETTINGS_FILE).write_text(WRITTEN)
    return tmp_path


def test_a_field_is_changed_and_every_comment_stays(home: Path) -> None:
    assert change(home, "value", value__price="4,25", value__pump_w="40") == ["Price of a pot", "Pump, W"]
    assert change(home, "flooding", flooding__sump_m3="60", flooding__pump_share="50") != []
    text = (home / SETTINGS_FILE).read_text()
    for comment in ("# the shed", "# slow node", "# nights", "# the shop's"):
        assert comment in text
    settings = load_settings(home)
    assert (settings.value.price, settings.value.pump_w) == (4.25, 40.0)
    assert (settings.flooding.sump_m3, settings.flooding.pump_share) == (0.06, 0.5)
    assert shown(home, group("flooding").fields)["flooding.sump_m3"] == "60"
    assert change(home, "value") == []


def test_an_empty_field_takes_its_setting_out_and_quiet_hours_go_whole(home: Path) -> None:
    change(home, "alarms", alarms__silent_minutes="", **{"alarms.quiet.from": "", "alarms.quiet.until": ""})
    alarms = load_settings(home).alarms
    assert (alarms.silent_minutes, alarms.quiet) == (15.0, None)


def test_everything_wrong_is_said_beside_its_field_and_nothing_is_changed(home: Path) -> None:
    assert refused(home, "value", value__price="a lot", value__lamp_h_day="x") == {
        "value.price": "'a lot' is not a number",
        "value.lamp_h_day": "'x' is not a number",
    }
    assert "less than or equal to 24" in refused(home, "value", value__lamp_h_day="25")["value.lamp_h_day"]
    assert refused(home, "alarms", **{"alarms.lamp.on": "07:00"}) == {"alarms.lamp.off": "is empty"}
    assert "never, be quiet" in refused(home, "alarms", **{"alarms.quiet.until": "22:00"})["alarms.quiet.from"]
    assert "Europe/Lisbon" in refused(home, "alarms", alarms__zone="Europe/Lisboa")["alarms.zone"]
    assert "no alarm 'nonsense'" in refused(home, "alarms", alarms__off="nonsense")["alarms.off"]
    assert (
        "low 31 with its deadband"
        in refused(home, "limits", **{"alarms.limits.water_temp.low": "31"})["alarms.limits.water_temp.low"]
    )
    assert refused(home, "record", record__seal_after_days="soon") == {
        "record.seal_after_days": "'soon' is not a whole number"
    }


def test_one_tray_has_limits_of_its_own(home: Path) -> None:
    own = limits_of("tray-1")
    seen = shown(home, own.fields)
    typed = seen | {"alarms.tray.tray-1.limits.water_temp.high": "26"}
    assert save(home, own, typed, seen, trays={"tray-1": True}) == ["Water temp: alarm above, °C"]
    alarms = load_settings(home).alarms
    assert (alarms.limits_of("tray-1")["water_temp"].high, alarms.limits_of("tray-2")["water_temp"].high) == (
        26.0,
        30.0,
    )
    seen = shown(home, own.fields)
    with pytest.raises(FormError) as told:
        save(home, own, seen | {"alarms.tray.tray-1.limits.water_temp.low": "27"}, seen)
    assert [fault.field for fault in told.value.faults] == ["alarms.tray.tray-1.limits.water_temp.low"]


def test_of_two_who_save_at_once_the_second_is_told_and_nothing_is_lost(home: Path) -> None:
    fields = group("value").fields
    seen = shown(home, fields)
    assert save(home, group("value"), seen | {"value.price": "5"}, seen) == ["Price of a pot"]
    with pytest.raises(FormError, match="somebody else changed it meanwhile, to 5"):
        save(home, group("value"), seen | {"value.price": "6"}, seen)
    assert load_settings(home).value.price == 5.0
    save(home, group("value"), seen | {"value.pump_w": "30"}, seen)  # another field: both stay
    assert (load_settings(home).value.price, load_settings(home).value.pump_w) == (5.0, 30.0)


def test_a_token_goes_into_a_file_that_only_its_owner_reads(home: Path) -> None:
    change(home, "influx", influx__url="http://127.0.0.1:8086", influx__token_file="a secret")
    assert load_settings(home).influx.read_token() == "a secret"
    assert "a secret" not in (home / SETTINGS_FILE).read_text()
    assert stat.S_IMODE((home / "influx-token").stat().st_mode) == 0o600
    assert shown(home, group("influx").fields)["influx.token_file"] == ""


def test_a_token_stays_as_it_was_when_the_form_is_refused(home: Path) -> None:
    wrong = {"influx__token_file": "another", "influx__keep_days": "many"}
    assert refused(home, "influx", **wrong).keys() == {"influx.keep_days"}
    assert not (home / "influx-token").exists()
    change(home, "influx", influx__url="http://127.0.0.1:8086", influx__token_file="a secret")
    assert refused(home, "influx", **wrong).keys() == {"influx.keep_days"}
    refused(home, "influx", influx__token_file="another", influx__url="no address")
    assert load_settings(home).influx.read_token() == "a secret"


def test_people_are_notified_and_their_addresses_are_kept_apart(home: Path) -> None:
    add_person(home, "Me", "json://127.0.0.1/one\n\njson://127.0.0.1/two", "")
    add_person(home, "You", "json://127.0.0.1/three", "30")
    me, you = load_settings(home).alarms.person
    assert (me.name, you.after_minutes) == ("Me", 30.0)
    assert me.urls_file is not None
    assert me.urls_file.read_text() == "json://127.0.0.1/one\njson://127.0.0.1/two\n"
    assert stat.S_IMODE(me.urls_file.stat().st_mode) == 0o600
    with pytest.raises(FormError, match="Me gets messages already"):
        add_person(home, "Me", "", "x")
    there = sorted(home.iterdir())
    with pytest.raises(FormError, match="After minutes"):
        add_person(home, "They", "json://127.0.0.1/four", "100000000")
    assert sorted(home.iterdir()) == there, "no addresses are kept of somebody who gets no messages"
    remove_person(home, "You")
    remove_person(home, "Me")
    assert load_settings(home).alarms.person == ()
    assert not me.urls_file.exists()


def test_a_value_of_other_firmware_is_mapped_and_taken_out(home: Path) -> None:
    mapping = {"topic": "shed/water", "member": "level", "channel": "level", "unit": "mm", "site": "nursery"}
    add_mapping(home, mapping | {"node": "shed", "tray": "tray-1"})
    (found,) = load_settings(home).plain
    assert (found.topic, found.member, found.unit, found.tray) == ("shed/water", "level", "mm", "tray-1")
    with pytest.raises(FormError) as told:
        add_mapping(home, mapping | {"node": "My Node", "topic": "shed/air"})
    assert [fault.field for fault in told.value.faults] == ["plain_node"]
    remove_mapping(home, 0, "shed/water")
    assert load_settings(home).plain == ()


def test_every_default_that_a_form_shows_is_the_default_that_holds(tmp_path: Path) -> None:
    settings = Settings()
    for field in (field for each in GROUPS for field in each.fields):
        held: Any = settings
        for part in field.place:
            held = (
                held.get(part)
                if isinstance(held, dict)
                else getattr(held, "begin" if part == "from" else str(part), None)
            )
        if isinstance(held, bool):
            assert field.default == ("yes" if held else "no"), field.label
        elif isinstance(held, int | float):
            assert float(field.default) == pytest.approx(held / field.factor), field.label
        elif held:
            assert field.default == str(held), field.label
    assert tomllib.loads(WRITTEN)["value"]["price"] == 3.5
