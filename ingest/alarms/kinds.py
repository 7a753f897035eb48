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
    "Before you reach in: switch the pump and the lamp off, at the breaker if the floor or the plug is wet, "
    "with dry hands. Floors can be slippery. Work on mains wiring is for a qualified person, under your "
    "local code."
)

_STRAINER = "Check the drain and its strainer: roots and algae gather there."
_RESERVOIR = "Check the water in the reservoir."


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
                "Check the drain and its strainer: is it blocked? Then check whether the pump kept running, "
                "and where the water went."
            ),
            ("flood outside the schedule",),
            water=True,
        ),
        Kind(
            "did not drain",
            HIGH,
            f"{_STRAINER} Then check whether the pump is still running.",
            ("drained slowly", "drain slowing", "missed flood", "flood outside the schedule"),
            water=True,
        ),
        Kind(
            "pump running dry",
            HIGH,
            f"{_RESERVOIR} A pump without water is destroyed: switch it off. Then check its strainer and hose.",
            ("no flood", "flood mark not reached", "missed flood", "pump weakening"),
            water=True,
        ),
        Kind(
            "pump did not stop",
            HIGH,
            (
                "Switch the pump off at the plug, or at the breaker if the floor or the plug is wet. Then check "
                "the node that should have stopped it."
            ),
            ("flood outside the schedule",),
            water=True,
        ),
        Kind(
            "no flood",
            HIGH,
            f"{_RESERVOIR} Then check whether the pump has power, and whether its hose came off.",
            ("missed flood",),
            water=True,
        ),
        Kind(
            "missed flood",
            HIGH,
            "Check the node: does it have the timetable, the right time, and power for the pump?",
            water=True,
        ),
        Kind(
            "flood mark not reached",
            MEDIUM,
            f"{_RESERVOIR} Then check the pump's strainer and hose, and look for a leak in the tray.",
            ("pump weakening",),
            water=True,
        ),
        Kind(
            "water too low",
            HIGH,
            "Check the tray: does it leak? Then check the top-up: reservoir, pump and hose.",
            water=True,
        ),
        Kind(
            "drained slowly",
            MEDIUM,
            "Check the strainer of the drain: it is clogging. Clean it before the next flood.",
            ("drain slowing",),
            water=True,
        ),
        Kind(
            "flood outside the schedule",
            MEDIUM,
            "Check whether somebody floods it by hand. Then check the node's timetable and clock.",
            water=True,
        ),
        # slow change
        Kind("drain slowing", LOW, "Clean the strainer of the drain within days: it is clogging.", water=True),
        Kind(
            "pump weakening",
            LOW,
            "Within days, check the pump's strainer and hose, and the water in the reservoir.",
            water=True,
        ),
        # the pump or reservoir that several trays share
        Kind(
            "pump or reservoir failed",
            HIGH,
            f"{_RESERVOIR} Then check whether the pump has power: several trays get no water from it.",
            ("no flood", "pump running dry", "flood mark not reached", "missed flood"),
            water=True,
        ),
        # sensors
        Kind(
            "float against level",
            MEDIUM,
            (
                "Check the tray: is it wet or dry? The float or the level sensor is wrong: free the float, "
                "clean the level sensor."
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
            "level not moving",
            MEDIUM,
            (
                "Check the level sensor: its cable, its mount, what lies under it. Until it moves, see for yourself "
                "that the tray floods and drains: no alarm for its water rests on the level."
            ),
            ("flat line", "did not drain", "drained slowly", "flood mark not reached", "drain slowing"),
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
            "Check the sensor: its value has not changed for hours. Is its cable wet, or is it out of its place?",
        ),
        Kind("out of range", LOW, "Check the sensor and its cable: it sends impossible values."),
        Kind(
            "known bad value",
            LOW,
            "Check the sensor's cable and supply: it sends the value that such parts give when they fail.",
        ),
        Kind(
            "no readings", MEDIUM, "Check the sensor and its cable: its node sends readings, but none of this sensor."
        ),
        # room
        Kind(
            "too high",
            MEDIUM,
            "Check heating, lamp and ventilation, and whether the sensor hangs in the lamp's light.",
        ),
        Kind("too low", MEDIUM, "Check heating and open doors, and whether the sensor is in its place."),
        Kind(
            "light missing",
            MEDIUM,
            "Check the lamp's timer and plug. Then check whether the light sensor is covered.",
        ),
        Kind(
            "lamp at the wrong hour",
            LOW,
            "Check the lamp's timer: its clock may be wrong. Then check whether another light is on.",
        ),
        # nodes
        Kind(
            "node stopped flooding",
            HIGH,
            "Check the pump, the water in the reservoir and the drain, and whether the timetable has ended. "
            "After a flood without water, current or drain, the node stops flooding until it gets a "
            "timetable with another number, or is restarted.",
            ("missed flood", "no flood", "timetable ending"),
            water=True,
        ),
        Kind(
            "timetable ending",
            MEDIUM,
            "Publish the timetable again (`tidetray timetable publish`) before it ends. If the recorder renews it, "
            "check whether the node is connected and may read its timetable at the broker.",
        ),
        Kind(
            "node cannot store",
            MEDIUM,
            "Check whether the node is connected: it holds only its newest readings, and what it cannot send "
            "is lost. Then change its board: its memory can no longer be written.",
        ),
        Kind(
            "battery low",
            LOW,
            (
                "Charge only a protected pack, with a charger made for it, dry, on a surface that cannot burn, and "
                "not unattended; take a swollen cell to battery recycling by your local rules. Charge or change the "
                "battery of the node."
            ),
        ),
        Kind(
            "supply low",
            MEDIUM,
            (
                "Switch the node's supply off at the plug before you touch it. Check it: its voltage drops before it "
                "fails."
            ),
        ),
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
            "Check the node: does it have power, is it connected? Nothing is known of its trays until it is back.",
        ),
        Kind(
            "no node heard",
            HIGH,
            "Check the network and the broker: no node of the site sends anything.",
            ("silent node",),
        ),
        Kind(
            "no connection to the broker",
            HIGH,
            "Check the broker, and the network between it and the recorder.",
            ("no node heard", "silent node"),
        ),
    )
)
"""`look_first` is common practice, no source. High, medium and low should be about 5, 15 and 80 in 100 of the
alarms that people are notified of: ISA-18.2-2016, 16.4.8, and IEC 62682, read as an article on alarms, "Which measure
(rationalized or annunciated) is more important?" quotes them."""

SILENCE = ("silent node", "no node heard", "no connection to the broker")
"""While one of them stands, nothing is known of the trays behind it: it mutes all that they raise."""

SAME_CAUSE = {("too high", "vpd"): ("too high", "air_temp")}
"""(kind, channel) muted while the other stands at the same place: hot air is dry air."""
