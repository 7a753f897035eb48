"""Settings in three layers: DEFAULTS here, `node.json` (this node), `secrets.json` (nobody else's business).

In: a folder with the two files. Out: one dict, or SettingsError with every fault in it, a line each.
Does not open pins or lines; a secret is never printed.
"""

import errno
import json

TYPE_CHECKING = False  # for mypy; no board has `typing`, and MicroPython looks at no annotation
if TYPE_CHECKING:
    from micropython_types import Entry, Settings

CHANNELS = {
    # name: unit, lowest, highest, decimals on the wire (0 and a flag where there is no unit)
    "level": ("m", -0.05, 1.0, 4),
    "flooded": ("", 0, 1, None),
    "pump": ("", 0, 1, None),
    "water_temp": ("Cel", -5.0, 60.0, 2),
    "air_temp": ("Cel", -20.0, 60.0, 2),
    "humidity": ("%RH", 0.0, 105.0, 1),
    "light": ("lx", 0.0, 200000.0, 1),
    "ppfd": ("", 0.0, 4000.0, 1),
    "mass": ("kg", -0.1, 50.0, 4),
    "battery": ("%EL", 0.0, 100.0, 0),
    "supply": ("V", 0.0, 60.0, 2),
}

DEADBANDS = {
    "level": 0.002,
    "water_temp": 0.1,
    "air_temp": 0.1,
    "humidity": 0.5,
    "light": 50.0,
    "ppfd": 2.0,
    "mass": 0.002,
    "battery": 1,
    "supply": 0.05,
}

DEFAULTS = {
    "site": "",
    "node": "",
    "board": "device",
    "host": "",
    "port": 8883,
    "ca_file": "ca.der",  # "" sends everything in the clear
    "server_name": "",  # the name in the broker's certificate, where it is not `host`
    "keepalive_s": 60,
    "answer_ms": 10000,
    "first_wait_ms": 1000,
    "longest_wait_ms": 300000,
    "ntp_host": "",  # a time server: your router, or the computer of the recorder; "" where there is none
    "ntp_port": 123,
    "ntp_every_s": 3600,
    "pack_s": 60,
    "flush_s": 10,
    "window": 8,
    "resend_s": 30,
    "journal": "journal",
    "journal_bytes": 1048576,
    "segment_bytes": 16384,
    "tick_ms": 50,
    "debounce_ms": 2000,
    "watchdog_ms": 8000,
    "i2c": {},
    "sensors": [],
    "flooding": None,
    "bench": {},
}

SENSORS = {
    # kind: what its entry needs, what it may have besides "tray", "every_ms" and "calibration"
    "float": (("pin",), ("brake_pin",)),
    "thermometer": (("pin",), ("rom", "channel")),
    "lux": ((), ("address",)),
    "air": ((), ("address",)),
    "ultrasonic": (("trigger_pin", "echo_pin", "height_m"), ("air_c",)),
    "pressure": (("pin", "full_pa"), ()),
    "pump": (("pin", "zero", "threshold"), ()),
    "load": (("clock_pin", "data_pin"), ()),
}
EVERY_SENSOR = ("kind", "tray", "every_ms", "calibration")

FLOODING = (("tray", "pump_pin", "drain_pin"), ("pump_on", "drain_closed", "max_fill_s", "max_wet_s", "max_drain_s"))

SECRETS = ("wifi_name", "wifi_password", "user", "password")

ID_LETTERS = "abcdefghijklmnopqrstuvwxyz0123456789-"


class SettingsError(Exception):
    """All that is wrong with the settings, a line each."""


def load(folder: str, overrides: Settings | None = None) -> Settings:
    """The settings of the node whose files are in `folder`; `overrides` stands above all layers (a bench uses it)."""
    faults: list[str] = []
    settings = dict(DEFAULTS)
    for name in SECRETS:
        settings[name] = ""
    layers = (("node.json", tuple(DEFAULTS)), ("secrets.json", SECRETS))
    for file, known in layers:
        _add(settings, _read(folder + "/" + file, faults), known, file, faults)
    _add(settings, overrides or {}, tuple(DEFAULTS) + SECRETS, "overrides", faults)
    _check(settings, faults)
    if faults:
        raise SettingsError("\n".join(faults))
    return settings


def is_id(text: object) -> bool:
    """Whether it can name a site, a node or a tray (contract.md)."""
    return isinstance(text, str) and 0 < len(text) <= 32 and text[0] != "-" and all(c in ID_LETTERS for c in text)


def _read(path: str, faults: list[str]) -> Settings:
    try:
        with open(path) as file:
            found = json.load(file)
    except OSError as error:
        if error.errno != errno.ENOENT:
            faults.append("%s: cannot be read (%s). Start the board again, or copy the file anew" % (path, error))
        return {}
    except ValueError:
        faults.append(path + ": not JSON. Check quotes and commas")
        return {}
    if not isinstance(found, dict):
        faults.append(path + ": not an object. It starts with { and ends with }")
        return {}
    return found


