"""The alarms there are: their names, how urgent, what to look at first, and which of them is whose cause.

Constants only, in the words of IEC 62682 where it has them. No I/O, no rules: when an alarm is raised is for
`tray_rules`, `signal_rules` and `watch` to say.
"""

from __future__ import annotations

from dataclasses import dataclass

PRIORITIES = HIGH, MEDIUM, LOW = "high", "medium", "low"
"""High: plants or pump are lost within hours, told at any hour. Medium and low wait for the end of quiet hours."""


@dataclass(frozen=True, slots=True)
class Kind:
    """`consequences` are muted at the same place while this one stands."""

    name: str
    priority: str
    look_first: str
    consequences: tuple[str, ...] = ()
    water: bool = False


MAINS = (
    "Before you reach in: switch the pump and the lamp off at the plug or the breaker, with dry hands and on "
    "dry ground. Floors may be wet and slippery. Work on mains wiring is for a qualified person, under your "
    "local codes."
)

_STRAINER = "Look first at the drain and its strainer: roots and algae gather there."
_RESERVOIR = "Look first at the water in the reservoir."


class _Kinds(dict[str, Kind]):
    """A book may hold alarms of a kind that this version does not have: they are shown, not stumbled over."""

    def __missing__(self, name: str) -> Kind:
        return Kind(name, LOW, "This version of tidetray does not have this alarm. Acknowledge it, or update tidetray.")


