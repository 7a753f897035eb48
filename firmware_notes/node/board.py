"""The real board: pins, buses, Wi-Fi, watchdog, uptime. Nothing here decides anything.

Written for boards whose MicroPython has `network` and `onewire` (most with Wi-Fi). It is the one file
that the tests run only against made-up `machine` and `network` modules.
"""

import os
from time import sleep_ms, ticks_diff, ticks_ms  # type: ignore[attr-defined] # MicroPython's own

import machine
import network
import onewire

TYPE_CHECKING = False  # for mypy; no board has `typing`, and MicroPython looks at no annotation
if TYPE_CHECKING:
    from micropython_types import Settings


class Board:
    """Pins, buses, Wi-Fi, watchdog and uptime of the board, by the settings of config.py."""

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        self._ticks: int = ticks_ms()
        self._uptime_ms = 0
        self._i2c: machine.I2C | None = None
        self._watchdog: machine.WDT | None = None
        self._wifi = network.WLAN(network.STA_IF)
        self._asked_ms: int | None = None

    def now_ms(self) -> int:
        """Uptime [ms], never back to zero; to be asked at least once a day (the chip's own count turns over)."""
        ticks = ticks_ms()
        self._uptime_ms += ticks_diff(ticks, self._ticks)
        self._ticks = ticks
        return self._uptime_ms

    def sleep_ms(self, ms: int) -> None:
        sleep_ms(ms)

    def feed(self) -> None:
        """Feed the watchdog, which starts with the first feeding."""
        if self._watchdog is None and self._settings["watchdog_ms"]:
            self._watchdog = machine.WDT(timeout=self._settings["watchdog_ms"])
        if self._watchdog is not None:
            self._watchdog.feed()

    def network_up(self, now_ms: int) -> bool:
        """Whether there is a network; asks to join it, and again each minute, without waiting."""
        if self._wifi.isconnected():
            self._asked_ms = None
            return True
        if self._asked_ms is None or now_ms - self._asked_ms > 60000:
            self._asked_ms = now_ms
            self._wifi.active(False)  # a radio that lost its access point for long may not find it again by itself
            self._wifi.active(True)
            self._wifi.connect(self._settings["wifi_name"], self._settings["wifi_password"])
        return False

    def random(self) -> float:
        """0 to 1."""
        return int.from_bytes(os.urandom(2), "little") / 65535

    def input(self, pin: int) -> machine.Pin:
        """A pin that is read, pulled up: a switch to ground gives 0 when it is closed."""
        return machine.Pin(pin, machine.Pin.IN, machine.Pin.PULL_UP)

    def output(self, pin: int, value: int = 0) -> machine.Pin:
        """A pin that is set, to `value` from the first moment on."""
        return machine.Pin(pin, machine.Pin.OUT, value=value)

    def adc(self, pin: int) -> machine.ADC:
        """An analogue input; `read_u16` gives 0 to 65535."""
        return machine.ADC(machine.Pin(pin))

    def i2c(self) -> machine.I2C:
        """The one I2C bus of the settings."""
        if self._i2c is None:
            bus = self._settings["i2c"]
            # 100 kHz: cables of a metre in a wet room are no printed circuit
            self._i2c = machine.I2C(
                bus.get("id", 0), scl=machine.Pin(bus["scl_pin"]), sda=machine.Pin(bus["sda_pin"]), freq=100000
            )
        return self._i2c

    def one_wire(self, pin: int) -> onewire.OneWire:
        """A 1-wire bus on that pin."""
        return onewire.OneWire(machine.Pin(pin))

    def pulse(self, pin: machine.Pin, level: int, timeout_us: int) -> int:
        """How long [us] the pin keeps `level`; negative if it does not within the timeout."""
        return machine.time_pulse_us(pin, level, timeout_us)
