"""compose.yaml: what it says, and its broker and proxy run natively with secrets made as ingest/running.md types it.

Natively changed are only paths, ports, the user to run as, and where the proxy finds the pages.
"""

from __future__ import annotations

import gc
import re
import shutil
import ssl
import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
import yaml
from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from tests.composed import COMPOSE, ROOT, content, secret_file, told
from tests.conftest import Mosquitto
from tests.ingest.recorder.test_recorder import levels, pack, until
from tidetray.ingest.home.embedded_broker import LONGEST_BYTES
from tidetray.ingest.home.health import examine
from tidetray.ingest.recorder.recorder import Recorder
from tidetray.ingest.settings.model import BrokerSettings, Settings
from tidetray.ingest.store.recording import Store
from tidetray.ingest.wire import receipts
from tidetray.ingest.wire.senml import MAX_PAYLOAD_BYTES
from tidetray.ui.web.serve import free_port

BENCH_1 = "tidetray/v1/nursery/bench-1"
BENCH_2 = "tidetray/v1/nursery/bench-2"
REFUSED = 0x80
"""Reason codes from here on are failures (MQTT 5.0, section 2.4)."""


@dataclass(frozen=True)
class Tls:
    broker: Mosquitto
    secrets: Path

    def password(self, user: str) -> str:
        return (self.secrets / f"{user}-password").read_text().strip()

    def settings(self, **more: Any) -> BrokerSettings:
        known = {
            "host": "localhost",
            "port": self.broker.port,
            "username": "recorder",
            "password_file": self.secrets / "recorder-password",
            "ca_file": self.secrets / "authority.pem",
        }
        return BrokerSettings(**{**known, **more})


class ComposeBroker(Mosquitto):
    """Mosquitto with the configuration of compose.yaml."""

    def config(self) -> str:
        (self.folder / "access").write_text(content("broker-access"))
        text = content("broker").replace("listener 8883", f"listener {self.port} 127.0.0.1")
        for name in COMPOSE["secrets"]:
            text = text.replace(f"/run/secrets/{name}", f"{self.folder}/secrets/{secret_file(name)}")
        text = text.replace("/mosquitto/config/", f"{self.folder}/").replace("/mosquitto/data/", f"{self.folder}/")
        return text + "user root\n"  # the folder of a test is closed to others


@pytest.fixture
def tls(secrets: Path, tmp_path: Path, mosquitto_executable: str) -> Iterator[Tls]:
    folder = tmp_path / "tls"
    folder.mkdir()
    (folder / "secrets").symlink_to(secrets)
    broker = ComposeBroker(mosquitto_executable, folder, free_port("127.0.0.1", 0))
    broker.start()
    yield Tls(broker, folder / "secrets")
    broker.stop()


class Client:
    """A client that speaks MQTT 5, whose broker says why it refuses."""

    def __init__(self, tls: Tls, user: str | None, password: str = "", *, host: str = "localhost") -> None:
        self.messages: list[tuple[str, bytes]] = []
        self.reasons: dict[int, int] = {}
        self._answer: list[int] = []
        self._mqtt = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5, reconnect_on_failure=False)
        self._mqtt.tls_set(str(tls.secrets / "authority.pem"))
        if user is not None:
            self._mqtt.username_pw_set(user, password)
        self._mqtt.on_connect = lambda _c, _d, _f, reason, _p: self._answer.append(reason.value)
        self._mqtt.on_publish = lambda _c, _d, mid, reason, _p: self.reasons.update({mid: reason.value})
        self._mqtt.on_subscribe = lambda _c, _d, mid, reasons, _p: self.reasons.update({mid: reasons[0].value})
        self._mqtt.on_message = lambda _c, _d, message: self.messages.append((message.topic, message.payload))
        self._mqtt.connect(host, tls.broker.port)
        self._mqtt.loop_start()
        until(lambda: self._answer)

    @property
    def is_let_in(self) -> bool:
        return self._answer[0] < REFUSED

    def publish(self, topic: str, payload: bytes) -> bool:
        """Whether the broker took it."""
        mid = self._mqtt.publish(topic, payload, qos=1).mid
        until(lambda: mid in self.reasons)
        return self.reasons[mid] < REFUSED

    def subscribe(self, topic: str) -> None:
        _, mid = self._mqtt.subscribe(topic, qos=1)
        assert mid is not None
        until(lambda: mid in self.reasons)

    def close(self) -> None:
        self._mqtt.disconnect()
        self._mqtt.loop_stop()


