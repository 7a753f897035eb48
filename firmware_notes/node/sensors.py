"""Drivers for common generic parts. Each knows how its part lies, and then says so instead of giving a value.

In: pins and buses as MicroPython's `machine` and `onewire` give them (or made-up ones), uptime [ms].
Out: `read(now_ms)` gives [(channel, value in the channel's unit)], [] when there is nothing yet, or raises
SensorError. None waits longer than about 30 ms; what takes longer is started in one call and fetched in a later one.
"""

from time import sleep_ms, sleep_us, ticks_diff, ticks_us  # type: ignore[attr-defined] # MicroPython's own

from config import CHANNELS

TYPE_CHECKING = False  # for mypy; no board has `typing`, and MicroPython looks at no annotation
if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import Any

    from micropython_types import Analogue, Board, Driver, Entry, Found, OneWireBus, Output, TwoWires


class SensorError(Exception):
    """What the sensor said cannot be true, and why."""


class FloatSwitch:
    """`make` closes when the water lifts the float, `brake` (optional) opens then; both to ground, pulled up.

    One contact alone cannot tell a broken wire from a dry tray. With two, both open is a broken wire and
    both closed a short.
    """

    every_ms = 50

    def __init__(self, make: Output, brake: Output | None = None) -> None:
        self._make, self._brake = make, brake

    def read(self, now_ms: int) -> Found:
        closed = not self._make.value()
        if self._brake is not None and closed is not bool(self._brake.value()):
            raise SensorError("both contacts closed: a short" if closed else "both contacts open: a broken wire")
        return [("flooded", int(closed))]


class Thermometer:
    """1-wire digital thermometer, 12 bit: 1/16 °C, 750 ms to convert, CRC-8 over the nine bytes it gives.

    85.0 exactly is what it says before its first conversion: refused, no tray is that hot. A shorted bus
    gives nine zero bytes, whose CRC is right and which would mean 0.0 °C; the configuration byte tells.
    """

    every_ms = 10000
    convert_ms = 750

    def __init__(self, bus: OneWireBus, rom: bytes | None = None, channel: str = "water_temp") -> None:
        self._bus, self._rom, self._channel = bus, rom, channel
        self._started: int | None = None

    def read(self, now_ms: int) -> Found:
        if self._started is None:
            self._select()
            self._bus.writebyte(0x44)
            self._started = now_ms
            return []
        if now_ms - self._started < self.convert_ms:
            return []
        self._started = None
        self._select()
        self._bus.writebyte(0xBE)
        said = bytearray(9)
        for at in range(9):
            said[at] = self._bus.readbyte()
        if crc8(said[:8], 0x8C, 0, True) != said[8]:
            raise SensorError("the checksum is wrong: too long a wire or no pull-up")
        if said[4] & 0x9F != 0x1F:
            raise SensorError("a configuration byte of %02x: the bus is shorted or the part is none of these" % said[4])
        raw = said[1] << 8 | said[0]
        celsius = (raw - 65536 if raw & 0x8000 else raw) / 16
        if celsius == 85.0:
            raise SensorError("85.0 is what it says before it has measured: it lost its supply")
        return [(self._channel, celsius)]

    def _select(self) -> None:
        if not self._bus.reset():
            raise SensorError("nobody answers on the 1-wire bus")
        if self._rom:
            self._bus.writebyte(0x55)
            for byte in self._rom:
                self._bus.writebyte(byte)
        else:
            self._bus.writebyte(0xCC)  # the only one on its wire


class LuxSensor:
    """I²C illuminance sensor, 16 bit, raw/1.2 lx, 1 lx, 120 ms, continuous. 65535 is saturation, not a value.

    After a loss of supply it stays asleep and answers zero, so it is told again to measure at each read.
    """

    every_ms = 10000

    def __init__(self, i2c: TwoWires, address: int = 0x23) -> None:
        self._i2c, self._address = i2c, address
        self._started = False

    def read(self, now_ms: int) -> Found:
        try:
            if not self._started:
                self._i2c.writeto(self._address, b"\x10")
                self._started = True
                return []
            said = self._i2c.readfrom(self._address, 2)
            self._i2c.writeto(self._address, b"\x10")
        except OSError:
            self._started = False
            raise SensorError("nobody answers at 0x%02x on the I2C bus" % self._address)
        raw = said[0] << 8 | said[1]
        if raw == 65535:
            raise SensorError("saturated: more light than 54612 lx. Put a diffuser over it and calibrate anew")
        return [("light", raw / 1.2)]


