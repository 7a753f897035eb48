"""The rights of compose.yaml's broker, tried out user by user over TLS: publish, retained, last will, subscribe."""

from __future__ import annotations

import re

from paho.mqtt import client as mqtt

from tests.composed import COMPOSE, ROOT, told
from tests.security.rights import Rights
from tests.test_compose import Tls, tls  # noqa: F401

OWN, OTHER = "tidetray/v1/nursery/bench-1", "tidetray/v1/nursery/bench-2"
TOPICS = (
    f"{OWN}/data",
    f"{OWN}/here",
    f"{OWN}/receipt",
    f"{OWN}/timetable/tray-1",
    f"{OTHER}/data",
    f"{OTHER}/here",
    f"{OTHER}/receipt",
    f"{OTHER}/timetable/tray-4",
    "tidetray/v1/elsewhere/bench-1/data",
    "tidetray/v1/nursery/health/data",
    "tidetray/v1/nursery/recorder/data",
    "tidetray/recorder/v1/echo",
)

MATRIX = """\
bench-1   tidetray/v1/nursery/bench-1/data               prw-
bench-1   tidetray/v1/nursery/bench-1/here               prw-
bench-1   tidetray/v1/nursery/bench-1/receipt            ---s
bench-1   tidetray/v1/nursery/bench-1/timetable/tray-1   ---s
bench-1   tidetray/v1/nursery/bench-2/data               ----
bench-1   tidetray/v1/nursery/bench-2/here               ----
bench-1   tidetray/v1/nursery/bench-2/receipt            ----
bench-1   tidetray/v1/nursery/bench-2/timetable/tray-4   ----
bench-1   tidetray/v1/elsewhere/bench-1/data             ----
bench-1   tidetray/v1/nursery/health/data                ----
bench-1   tidetray/v1/nursery/recorder/data              ----
bench-1   tidetray/recorder/v1/echo                      ----
recorder  tidetray/v1/nursery/bench-1/data               ---s
recorder  tidetray/v1/nursery/bench-1/here               ---s
recorder  tidetray/v1/nursery/bench-1/receipt            prw-
recorder  tidetray/v1/nursery/bench-1/timetable/tray-1   prw-
recorder  tidetray/v1/nursery/bench-2/data               ---s
recorder  tidetray/v1/nursery/bench-2/here               ---s
recorder  tidetray/v1/nursery/bench-2/receipt            prw-
recorder  tidetray/v1/nursery/bench-2/timetable/tray-4   prw-
recorder  tidetray/v1/elsewhere/bench-1/data             ----
recorder  tidetray/v1/nursery/health/data                ----
recorder  tidetray/v1/nursery/recorder/data              ----
recorder  tidetray/recorder/v1/echo                      prws
health    tidetray/v1/nursery/bench-1/data               ----
health    tidetray/v1/nursery/bench-1/here               ----
health    tidetray/v1/nursery/bench-1/receipt            ----
health    tidetray/v1/nursery/bench-1/timetable/tray-1   ----
health    tidetray/v1/nursery/bench-2/data               ----
health    tidetray/v1/nursery/bench-2/here               ----
health    tidetray/v1/nursery/bench-2/receipt            ----
health    tidetray/v1/nursery/bench-2/timetable/tray-4   ----
health    tidetray/v1/elsewhere/bench-1/data             ----
health    tidetray/v1/nursery/health/data                ----
health    tidetray/v1/nursery/recorder/data              ----
health    tidetray/recorder/v1/echo                      ----"""
"""user, topic: p(ublish), r(etain), w(ill), s(ubscribe). Mosquitto knows no separate right to leave a message retained;
the recorder does not record retained `data`."""


def test_each_user_of_the_composed_broker_has_the_rights_of_the_table(tls: Tls) -> None:  # noqa: F811
    def connect(client: mqtt.Client, user: str) -> None:
        client.tls_set(str(tls.secrets / "authority.pem"))
        client.username_pw_set(user, tls.password(user))
        client.connect("localhost", tls.broker.port)

    listening = {
        "bench-1": [f"{OWN}/receipt", f"{OWN}/timetable/#"],
        "bench-2": [f"{OTHER}/receipt", f"{OTHER}/timetable/#"],
        "recorder": ["tidetray/v1/+/+/data", "tidetray/v1/+/+/here", "tidetray/recorder/#"],
    }
    tried = Rights(connect, listening)
    found = tried.matrix(("bench-1", "recorder", "health"), TOPICS)
    print(f"\n{found}\ncomposed broker: tried={tried.tried} refused={tried.refused}")
    assert found == MATRIX


def test_the_recorders_name_at_the_broker_is_random_and_made_with_the_secrets() -> None:
    assert COMPOSE["services"]["recorder"]["env_file"] == ["${TIDETRAY_SECRETS:-./secrets}/recorder.env"]
    (line,) = re.findall(r"^.*> recorder\.env$", told("secrets"), re.MULTILINE)
    assert "TIDETRAY_RECORD__CLIENT_ID=tidetray-" in line
    assert "openssl rand -hex 12" in line
    assert "secrets" not in (ROOT / ".dockerignore").read_text()  # never let into the image
