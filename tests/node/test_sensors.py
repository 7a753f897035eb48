"""Sensor drivers under MicroPython against simulated buses: right values, and each part's known bad ones refused.

Numbers: 1-wire and humidity codes from the parts' data sheets; those marked so in firmware_notes/calibration.md.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from tests.node.workbench import run_script

BEGIN = """
import json, struct, sensors
class Pin:
    def __init__(self, values=()):
        self.values, self.written = list(values), []
    def value(self, value=None):
        if value is not None:
            self.written.append(value)
            return
        return self.values.pop(0) if len(self.values) > 1 else self.values[0]
class Adc:
    def __init__(self, raw):
        self.raw = raw
    def read_u16(self):
        return self.raw
class Wire:
    def __init__(self, said, there=True):
        self.said, self.there, self.written = said, there, []
    def reset(self):
        self.at = 0
        return self.there
    def writebyte(self, byte):
        self.written.append(byte)
    def readbyte(self):
        self.at += 1
        return self.said[self.at - 1]
class I2c:
    def __init__(self, said):
        self.said, self.written = said, []
    def writeto(self, address, data):
        if self.said is None:
            raise OSError(19)
        self.written.append(bytes(data))
    def readfrom(self, address, count):
        if self.said is None:
            raise OSError(19)
        return self.said[:count]
class Ticks:
    each = 0
    def __call__(self):
        self.at = getattr(self, "at", 0) + self.each
        return self.at
ticks = sensors.ticks_us = Ticks()  # this machine lets a process wait for longer than a converter would
def slowly(driver):
    ticks.each = 61
    try:
        return ask(driver, 1)
    finally:
        ticks.each = 0
def ask(driver, times=3):
    said = []
    for at in range(times):
        try:
            said += driver.read(1000 * at)
        except sensors.SensorError as bad:
            return str(bad)
    return said