class AirSensor:
    """I²C humidity and temperature sensor, 16 bit each with CRC-8 (0x31, from 0xFF), single shot, 15 ms.

    All bits one is a bus without a sensor: 130 °C and 100 %. Droplets on the sensor read 100 % for hours;
    that is for whoever looks at the curve, a node cannot tell it from fog.
    """

    every_ms = 10000

    def __init__(self, i2c: TwoWires, address: int = 0x44) -> None:
        self._i2c, self._address = i2c, address

    def read(self, now_ms: int) -> Found:
        try:
            self._i2c.writeto(self._address, b"\x24\x00")
            sleep_ms(16)
            said = self._i2c.readfrom(self._address, 6)
        except OSError:
            raise SensorError("nobody answers at 0x%02x on the I2C bus" % self._address)
        if crc8(said[:2], 0x31, 0xFF, False) != said[2] or crc8(said[3:5], 0x31, 0xFF, False) != said[5]:
            raise SensorError("the checksum is wrong: too long a cable or too fast a bus")
        temperature, humidity = said[0] << 8 | said[1], said[3] << 8 | said[4]
        if temperature == 65535:
            raise SensorError("all bits are one: the bus is there, the sensor is not")
        return [("air_temp", 175 * temperature / 65535 - 45), ("humidity", 100 * humidity / 65535)]