def _add(settings: Settings, found: Settings, known: tuple[str, ...], file: str, faults: list[str]) -> None:
    for name, value in found.items():
        if name in SECRETS and name not in known:
            faults.append("%s: %s is a secret. Move it to secrets.json" % (file, name))
        elif name not in known:
            faults.append("%s: %s is not a setting. Take it out or mend its name" % (file, name))
        elif name not in SECRETS and not _same_kind(value, DEFAULTS[name]):
            faults.append("%s: %s is %r. It must be like %r" % (file, name, value, DEFAULTS[name]))
        else:
            settings[name] = value


def _same_kind(value: object, default: object) -> bool:
    if default is None:
        return value is None or isinstance(value, dict)
    if isinstance(default, bool) or isinstance(value, bool):
        return isinstance(value, bool) and isinstance(default, bool)
    return isinstance(value, type(default))


def _check(settings: Settings, faults: list[str]) -> None:
    for name in ("site", "node"):
        if not is_id(settings[name]):
            faults.append("node.json: %s is %r. Use a-z, 0-9 and '-', at most 32 characters" % (name, settings[name]))
    if not settings["host"]:
        faults.append("node.json: host is missing. Name the broker")
    for name, low, high in (
        ("port", 1, 65535),
        ("pack_s", 1, 300),
        ("flush_s", 0, 60),
        ("tick_ms", 1, 100),  # edges of the float switch are wanted at 10 Hz or better
        ("window", 1, 32),
        ("journal_bytes", 65536, 1 << 26),
        ("segment_bytes", 8192, 65536),
    ):
        if not low <= settings[name] <= high:
            faults.append("node.json: %s is %r. Use %d to %d" % (name, settings[name], low, high))
    for number, sensor in enumerate(settings["sensors"], 1):
        _check_sensor(sensor, "node.json: sensor %d" % number, faults)
    if settings["flooding"] is not None:
        _check_flooding(settings["flooding"], settings["sensors"], "node.json: flooding", faults)


def _check_sensor(sensor: Entry, where: str, faults: list[str]) -> None:
    kind = sensor.get("kind") if isinstance(sensor, dict) else None
    if kind not in SENSORS:
        faults.append("%s: kind is %r. Known are %s" % (where, kind, ", ".join(sorted(SENSORS))))
        return
    where += " (%s)" % kind
    needed, optional = SENSORS[kind]
    _check_keys(sensor, needed, optional + EVERY_SENSOR, where, faults)
    if sensor.get("tray", "") != "" and not is_id(sensor["tray"]):
        faults.append("%s: tray is %r. Use a-z, 0-9 and '-', at most 32 characters" % (where, sensor["tray"]))
    for name, value in sensor.items():
        whole = name in ("every_ms", "address", "pin") or name.endswith("_pin")
        if whole and not (is_whole(value) and value >= 0):
            faults.append("%s: %s is %r. Use a whole number" % (where, name, value))
        elif name in ("height_m", "air_c", "full_pa", "zero", "threshold") and not is_number(value):
            faults.append("%s: %s is %r. Use a number" % (where, name, value))
    if sensor.get("channel", "water_temp") not in ("water_temp", "air_temp"):
        faults.append("%s: channel is %r. Use water_temp or air_temp" % (where, sensor["channel"]))
    calibration = sensor.get("calibration", {})
    for channel, factors in calibration.items() if isinstance(calibration, dict) else [("", None)]:
        if (
            channel not in CHANNELS
            or not isinstance(factors, list)
            or len(factors) != 2
            or not all(map(is_number, factors))
        ):
            faults.append('%s: calibration %r. Give {"channel": [gain, offset]}' % (where, calibration))


def _check_flooding(flooding: Settings, sensors: list[Entry], where: str, faults: list[str]) -> None:
    _check_keys(flooding, FLOODING[0], FLOODING[1], where, faults)
    for name, value in flooding.items():
        low, high = {"pump_on": (0, 1), "drain_closed": (0, 1), "max_wet_s": (1, 86400)}.get(name, (1, 3600))
        if name.endswith("_pin"):
            low, high = 0, 255
        if name != "tray" and not (is_whole(value) and low <= value <= high):
            faults.append("%s: %s is %r. Use %d to %d" % (where, name, value, low, high))
    floats = [s.get("tray") for s in sensors if isinstance(s, dict) and s.get("kind") == "float"]
    if flooding.get("tray") not in floats:
        faults.append("%s: no float switch on tray %r. Without one no flood is begun" % (where, flooding.get("tray")))


def _check_keys(
    found: Settings, needed: tuple[str, ...], optional: tuple[str, ...], where: str, faults: list[str]
) -> None:
    for name in needed:
        if name not in found:
            faults.append("%s: %s is missing" % (where, name))
    for name in found:
        if name not in needed and name not in optional:
            faults.append("%s: %s is not known here. Take it out or mend its name" % (where, name))


def is_whole(value: object) -> bool:
    """Whether it is a whole number, and no flag."""
    return isinstance(value, int) and not isinstance(value, bool)


def is_number(value: object) -> bool:
    """Whether it is a number, and no flag."""
    return is_whole(value) or isinstance(value, float)