KINDS = _Kinds(
    (kind.name, kind)
    for kind in (
        # water
        Kind(
            "overflow",
            HIGH,
            (
                "Look first at the drain and its strainer: is it blocked? Then whether the pump ran on, and "
                "where the water went."
            ),
            ("flood outside the schedule",),
            water=True,
        ),
        Kind(
            "did not drain",
            HIGH,
            f"{_STRAINER} Then whether the pump is still running.",
            ("drained slowly", "drain slowing", "missed flood", "flood outside the schedule"),
            water=True,
        ),
        Kind(
            "pump running dry",
            HIGH,
            f"{_RESERVOIR} A pump without water is destroyed: switch it off. Then its strainer and hose.",
            ("no flood", "flood mark not reached", "missed flood", "pump weakening"),
            water=True,
        ),
        Kind(
            "pump did not stop",
            HIGH,
            "Look first at the pump: switch it off at the plug. Then at the node that should have.",
            ("flood outside the schedule",),
            water=True,
        ),
        Kind(
            "no flood",
            HIGH,
            f"{_RESERVOIR} Then whether the pump has power, and whether its hose came off.",
            ("missed flood",),
            water=True,
        ),
        Kind(
            "missed flood",
            HIGH,
            "Look first at the node: has it the timetable, the right time, and power for the pump?",
            water=True,
        ),
        Kind(
            "flood mark not reached",
            MEDIUM,
            f"{_RESERVOIR} Then the pump's strainer and hose, and the tray for a leak.",
            ("pump weakening",),
            water=True,
        ),
        Kind(
            "water too low",
            HIGH,
            "Look first at the tray: does it leak? Then at the top-up: reservoir, pump and hose.",
            water=True,
        ),
        Kind(
            "drained slowly",
            MEDIUM,
            "Look first at the strainer of the drain: it is clogging. Clean it before the next flood.",
            ("drain slowing",),
            water=True,
        ),
        Kind(
            "flood outside the schedule",
            MEDIUM,
            "Look first whether somebody floods it by hand. Then the node's timetable and clock.",
            water=True,
        ),
        # slow change
        Kind("drain slowing", LOW, "Clean the strainer of the drain within days: it is clogging.", water=True),
        Kind(
            "pump weakening",
            LOW,
            "Look within days at the pump's strainer and hose, and the water in the reservoir.",
            water=True,
        ),
        # the pump or reservoir that several trays share
        Kind(
            "pump or reservoir failed",
            HIGH,
            f"{_RESERVOIR} Then whether the pump has power: several trays get no water from it.",
            ("no flood", "pump running dry", "flood mark not reached", "missed flood"),
            water=True,
        ),
        # sensors
        Kind(
            "float against level",
            MEDIUM,
            (
                "Look first at the tray: is it wet or dry? The float or the level sensor is wrong: free the "
                "float, clean the level sensor."
            ),
            (
                "no flood",
                "pump running dry",
                "flood mark not reached",
                "did not drain",
                "drained slowly",
                "water too low",
                "flat line",
            ),
        ),
        Kind(
            "float chattering",
            LOW,
            "Check the float and its cable: is it loose, does water splash at it, has its contact worn out?",
            ("float against level", "no flood", "flood mark not reached", "did not drain", "drained slowly"),
        ),
        Kind(
            "flat line",
            LOW,
            "Look first at the sensor: it has stood still for hours. Is its cable wet, is it out of its place?",
        ),
        Kind("out of range", LOW, "Look first at the sensor and its cable: it sends what cannot be."),
        Kind(
            "known bad value",
            LOW,
            "Look first at the sensor's cable and supply: it sends the value such parts give when they fail.",
        ),
        Kind("no readings", MEDIUM, "Look first at the sensor and its cable: its node is heard, but not this sensor."),
        # room
        Kind(
            "too high",
            MEDIUM,
            "Look first at heating, lamp and ventilation, and whether the sensor hangs in the lamp's light.",
        ),
        Kind("too low", MEDIUM, "Look first at heating and open doors, and whether the sensor is in its place."),
        Kind(
            "light missing",
            MEDIUM,
            "Look first at the lamp's timer and plug. Then whether the light sensor is covered.",
        ),
        Kind(
            "lamp at the wrong hour",
            LOW,
            "Look first at the lamp's timer: its clock may be wrong. Then whether another light is on.",
        ),
        # nodes
        Kind(
            "node stopped flooding",
            HIGH,
            "Look first at the pump, the water in the reservoir and the drain: after a flood without water, "
            "current or drain the node floods no more until it gets a timetable with another number, or a "
            "new start.",
            ("missed flood", "no flood"),
            water=True,
        ),
        Kind(
            "node cannot store",
            MEDIUM,
            "Look first whether the node is connected: it holds only its newest readings, and what it cannot "
            "send is lost. Then change its board: its memory refuses to be written.",
        ),
        Kind("battery low", LOW, "Charge or change the battery of the node."),
        Kind("supply low", MEDIUM, "Look first at the power supply of the node: it sags before it fails."),
        Kind(
            "clock wrong",
            LOW,
            "Check the clock that is named here: has it network time? Floods may come at the wrong hour.",
            ("missed flood", "flood outside the schedule"),
        ),
        Kind(
            "record in danger",
            HIGH,
            "Stop the recorder cleanly (systemctl stop, or Ctrl-C) and start it again: it then writes all it holds. "
            "Then find the program that removed the file: keep clean-up and sync programs out of the home.",
        ),
        Kind(
            "silent node",
            HIGH,
            "Look first at the node: has it power, is it connected? Nothing is known of its trays meanwhile.",
        ),
        Kind(
            "no node heard",
            HIGH,
            "Look first at the network and the broker: no node of the site is heard.",
            ("silent node",),
        ),
        Kind(
            "no connection to the broker",
            HIGH,
            "Look first at the broker and the network between it and the recorder.",
            ("no node heard", "silent node"),
        ),
    )
)
"""`look_first` is common practice, no source. High, medium and low should be about 5, 15 and 80 in 100 alarms
(IEC 62682, from memory)."""

SILENCE = ("silent node", "no node heard", "no connection to the broker")
"""While one of them stands, nothing is known of the trays behind it: it mutes all that they raise."""

SAME_CAUSE = {("too high", "vpd"): ("too high", "air_temp")}
"""(kind, channel) muted while the other stands at the same place: hot air is dry air."""