@contextmanager
def recording(store: Store, broker: BrokerSettings) -> Iterator[Recorder]:
    recorder = Recorder(store, Settings(broker=broker))
    thread = threading.Thread(target=recorder.run)
    thread.start()
    try:
        yield recorder
    finally:
        recorder.stop()
        thread.join(15)
        assert not thread.is_alive()


# --- what the file says ---


def test_every_service_is_pinned_watched_and_started_again() -> None:
    assert set(COMPOSE["services"]) == {"broker", "recorder", "dashboard", "proxy"}
    images = [service["image"] for service in COMPOSE["services"].values()]
    build = COMPOSE["services"]["recorder"]["build"]["dockerfile_inline"]
    for image in [*images, re.findall(r"^FROM (\S+)", build, re.MULTILINE)[0]]:
        assert re.fullmatch(r"[a-z-]+:\d+\.\d+\.\d+[a-z-]*(@sha256:[0-9a-f]{64})?", image), image
    for service in COMPOSE["services"].values():
        assert service["restart"] == "unless-stopped"
        assert service["healthcheck"]["test"][0] in ("CMD", "CMD-SHELL")


def test_only_encrypted_ports_are_open() -> None:
    ports = {name: service.get("ports", []) for name, service in COMPOSE["services"].items()}
    assert ports == {"broker": ["8883:8883"], "recorder": [], "dashboard": [], "proxy": ["443:8443"]}
    assert re.findall(r"^listener .*", content("broker"), re.MULTILINE) == ["listener 8883"]
    assert "allow_anonymous false" in content("broker")


def test_no_broker_takes_what_no_recorder_could_read() -> None:
    """One bound for a message: at the broker, at the embedded broker, in the decoder."""
    limits = re.findall(r"^\s*message_size_limit (\d+)$", content("broker"), re.MULTILINE)
    assert limits == [str(MAX_PAYLOAD_BYTES)]
    assert LONGEST_BYTES == MAX_PAYLOAD_BYTES


def test_secrets_come_by_file_and_each_service_gets_its_own_only() -> None:
    declared = set(COMPOSE["secrets"])
    for service in COMPOSE["services"].values():
        text = yaml.safe_dump(service)
        used = set(re.findall(r"/run/secrets/([\w-]+)", text))
        for config in service.get("configs", []):
            used |= set(re.findall(r"/run/secrets/([\w-]+)", content(config["source"])))
        assert used == set(service.get("secrets", []))
        assert used <= declared
        for name, value in service.get("environment", {}).items():
            assert "PASSWORD" not in name or (name.endswith("_FILE") and value.startswith("/run/secrets/"))


