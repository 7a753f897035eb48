"""RFC 8428 (Jennings, Shelby, Arkko, Keranen, Bormann 2018), section 5.1: the JSON examples against their resolved
form.

Examples and resolved forms were read in the authors' drafts and generated example files (repository
core-wg/senml-spec), not in the printed RFC. Resolved times of examples without a base time are "now".
The examples carry bver 5, 10 or none over the drafts; nothing else in them depends on it.
"""

import json

import pytest
from pydantic import TypeAdapter

from tidetray.ingest.wire.senml import Record, ResolvedRecord, parse_records, resolve

NOW_S = 1_495_587_631.0  # what the drafts' generator had as "now" in ex2.gen.resolved.json and ex9.gen.resolved.json
WIRE_OF = {"name": "n", "unit": "u", "time_s": "t", "value": "v", "text": "vs", "flag": "vb", "data": "vd", "sum": "s"}


def resolved(pack: str) -> list[dict[str, object]]:
    records, wrong = parse_records(pack.encode())
    assert wrong == {}
    return [as_sent(record) for record in resolve(records, NOW_S)]


def as_sent(record: ResolvedRecord) -> dict[str, object]:
    return {label: getattr(record, ours) for ours, label in WIRE_OF.items() if getattr(record, ours) not in (None, "")}


def same(found: list[dict[str, object]], printed: str) -> bool:
    # times to a microsecond: the sum of two doubles near 1.3e9 is good to 2e-7
    return found == [
        {label: pytest.approx(value, abs=1e-6) if label == "t" else value for label, value in record.items()}
        for record in json.loads(printed)
    ]


SINGLE = '[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]'

MULTIPLE_NOW = """[
  {"bn":"urn:dev:ow:10e2073a01080063:","n":"voltage","u":"V","v":120.1},
  {"n":"current","u":"A","v":1.2}
]"""

MULTIPLE_TIMES = """[
  {"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,"bu":"A","bver":5,
   "n":"voltage","u":"V","v":120.1},
  {"n":"current","t":-5,"v":1.2},
  {"n":"current","t":-4,"v":1.3},
  {"n":"current","t":-3,"v":1.4},
  {"n":"current","t":-2,"v":1.5},
  {"n":"current","t":-1,"v":1.6},
  {"n":"current","v":1.7}
]"""

STREAM = """[
  {"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,"bu":"%RH","v":21.2},
  {"t":10,"v":21.3},
  {"t":20,"v":21.4},
  {"t":30,"v":21.4},
  {"t":40,"v":21.5},
  {"t":50,"v":21.5},
  {"t":60,"v":21.5},
  {"t":70,"v":21.6},
  {"t":80,"v":21.7},
  {"t":90,"v":21.5}
]"""

MEASUREMENTS = """[
  {"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,
   "bu":"%RH","v":20},
  {"u":"lon","v":24.30621},
  {"u":"lat","v":60.07965},
  {"t":60,"v":20.3},
  {"u":"lon","t":60,"v":24.30622},
  {"u":"lat","t":60,"v":60.07965},
  {"t":120,"v":20.7},
  {"u":"lon","t":120,"v":24.30623},
  {"u":"lat","t":120,"v":60.07966},
  {"u":"%EL","t":150,"v":98},
  {"t":180,"v":21.2},
  {"u":"lon","t":180,"v":24.30628},
  {"u":"lat","t":180,"v":60.07967}
]"""

COLLECTION = """[
  {"bn":"2001:db8::2/","bt":1.320078429e+09,"n":"temperature","u":"Cel","v":25.2},
  {"n":"humidity","u":"%RH","v":30},
  {"bn":"2001:db8::1/","n":"temperature","u":"Cel","v":12.3},
  {"n":"humidity","u":"%RH","v":67}
]"""

DATA_TYPES = """[
  {"bn":"urn:dev:ow:10e2073a01080063:","n":"temp","u":"Cel","v":23.1},
  {"n":"label","vs":"Machine Room"},
  {"n":"open","vb":false},
  {"n":"nfv-reader","vd":"aGkgCg"}
]"""

THERMOSTAT = """[
  {"bn":"urn:dev:ow:10e2073a01080063:","n":"temp","u":"Cel","v":23.1},
  {"n":"heat","u":"/","v":1},
  {"n":"fan","u":"/","v":0}
]"""

LIGHTS_ON = """[
  {"bt":1.320078429e+09,"bu":"/","n":"2001:db8::3","v":1},
  {"n":"2001:db8::4","v":1}
]"""

LIGHTS_OFF = """[
  {"bt":1.320078429e+09,"bu":"/","n":"2001:db8::3","v":0.5},
  {"n":"2001:db8::4","v":0.5},
  {"n":"2001:db8::3","t":0.1,"v":0},
  {"n":"2001:db8::4","t":0.1,"v":0}
]"""


def test_single_datapoint() -> None:
    # section 5.1.1: "approximately now"
    assert same(resolved(SINGLE), f'[{{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","t":{NOW_S},"v":23.1}}]')


def test_multiple_datapoints_now() -> None:
    # section 5.1.2, ex2.gen.resolved.json
    assert same(
        resolved(MULTIPLE_NOW),
        """[
  {"n":"urn:dev:ow:10e2073a01080063:voltage","u":"V","t":1.495587631e+09,"v":120.1},
  {"n":"urn:dev:ow:10e2073a01080063:current","u":"A","t":1.495587631e+09,"v":1.2}
]""",
    )