class UltrasonicLevel:
    """Ultrasonic ranger above the tray, `height_m` over its floor: echo time times the speed of sound, halved.

    The median of five echoes; nearer than 20 mm it is blind and answers anything. 25 °C instead of 20 °C
    is 0.85 % of the distance: `air_c` is the air's usual temperature.
    """

    every_ms = 1000

    def __init__(
        self, trigger: Output, echo: Output, height_m: float, air_c: float, pulse: Callable[[Any, int, int], int]
    ) -> None:
        self._trigger, self._echo, self._height_m, self._pulse = trigger, echo, height_m, pulse
        self._speed_m_s = 331.3 * (1 + air_c / 273.15) ** 0.5
        self._wait_us = int(2 * (height_m + 0.1) / self._speed_m_s * 1e6) + 500

    def read(self, now_ms: int) -> Found:
        echoes = []
        for _ in range(5):
            self._trigger.value(1)
            sleep_us(10)
            self._trigger.value(0)
            took = self._pulse(self._echo, 1, self._wait_us)
            if took > 0:
                echoes.append(took)
            sleep_ms(2)
        if len(echoes) < 3:
            raise SensorError("no echo: is something in its way, or a foam of bubbles below?")
        distance_m = sorted(echoes)[len(echoes) // 2] * 1e-6 * self._speed_m_s / 2
        if distance_m < 0.02:
            raise SensorError("nearer than 20 mm: it is blind there")
        return [("level", self._height_m - distance_m)]


class PressureLevel:
    """Vented pressure sensor at the tray's floor with a voltage in proportion to the supply: 10 % to 90 % of it.

    `full_pa` is the pressure at 90 %. Below 5 % a wire is broken, above 95 % it is a short or the supply.
    Water is 9.79 Pa per mm at 20 °C. A sensor that is not vented follows the weather: 1 hPa is 10 mm.
    """

    every_ms = 1000

    def __init__(self, adc: Analogue, full_pa: float) -> None:
        self._adc, self._full_pa = adc, full_pa

    def read(self, now_ms: int) -> Found:
        ratio = sum(self._adc.read_u16() for _ in range(16)) / 16 / 65535
        if not 0.05 <= ratio <= 0.95:
            raise SensorError("%.0f %% of the supply: a broken wire or a short" % (100 * ratio))
        return [("level", (ratio - 0.1) / 0.8 * self._full_pa / 9790)]


class PumpCurrent:
    """Current sensor in the pump's low-voltage line: `zero` is its reading (0..1) at rest, the pump runs beyond
    `threshold`.

    0 and 1 exactly are a broken wire. What the relay was told is not asked: a burnt pump draws nothing.
    """

    every_ms = 100

    def __init__(self, adc: Analogue, zero: float, threshold: float) -> None:
        self._adc, self._zero, self._threshold = adc, zero, threshold

    def read(self, now_ms: int) -> Found:
        ratio = sum(self._adc.read_u16() for _ in range(8)) / 8 / 65535
        if ratio in (0.0, 1.0):
            raise SensorError("at the end of its scale: a broken wire")
        return [("pump", int(abs(ratio - self._zero) > self._threshold))]


class LoadCell:
    """Load cell on a 24-bit two-wire converter, read in millions of counts: what a kg is, check weights must tell.

    800000h and 7FFFFFh are the ends of its scale. A data line that stays high is no converter at all.
    """

    every_ms = 10000

    def __init__(self, clock: Output, data: Output) -> None:
        self._clock, self._data = clock, data
        self._late = 0

    def read(self, now_ms: int) -> Found:
        if self._data.value():
            self._late += 1
            if self._late < 3:
                return []
            raise SensorError("the converter is never ready: check its supply and the data line")
        self._late = 0
        raw = 0
        for bit in range(25):
            self._clock.value(1)
            began = ticks_us()
            self._clock.value(0)
            if ticks_diff(ticks_us(), began) > 60:
                raise SensorError("the clock line was high for too long: the converter went to sleep")
            if bit < 24:
                raw = raw << 1 | self._data.value()
        if raw in (0x800000, 0x7FFFFF):
            raise SensorError("the end of its scale: overloaded or a broken bridge wire")
        count = raw - (1 << 24) if raw & 0x800000 else raw
        return [("mass", count * 1e-6)]


def crc8(data: bytes | bytearray, polynomial: int, start: int, reflected: bool) -> int:
    """CRC-8: 1-wire is (0x8C, 0, reflected), the humidity sensor (0x31, 0xFF, not)."""
    crc = start
    for byte in data:
        crc ^= byte
        for _ in range(8):
            if reflected:
                crc = crc >> 1 ^ polynomial if crc & 1 else crc >> 1
            else:
                crc = (crc << 1 ^ polynomial) & 0xFF if crc & 0x80 else crc << 1
    return crc


class Fitted:
    """A driver in its place: names with the tray in front, calibration applied, impossible values refused."""

    def __init__(self, entry: Entry, driver: Driver) -> None:
        self.kind = entry["kind"]
        self.every_ms = entry.get("every_ms", driver.every_ms)
        self.uncalibrated: Found = []  # what the driver said last, for calibration.md
        self._prefix = entry["tray"] + "/" if entry.get("tray") else ""
        self._calibration = entry.get("calibration", {})
        self._driver = driver
        self.channels = CHANNELS_OF.get(self.kind, (entry.get("channel", "water_temp"),))
        self.names = [self._prefix + channel for channel in self.channels]

    def read(self, now_ms: int) -> Found:
        """[(record name, value)], or SensorError."""
        found = []
        self.uncalibrated = self._driver.read(now_ms)
        for channel, said in self.uncalibrated:
            if self.kind == "load" and channel not in self._calibration:
                raise SensorError("not calibrated: %.6f million counts" % said)
            gain, offset = self._calibration.get(channel, (1, 0))
            value = said * gain + offset
            unit, low, high, decimals = CHANNELS[channel]
            if not low <= value <= high:  # also refuses nan, which is not between any two
                raise SensorError("%s of %.6g %s is impossible here" % (channel, value, unit))
            found.append((self._prefix + channel, value if decimals is None else round(value, decimals)))
        return found


CHANNELS_OF = {
    "float": ("flooded",),
    "lux": ("light",),
    "air": ("air_temp", "humidity"),
    "ultrasonic": ("level",),
    "pressure": ("level",),
    "pump": ("pump",),
    "load": ("mass",),
}


def fit(entry: Entry, board: Board) -> Fitted:
    """The sensor of one entry of `sensors` in the settings, as `config.load` let it pass."""
    return Fitted(entry, _driver(entry, board))


def _driver(entry: Entry, board: Board) -> Driver:
    kind = entry["kind"]
    if kind == "float":
        brake = board.input(entry["brake_pin"]) if "brake_pin" in entry else None
        return FloatSwitch(board.input(entry["pin"]), brake)
    if kind == "thermometer":
        rom = bytes.fromhex(entry["rom"]) if "rom" in entry else None
        return Thermometer(board.one_wire(entry["pin"]), rom, entry.get("channel", "water_temp"))
    if kind == "lux":
        return LuxSensor(board.i2c(), entry.get("address", 0x23))
    if kind == "air":
        return AirSensor(board.i2c(), entry.get("address", 0x44))
    if kind == "ultrasonic":
        trigger, echo = board.output(entry["trigger_pin"]), board.input(entry["echo_pin"])
        return UltrasonicLevel(trigger, echo, entry["height_m"], entry.get("air_c", 20.0), board.pulse)
    if kind == "pressure":
        return PressureLevel(board.adc(entry["pin"]), entry["full_pa"])
    if kind == "pump":
        return PumpCurrent(board.adc(entry["pin"]), entry["zero"], entry["threshold"])
    return LoadCell(board.output(entry["clock_pin"]), board.input(entry["data_pin"]))
