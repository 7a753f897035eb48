"""A node on a computer: the same program with made-up sensors on simulated buses, under MicroPython's Unix port.

`micropython bench.py FOLDER` runs the node whose node.json and secrets.json are in FOLDER;
`micropython bench.py -` reads one JSON line from standard input instead: any settings, "folder", "tray", and
"attached" if the node is to leave when standard input is closed.
`micropython bench.py FOLDER --self-test` prints what the made-up sensors say.

The made-up tray floods for two minutes of every six and is lit by day. Its water is as real as its sensors
can tell: float switch, thermometer, lux, air, ultrasonic level and pump current answer with the bytes
and voltages the real parts would.
"""

import json
import math
import os
import select
import struct
import sys
from time import sleep_ms, ticks_diff, ticks_ms, time  # type: ignore[attr-defined] # MicroPython's own

sys.path.insert(0, __file__.rpartition("/")[0] or ".")

import config
import node
import selftest
import sensors

TYPE_CHECKING = False  # for mypy; no board has `typing`, and MicroPython looks at no annotation
if TYPE_CHECKING:
    from collections.abc import Callable

    from micropython_types import Entry, Settings

CYCLE_S, FILL_S, WET_S, DRAIN_S, FLOOD_M = 360, 40, 80, 60, 0.05  # a flood begins each CYCLE_S
FAREWELL_MS = 10000
PRESSURE_PIN = 35  # the other analogue pin is the pump's current


def level_m(at: float) -> float:
    """Water over the tray's floor `at` s after the flood began: a rise in FILL_S, WET_S of rest, an emptying that slows
    down."""
    if at < FILL_S:
        return FLOOD_M * at / FILL_S
    if at < FILL_S + WET_S:
        return FLOOD_M
    left = 1 - (at - FILL_S - WET_S) / DRAIN_S
    return FLOOD_M * left * left if left > 0 else 0.0


class Pin:
    def __init__(self, read: Callable[[], int] | None = None) -> None:
        self._read = read
        self.written = 0

    def value(self, value: int | None = None) -> int:
        if value is not None:
            self.written = value
        return self._read() if self._read else self.written


class Adc:
    def __init__(self, read: Callable[[], float]) -> None:
        self._read = read

    def read_u16(self) -> int:
        return max(0, min(65535, int(self._read() * 65535)))


class OneWire:
    """One thermometer on its wire."""

    def __init__(self, celsius: Callable[[], float]) -> None:
        self._celsius = celsius
        self._raw = 0x0550
        self._answer = b""

    def reset(self) -> bool:
        return True

    def writebyte(self, byte: int) -> None:
        if byte == 0x44:
            self._raw = int(self._celsius() * 16) & 0xFFFF
        elif byte == 0xBE:
            said = struct.pack("<H", self._raw) + b"\x4b\x46\x7f\xff\x0c\x10"
            self._answer = said + bytes((sensors.crc8(said, 0x8C, 0, True),))

    def readbyte(self) -> int:
        byte, self._answer = self._answer[0], self._answer[1:]
        return byte


class I2c:
    """A lux sensor at 0x23 and an air sensor at 0x44."""

    def __init__(self, lux: Callable[[], float], air: Callable[[], tuple[float, float]]) -> None:
        self._lux, self._air = lux, air

    def writeto(self, address: int, data: bytes) -> None:
        if address not in (0x23, 0x44):
            raise OSError(19)

    def readfrom(self, address: int, count: int) -> bytes:
        if address == 0x23:
            return struct.pack(">H", min(65535, int(self._lux() * 1.2)))
        celsius, humidity = self._air()
        words = struct.pack(">H", int((celsius + 45) * 65535 / 175)), struct.pack(">H", int(humidity * 655.35))
        return b"".join(word + bytes((sensors.crc8(word, 0x31, 0xFF, False),)) for word in words)