def test_multiple_datapoints_of_the_last_seconds() -> None:
    # section 5.1.2, ex3.gen.resolved.json. That file keeps the order of the pack, although section
    # 4.6 wants order of time: the voltage, of the last instant, comes after the five earlier currents.
    assert same(
        resolved(MULTIPLE_TIMES),
        """[
  {"n":"urn:dev:ow:10e2073a0108006:current","u":"A","t":1.276020071001e+09,"v":1.2},
  {"n":"urn:dev:ow:10e2073a0108006:current","u":"A","t":1.276020072001e+09,"v":1.3},
  {"n":"urn:dev:ow:10e2073a0108006:current","u":"A","t":1.276020073001e+09,"v":1.4},
  {"n":"urn:dev:ow:10e2073a0108006:current","u":"A","t":1.276020074001e+09,"v":1.5},
  {"n":"urn:dev:ow:10e2073a0108006:current","u":"A","t":1.276020075001e+09,"v":1.6},
  {"n":"urn:dev:ow:10e2073a0108006:voltage","u":"V","t":1.276020076001e+09,"v":120.1},
  {"n":"urn:dev:ow:10e2073a0108006:current","u":"A","t":1.276020076001e+09,"v":1.7}
]""",
    )


def test_stream() -> None:
    # section 5.1.2, the start of the stream; ex4.gen.resolved.json
    times_values = [
        (0, 21.2),
        (10, 21.3),
        (20, 21.4),
        (30, 21.4),
        (40, 21.5),
        (50, 21.5),
        (60, 21.5),
        (70, 21.6),
        (80, 21.7),
        (90, 21.5),
    ]
    assert resolved(STREAM) == [
        {"n": "urn:dev:ow:10e2073a01080063", "u": "%RH", "t": 1_320_067_464.0 + t, "v": v} for t, v in times_values
    ]


def test_multiple_measurements() -> None:
    # sections 5.1.3 and 5.1.4, ex5.gen.resolved.json
    assert same(
        resolved(MEASUREMENTS),
        """[
  {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067464e+09,"v":20},
  {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067464e+09,"v":24.30621},
  {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067464e+09,"v":60.07965},
  {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067524e+09,"v":20.3},
  {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067524e+09,"v":24.30622},
  {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067524e+09,"v":60.07965},
  {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067584e+09,"v":20.7},
  {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067584e+09,"v":24.30623},
  {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067584e+09,"v":60.07966},
  {"n":"urn:dev:ow:10e2073a01080063","u":"%EL","t":1.320067614e+09,"v":98},
  {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067644e+09,"v":21.2},
  {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067644e+09,"v":24.30628},
  {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067644e+09,"v":60.07967}
]""",
    )


def test_multiple_data_types() -> None:
    # section 5.1.5, ex7.gen.json; there is no unit where none was sent
    at = {"t": NOW_S}
    assert resolved(DATA_TYPES) == [
        {"n": "urn:dev:ow:10e2073a01080063:temp", "u": "Cel", "v": 23.1, **at},
        {"n": "urn:dev:ow:10e2073a01080063:label", "vs": "Machine Room", **at},
        {"n": "urn:dev:ow:10e2073a01080063:open", "vb": False, **at},
        {"n": "urn:dev:ow:10e2073a01080063:nfv-reader", "vd": "aGkgCg", **at},
    ]


def test_collection_of_resources() -> None:
    # section 5.1.6, ex6.gen.resolved.json (the pack is put together from it and the text: "the last record
    # would use the Base Name from the 3rd record but the Base Time from the first record")
    assert same(
        resolved(COLLECTION),
        """[
  {"n":"2001:db8::2/temperature","u":"Cel","t":1.320078429e+09,"v":25.2},
  {"n":"2001:db8::2/humidity","u":"%RH","t":1.320078429e+09,"v":30},
  {"n":"2001:db8::1/temperature","u":"Cel","t":1.320078429e+09,"v":12.3},
  {"n":"2001:db8::1/humidity","u":"%RH","t":1.320078429e+09,"v":67}
]""",
    )


def test_setting_an_actuator() -> None:
    # section 5.1.7, ex9.gen.resolved.json, ex12.gen.resolved.json; ex13.gen.json by its text: "100 ms in the future"
    assert same(
        resolved(THERMOSTAT),
        """[
  {"n":"urn:dev:ow:10e2073a01080063:temp","u":"Cel","t":1.495587631e+09,"v":23.1},
  {"n":"urn:dev:ow:10e2073a01080063:heat","u":"/","t":1.495587631e+09,"v":1},
  {"n":"urn:dev:ow:10e2073a01080063:fan","u":"/","t":1.495587631e+09,"v":0}
]""",
    )
    assert same(
        resolved(LIGHTS_ON),
        """[
  {"n":"2001:db8::3","u":"/","t":1.320078429e+09,"v":1},
  {"n":"2001:db8::4","u":"/","t":1.320078429e+09,"v":1}
]""",
    )
    assert same(
        resolved(LIGHTS_OFF),
        """[
  {"n":"2001:db8::3","u":"/","t":1.320078429e+09,"v":0.5},
  {"n":"2001:db8::4","u":"/","t":1.320078429e+09,"v":0.5},
  {"n":"2001:db8::3","u":"/","t":1.3200784291e+09,"v":0},
  {"n":"2001:db8::4","u":"/","t":1.3200784291e+09,"v":0}
]""",
    )


@pytest.mark.parametrize("pack", [MULTIPLE_TIMES, STREAM, MEASUREMENTS, COLLECTION, LIGHTS_ON, LIGHTS_OFF])
def test_a_resolved_pack_resolves_to_itself(pack: str) -> None:
    # section 4.6: no base fields, no relative times, in order of time
    once = resolved(pack)
    again = resolve(TypeAdapter(list[Record]).validate_python(once), NOW_S + 1000)
    assert [as_sent(record) for record in again] == once
