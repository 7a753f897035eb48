"""The self-test: what each sensor says, and whether flash can be written. At the prompt: `import selftest;
selftest.main()`.

Starts no watchdog and opens no line.
"""

import os

import config
import sensors

TYPE_CHECKING = False  # for mypy; no board has `typing`, and MicroPython looks at no annotation
if TYPE_CHECKING:
    from micropython_types import Board, Settings


def run(settings: Settings, board: Board, folder: str = ".") -> int:
    """Print a line per sensor and one for the flash; the number of lines that are not well."""
    lines = [(entry["kind"], _ask(sensors.fit(entry, board), board)) for entry in settings["sensors"]]
    lines.append(("flash", _try_flash(folder)))
    for part, (well, said) in lines:
        print("%-12s %s%s" % (part, "" if well else "BAD: ", said))
    return sum(not well for _, (well, _) in lines)


def _ask(sensor: sensors.Fitted, board: Board) -> tuple[bool, str]:
    for _ in range(10):
        try:
            found = sensor.read(board.now_ms())
        except sensors.SensorError as bad:
            return False, str(bad)
        if found:
            said = ["%s %s %s" % (name, value, _unit(name)) for name, value in found]
            raw = ["%.6g" % value for _, value in sensor.uncalibrated]
            return True, ", ".join(said) + "; uncalibrated " + ", ".join(raw)
        board.sleep_ms(400)
    return False, "it says nothing"


def _unit(name: str) -> str:
    return config.CHANNELS[name.rpartition("/")[2]][0]


def _try_flash(folder: str) -> tuple[bool, str]:
    path = folder + "/self-test.tmp"
    try:
        with open(path, "wb") as file:
            file.write(b"x" * 4096)
        os.remove(path)
    except OSError as error:
        return False, "cannot be written: %s" % error
    return True, "can be written"


def main() -> None:
    """On the real board, with the files beside the program."""
    import board

    settings = config.load(".")
    run(settings, board.Board(settings))