class Board:
    """Time, network and sensors made up. Settings under "bench": `speed_until_s` runs that many seconds of uptime
    as fast as the computer can, without a network, before time goes on as usual; `wall` false leaves the node
    without a clock but for its NTP server; `quiet` makes every value stand still; with `pace` n all that is made up
    goes n times as fast; a flood begins each `cycle_s`."""

    def __init__(self, settings: Settings) -> None:
        bench = settings["bench"]
        self._hurry_ms: int = bench.get("speed_until_s", 0) * 1000
        self._began_ms: int = ticks_ms()
        self._hurried_ms = 0
        self._wall = bench.get("wall", True)
        self._quiet = bench.get("quiet", False)
        self._pace: float = bench.get("pace", 1)
        self._cycle_s: float = bench.get("cycle_s", CYCLE_S)
        self._shift_s: float = time() - self._hurry_ms / 1000
        self.fed = 0

    def now_ms(self) -> int:
        if self._hurried_ms < self._hurry_ms:
            return self._hurried_ms
        since_ms: int = ticks_diff(ticks_ms(), self._began_ms)
        return self._hurry_ms + since_ms

    def sleep_ms(self, ms: int) -> None:
        if self._hurried_ms < self._hurry_ms:
            self._hurried_ms += ms
            self._began_ms = ticks_ms()
        else:
            sleep_ms(ms)

    def set_clock(self, running: node.Node) -> None:
        """Where the host's clock stands in for a time server."""
        if self._wall:
            running.clock.heard(int(self._shift_s * 1000) + self.now_ms(), self.now_ms())
            running.journal.set_offset(running.clock.offset_ms)

    def feed(self) -> None:
        self.fed += 1

    def network_up(self, now_ms: int) -> bool:
        return self._hurried_ms >= self._hurry_ms

    def random(self) -> float:
        return int.from_bytes(os.urandom(2), "little") / 65535

    def _t(self) -> float:
        return 200.0 if self._quiet else (self._shift_s + self.now_ms() / 1000) * self._pace

    def _in_cycle(self) -> float:
        return self._t() % self._cycle_s

    def _slow(self, period_s: float) -> float:
        return math.sin(2 * math.pi * self._t() / period_s)

    def input(self, pin: int) -> Pin:
        return Pin(lambda: int(level_m(self._in_cycle()) < 0.02))

    def output(self, pin: int, value: int = 0) -> Pin:
        return Pin()

    def adc(self, pin: int) -> Adc:
        if pin == PRESSURE_PIN:
            return Adc(lambda: 0.1 + 0.8 * 9790 * level_m(self._in_cycle()) / 2000)
        return Adc(lambda: 0.62 if self._in_cycle() < FILL_S else 0.5)

    def i2c(self) -> I2c:
        return I2c(
            lambda: max(0, 9000 * self._slow(86400) + 200 * self._slow(97)),
            lambda: (23 + 3 * self._slow(86400), 75 - 10 * self._slow(86400)),
        )

    def one_wire(self, pin: int) -> OneWire:
        return OneWire(lambda: 21 + self._slow(86400))

    def pulse(self, pin: Pin, level: int, timeout_us: int) -> int:
        return int((0.25 - level_m(self._in_cycle())) * 2 / (331.3 * (1 + 20 / 273.15) ** 0.5) * 1e6)


def made_up_sensors(tray: str) -> list[Entry]:
    """A full set on one tray, the air and the light at the node's own place."""
    return [
        {"kind": "float", "tray": tray, "pin": 4},
        {"kind": "ultrasonic", "tray": tray, "trigger_pin": 5, "echo_pin": 18, "height_m": 0.25},
        {"kind": "pump", "tray": tray, "pin": 34, "zero": 0.5, "threshold": 0.05},
        {"kind": "thermometer", "tray": tray, "pin": 15},
        {"kind": "lux"},
        {"kind": "air"},
    ]


def settings_from(argument: str) -> tuple[Settings, str, bool]:
    """(settings, folder, attached) of a folder, or of the JSON line on standard input for '-'."""
    if argument != "-":
        return config.load(argument), argument, False
    given = json.loads(sys.stdin.readline())
    folder, tray, attached = given.pop("folder"), given.pop("tray", ""), given.pop("attached", False)
    given.setdefault("sensors", made_up_sensors(tray))
    return config.load(folder, given), folder, attached


def start(argument: str) -> node.Node:
    """The node, its clock set, ready to `run`."""
    return _made(*settings_from(argument)[:2])


def _made(settings: Settings, folder: str) -> node.Node:
    board = Board(settings)
    running = node.Node(settings, board, folder)
    board.set_clock(running)
    return running


def run_attached(running: node.Node) -> None:
    """Run until standard input is closed, send what there is, leave, and print what was sent."""
    waiting = select.poll()
    waiting.register(sys.stdin, select.POLLIN)
    tick_ms, board = running.settings["tick_ms"], running.board
    while not waiting.poll(0) or sys.stdin.readline():
        running.step()
        board.sleep_ms(tick_ms)
    running.sensors = []
    running.journal.close_message()
    until = board.now_ms() + FAREWELL_MS
    while running.journal.outstanding() and board.now_ms() < until:
        running.step()
        board.sleep_ms(tick_ms)
    running.leave()
    sent = running.outbox
    print(json.dumps({"messages": sent.sent, "readings": sent.readings, "held": running.journal.outstanding()}))


if __name__ == "__main__":
    found, place, is_attached = settings_from(sys.argv[1])
    if len(sys.argv) > 2:
        sys.exit(1 if selftest.run(found, Board(found), place) else 0)
    if is_attached:
        run_attached(_made(found, place))
    else:
        _made(found, place).run()