"""


def ask(tmp_path: Path, expressions: list[str]) -> list[Any]:
    lines = "\n".join(f"out.append({expression})" for expression in expressions)
    found: list[Any] = json.loads(run_script(f"{BEGIN}out = []\n{lines}\nprint(json.dumps(out))", folder=tmp_path))
    return found


def thermometer(raw: int, configuration: int = 0x7F) -> str:
    said = (
        f'(lambda b: b + bytes((sensors.crc8(b, 0x8C, 0, True),)))(struct.pack("<H", {raw}) + bytes((0x4B, 0x46, '
        f"{configuration}, 255, 12, 16)))"
    )
    return f"ask(sensors.Thermometer(Wire({said})), 2)"


def test_checksums(tmp_path: Path) -> None:
    # CRC-8 of "123456789" (1-wire) and of BE EF (humidity sensor), from the data sheets' application notes
    found = ask(
        tmp_path,
        [
            'sensors.crc8(b"123456789", 0x8C, 0, True)',
            'sensors.crc8(b"\\x02\\x1c\\xb8\\x01\\x00\\x00\\x00", 0x8C, 0, True)',
            'sensors.crc8(b"\\xbe\\xef", 0x31, 0xFF, False)',
        ],
    )
    assert found == [0xA1, 0xA2, 0x92]


@pytest.mark.parametrize(
    ("raw", "celsius"),
    [
        (0x07D0, 125.0),
        (0x0191, 25.0625),
        (0x00A2, 10.125),
        (0x0008, 0.5),
        (0, 0.0),
        (0xFFF8, -0.5),
        (0xFF5E, -10.125),
        (0xFC90, -55.0),
    ],
)
def test_thermometer_says_what_its_data_sheet_says(tmp_path: Path, raw: int, celsius: float) -> None:
    assert ask(tmp_path, [thermometer(raw)]) == [[["water_temp", celsius]]]


def test_thermometer_lies_are_refused(tmp_path: Path) -> None:
    powered, shorted, spoilt, gone = ask(
        tmp_path,
        [
            thermometer(0x0550),
            "ask(sensors.Thermometer(Wire(bytes(9))))",
            'ask(sensors.Thermometer(Wire(b"\\x91\\x01\\x4b\\x46\\x7f\\xff\\x0c\\x10\\x00")))',
            "ask(sensors.Thermometer(Wire(bytes(9), False)))",
        ],
    )
    assert "85.0" in powered
    assert "shorted" in shorted  # nine zero bytes have the right checksum
    assert "checksum" in spoilt
    assert "nobody answers" in gone


def test_lux_and_its_saturation(tmp_path: Path) -> None:
    found = ask(
        tmp_path,
        [
            "ask(sensors.LuxSensor(I2c(struct.pack('>H', 12000))), 2)",
            "ask(sensors.LuxSensor(I2c(struct.pack('>H', 65535))), 2)",
            "ask(sensors.LuxSensor(I2c(bytes(2))), 2)",
            "ask(sensors.LuxSensor(I2c(None)), 2)",
        ],
    )
    assert found[0] == [["light", 10000.0]]
    assert "saturated" in found[1]
    assert found[2] == [["light", 0.0]]
    assert "nobody answers" in found[3]


def test_air_sensor(tmp_path: Path) -> None:
    # raw 6666h is 25.000 °C and 40.0 %RH, 8000h is 42.5013 °C and 50.0008 %RH (data sheet formulas)
    word = "(lambda b: b + bytes((sensors.crc8(b, 0x31, 0xFF, False),)))"
    found = ask(
        tmp_path,
        [
            f"ask(sensors.AirSensor(I2c({word}(b'\\x66\\x66') + {word}(b'\\x80\\x00'))), 1)",
            f"ask(sensors.AirSensor(I2c({word}(b'\\xff\\xff') + {word}(b'\\xff\\xff'))), 1)",
            f"ask(sensors.AirSensor(I2c({word}(b'\\x66\\x66') + b'\\x80\\x00\\x00')), 1)",
            "ask(sensors.AirSensor(I2c(None)), 1)",
        ],
    )
    assert [pair[0] for pair in found[0]] == ["air_temp", "humidity"]
    assert [pair[1] for pair in found[0]] == pytest.approx([25.0, 50.0008], abs=1e-4)
    assert "all bits are one" in found[1]
    assert "checksum" in found[2]
    assert "nobody answers" in found[3]


def test_float_switch_with_two_contacts_knows_a_broken_wire(tmp_path: Path) -> None:
    found = ask(
        tmp_path,
        [
            "ask(sensors.FloatSwitch(Pin([0])), 1)",
            "ask(sensors.FloatSwitch(Pin([1])), 1)",
            "ask(sensors.FloatSwitch(Pin([0]), Pin([1])), 1)",
            "ask(sensors.FloatSwitch(Pin([1]), Pin([0])), 1)",
            "ask(sensors.FloatSwitch(Pin([1]), Pin([1])), 1)",
            "ask(sensors.FloatSwitch(Pin([0]), Pin([0])), 1)",
        ],
    )
    assert found[:4] == [[["flooded", 1]], [["flooded", 0]], [["flooded", 1]], [["flooded", 0]]]
    assert "broken wire" in found[4]
    assert "short" in found[5]


def test_ultrasonic_level(tmp_path: Path) -> None:
    # 1000 µs at 20 °C are 171.6 mm (331.3 m/s · √(1 + t/273.15)); the echo of 400 µs and the lost one are outvoted
    found = ask(
        tmp_path,
        [
            (
                "ask(sensors.UltrasonicLevel(Pin([0]), None, 0.25, 20.0, lambda p, l, t, v=[1000, 1000, -1, 400, "
                "1000]: v.pop()), 1)"
            ),
            "ask(sensors.UltrasonicLevel(Pin([0]), None, 0.25, 20.0, lambda p, l, t: -1), 1)",
            "ask(sensors.UltrasonicLevel(Pin([0]), None, 0.25, 20.0, lambda p, l, t: 100), 1)",
        ],
    )
    assert found[0][0][1] == pytest.approx(0.25 - 0.17161, abs=1e-4)
    assert "no echo" in found[1]
    assert "blind" in found[2]


def test_pressure_level_and_pump_current(tmp_path: Path) -> None:
    found = ask(
        tmp_path,
        [
            "ask(sensors.PressureLevel(Adc(32768), 2000), 1)",
            "ask(sensors.PressureLevel(Adc(1000), 2000), 1)",
            "ask(sensors.PressureLevel(Adc(65000), 2000), 1)",
            "ask(sensors.PumpCurrent(Adc(40000), 0.5, 0.05), 1)",
            "ask(sensors.PumpCurrent(Adc(33000), 0.5, 0.05), 1)",
            "ask(sensors.PumpCurrent(Adc(0), 0.5, 0.05), 1)",
        ],
    )
    # half of the supply is half of 2000 Pa: 1000 Pa / 9790 Pa/m
    assert found[0][0][1] == pytest.approx(1000 / 9790, abs=1e-5)
    assert "broken wire" in found[1]
    assert "short" in found[2]
    assert found[3:5] == [[["pump", 1]], [["pump", 0]]]
    assert "broken wire" in found[5]


def load_cell(raw: int) -> str:
    bits = [0, *((raw >> bit) & 1 for bit in range(23, -1, -1))]
    return f"ask(sensors.LoadCell(Pin([0]), Pin({bits})), 1)"


def test_load_cell(tmp_path: Path) -> None:
    uncalibrated = (
        "sensors.Fitted({'kind': 'load'}, type('D', (), {'every_ms': 1, 'read': lambda self, now: [('mass', "
        "0.501)]})())"
    )
    found = ask(
        tmp_path,
        [
            load_cell(501_000),
            load_cell(0xFFFFFF),
            load_cell(0x7FFFFF),
            load_cell(0x800000),
            "ask(sensors.LoadCell(Pin([0]), Pin([1])), 3)",
            f"ask({uncalibrated})",
            load_cell(501_000).replace("ask(", "slowly(").replace(", 1)", ")"),
        ],
    )
    assert found[0] == [["mass", pytest.approx(0.501)]]  # millions of counts: calibration makes them kg
    assert found[1] == [["mass", pytest.approx(-1e-6)]]
    assert "overloaded" in found[2]
    assert "overloaded" in found[3]
    assert "never ready" in found[4]
    assert "not calibrated: 0.501000 million counts" in found[5]
    assert "went to sleep" in found[6]


def test_calibration_and_impossible_values(tmp_path: Path) -> None:
    # ice point reads 0.4, boiling (99.606 °C at 100.0 kPa) 99.9: gain 1.0010653, offset -0.40043; 25 becomes 24.626
    entry = "{'kind': 'thermometer', 'tray': 'tray-1', 'calibration': {'water_temp': [1.0010653, -0.40043]}}"
    inner = "(lambda d: type('D', (), {'every_ms': 1, 'read': lambda self, now: d}))"
    found = ask(
        tmp_path,
        [
            f"ask(sensors.Fitted({entry}, {inner}([('water_temp', 25.0)])()), 1)",
            f"ask(sensors.Fitted({{'kind': 'air'}}, {inner}([('humidity', 120.0)])()), 1)",
            f"ask(sensors.Fitted({{'kind': 'air'}}, {inner}([('humidity', float('nan'))])()), 1)",
        ],
    )
    assert found[0] == [["tray-1/water_temp", 24.63]]
    assert "impossible" in found[1]
    assert "impossible" in found[2]