def test_the_settings_of_the_containers_are_settings(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("recorder", "dashboard"):
        for variable, value in COMPOSE["services"][name]["environment"].items():
            monkeypatch.setenv(variable, value)
    settings = Settings()
    assert (settings.broker.host, settings.broker.port, settings.broker.username) == ("broker", 8883, "recorder")
    assert (settings.dashboard.host, settings.dashboard.port) == ("0.0.0.0", 8501)


def test_influxdb_beside_them_as_told(monkeypatch: pytest.MonkeyPatch) -> None:
    more = yaml.safe_load(told("compose: influx"))
    assert re.fullmatch(r"influxdb:2\.\d+\.\d+", more["services"]["influx"]["image"])
    assert "ports" not in more["services"]["influx"]
    assert set(more["services"]) - set(COMPOSE["services"]) == {"influx"}
    for variable, value in more["services"]["recorder"]["environment"].items():
        monkeypatch.setenv(variable, value)
    settings = Settings().influx
    assert settings.url == f"http://influx:{more['services']['influx']['expose'][0]}"
    assert settings.token_file is not None
    # both in the record's volume, which is kept
    assert {str(settings.token_file.parent), str(settings.admin_token_file and settings.admin_token_file.parent)} == {
        "/record"
    }


def test_what_the_image_copies_is_there_and_let_into_the_build() -> None:
    build = COMPOSE["services"]["recorder"]["build"]["dockerfile_inline"]
    let_in = [line[1:] for line in (ROOT / ".dockerignore").read_text().splitlines() if line.startswith("!")]
    for line in re.findall(r"^COPY (.*)", build, re.MULTILINE):
        for source in line.split()[:-1]:
            assert (ROOT / source).exists()
            assert source in let_in


# --- the broker ---


def test_a_node_and_the_recorder_over_tls(tls: Tls, bench_store: Store) -> None:
    node = Client(tls, "bench-1", tls.password("bench-1"))
    node.subscribe(f"{BENCH_1}/receipt")
    with recording(bench_store, tls.settings()) as recorder:
        assert recorder.connected.wait(15)
        assert node.publish(f"{BENCH_1}/data", pack(1))
        assert node.publish(f"{BENCH_1}/here", b'{"here": true, "boot": "a1"}')
        until(
            lambda: (
                (f"{BENCH_1}/receipt", receipts.encode_receipt("a1", 1, home=bench_store.home_id())) in node.messages
            )
        )
    node.close()
    assert levels(bench_store.path) == [0.001]


@pytest.mark.parametrize(("user", "password"), [("bench-1", "wrong"), ("bench-1", ""), ("nobody", "wrong"), (None, "")])
def test_a_wrong_password_or_none_is_refused(tls: Tls, user: str | None, password: str) -> None:
    client = Client(tls, user, password)
    assert not client.is_let_in
    client.close()


def test_the_recorder_with_a_wrong_password_is_refused_and_told(tls: Tls, tmp_path: Path) -> None:
    wrong = tls.settings(username="bench-1")
    (tmp_path / "tidetray.toml").write_text(
        f'[broker]\nhost = "localhost"\nport = {wrong.port}\nusername = "bench-1"\n'
        f'password_file = "{wrong.password_file}"\nca_file = "{wrong.ca_file}"\n'
    )
    (finding,) = [found for found in examine(tmp_path) if found.subject == "broker"]
    assert not finding.ok
    assert "refused: Not authorized. Correct username and password under [broker]" in finding.text


def test_a_node_writes_only_its_own_topics(tls: Tls, bench_store: Store) -> None:
    node = Client(tls, "bench-1", tls.password("bench-1"))
    assert node.is_let_in
    for topic in (
        f"{BENCH_2}/data",
        f"{BENCH_2}/here",
        f"{BENCH_2}/receipt",
        f"{BENCH_1}/receipt",
        f"{BENCH_1}/timetable",
        f"{BENCH_1}/data/more",
        "tidetray/v1/other-site/bench-1/data",
        "tidetray/alarms/v1/recorder/here",
        "shed/probe",
    ):
        assert not node.publish(topic, pack(1)), topic
    with recording(bench_store, tls.settings()) as recorder:
        assert recorder.connected.wait(15)
        assert node.publish(f"{BENCH_1}/data", pack(2))
        until(lambda: recorder.totals.committed == 1)
    node.close()


def test_a_node_reads_only_its_own_receipts(tls: Tls) -> None:
    first, second = (Client(tls, name, tls.password(name)) for name in ("bench-1", "bench-2"))
    recorder = Client(tls, "recorder", tls.password("recorder"))
    for topic in ("#", f"{BENCH_2}/receipt", "tidetray/v1/+/+/data", f"{BENCH_1}/receipt", f"{BENCH_1}/timetable/#"):
        first.subscribe(topic)
    assert second.publish(f"{BENCH_2}/data", pack(1))
    assert not recorder.publish(f"{BENCH_1}/data", pack(1))  # nobody speaks for a node
    mine = [f"{BENCH_1}/receipt", f"{BENCH_1}/timetable", f"{BENCH_1}/timetable/tray-1"]
    for topic in [f"{BENCH_2}/receipt", f"{BENCH_2}/timetable", "tidetray/alarms/v1/recorder/here", *mine]:
        assert recorder.publish(topic, b"{}")
    until(lambda: {topic for topic, _ in first.messages} >= set(mine))
    assert {topic for topic, _ in first.messages} == set(mine)
    for client in (first, second, recorder):
        client.close()


def test_the_health_check_sees_the_broker_and_nothing_else(tls: Tls) -> None:
    health, node = Client(tls, "health", tls.password("health")), Client(tls, "bench-1", tls.password("bench-1"))
    health.subscribe("#")
    health.subscribe("$SYS/broker/uptime")
    assert node.publish(f"{BENCH_1}/data", pack(1))
    assert not health.publish(f"{BENCH_1}/data", pack(1))
    until(lambda: health.messages)
    assert {topic for topic, _ in health.messages} == {"$SYS/broker/uptime"}
    for client in (health, node):
        client.close()
    check = (
        COMPOSE["services"]["broker"]["healthcheck"]["test"][1].replace("$$", "$").replace("8883", str(tls.broker.port))
    )
    check = check.replace("/run/secrets/authority", f"{tls.secrets}/authority.pem").replace(
        "/run/secrets", str(tls.secrets)
    )
    subprocess.run(["bash", "-c", check], check=True, capture_output=True, timeout=30)
    assert subprocess.run(
        ["bash", "-c", check.replace("-u health", "-u bench-1")], check=False, capture_output=True
    ).returncode


def test_a_plain_text_connection_is_refused(tls: Tls) -> None:
    client = mqtt.Client(CallbackAPIVersion.VERSION2, reconnect_on_failure=False)
    client.username_pw_set("bench-1", tls.password("bench-1"))
    ended, let_in = threading.Event(), threading.Event()
    client.on_connect = lambda *_: let_in.set()
    client.on_disconnect = lambda *_: ended.set()
    client.connect("localhost", tls.broker.port)
    client.loop_start()
    assert ended.wait(15)
    client.loop_stop()
    assert not let_in.is_set()


# paho leaves it to Python to close a connection that failed at its start
leaves_a_socket = pytest.mark.filterwarnings(
    "ignore::pytest.PytestUnraisableExceptionWarning", "ignore:unclosed <ssl.SSLSocket:ResourceWarning"
)


def refusal(tls: Tls, store: Store, caplog: pytest.LogCaptureFixture, **settings: Any) -> str:
    """What a recorder says that does not take the broker for the one it is to speak to."""
    with recording(store, tls.settings(**settings)) as recorder:
        until(lambda: "no connection to the broker" in caplog.text)
        assert not recorder.connected.is_set()
    gc.collect()
    return caplog.text


@leaves_a_socket
def test_an_expired_certificate_is_refused(tls: Tls, bench_store: Store, caplog: pytest.LogCaptureFixture) -> None:
    folder = tls.broker.folder / "expired"
    shutil.copytree(tls.secrets, folder)
    signing = re.findall(r"openssl x509 -req .*?server\.pem", told("secrets"), re.DOTALL)[0]
    subprocess.run(
        ["bash", "-euc", signing.replace("-days 825", "-days -1")], cwd=folder, check=True, capture_output=True
    )
    tls.broker.stop()
    (tls.broker.folder / "secrets").unlink()
    folder.rename(tls.broker.folder / "secrets")
    tls.broker.start()
    assert "certificate has expired" in refusal(tls, bench_store, caplog)
    with pytest.raises(ssl.SSLCertVerificationError, match="certificate has expired"):
        Client(tls, "bench-1", tls.password("bench-1"))
    gc.collect()


@leaves_a_socket
def test_another_authority_is_refused(
    tls: Tls, bench_store: Store, caplog: pytest.LogCaptureFixture, tmp_path: Path
) -> None:
    other = [
        "openssl",
        "req",
        "-x509",
        "-newkey",
        "ec",
        "-pkeyopt",
        "ec_paramgen_curve:P-256",
        "-nodes",
        "-subj",
        "/CN=x",
    ]
    subprocess.run(
        [*other, "-keyout", str(tmp_path / "x.key"), "-out", str(tmp_path / "x.pem")], check=True, capture_output=True
    )
    assert "unable to get local issuer certificate" in refusal(tls, bench_store, caplog, ca_file=tmp_path / "x.pem")


@leaves_a_socket
def test_another_name_is_refused(tls: Tls, bench_store: Store, caplog: pytest.LogCaptureFixture) -> None:
    assert "certificate is not valid for '127.0.0.1'" in refusal(tls, bench_store, caplog, host="127.0.0.1")
