"""The node: samples on its own clock, journals, sends; each turn of `step` does a little of each.

In: settings and a board (the real one, or a bench). Out: messages on MQTT as contract.md says, and the
pins of pump and drain if it runs a timetable. Nothing in `step` waits for the network.
"""

import json
import os

import clock
import config
import flooding
import journal
import mqtt
import outbox
import sampling
import sensors

TYPE_CHECKING = False  # for mypy; no board has `typing`, and MicroPython looks at no annotation
if TYPE_CHECKING:
    import ssl

    from micropython_types import Board, Seen, Settings, Value

MESSAGE_READINGS = 60  # a message ends here though its minute is not over: it must fit in memory as text

HERE_MS = 10000  # between two `here` messages of one connection, at least: a loose wire must not fill the line


class Node:
    """A node of these settings on this board, its journal in `folder`. SettingsError if they do not fit together."""

    def __init__(self, settings: Settings, board: Board, folder: str = ".") -> None:
        self.settings = settings
        self.board = board
        self.sensors = [sensors.fit(entry, board) for entry in settings["sensors"]]
        names = [name for sensor in self.sensors for name in sensor.names]
        if len(set(names)) != len(names):
            raise config.SettingsError("node.json: two sensors give the same channel of the same tray")
        boot = int.from_bytes(os.urandom(4), "little")
        self.journal = journal.Journal(
            folder + "/" + settings["journal"],
            boot,
            names,
            settings["journal_bytes"],
            settings["segment_bytes"],
            sampling.summary,
        )
        self.outbox = outbox.Outbox(self.journal, settings["window"], settings["resend_s"] * 1000)
        self.clock = clock.Clock(settings["ntp_host"], settings["ntp_port"], settings["ntp_every_s"] * 1000)
        self.faults: dict[str, str] = {}
        self.samples = 0
        self.flooding: flooding.Flooding | None = None
        self._seen: Seen = {}
        self._drains = sampling.DrainWatch()
        self._filters = [self._filter(sensor) for sensor in self.sensors]
        self._due = [0] * len(self.sensors)
        self._pack_at: int | None = None
        self._flush_at = 0
        self._topic = "tidetray/v1/%s/%s/" % (settings["site"], settings["node"])
        self._will = (self._topic + "here", b'{"here":false}')
        self._said: dict[str, object] | None = None
        self._said_at = 0
        self._in_message = 0
        self._wait_ms = settings["first_wait_ms"]
        self._open_at = 0
        self._was_up = False
        self.link = mqtt.Link(
            settings["host"],
            settings["port"],
            settings["site"] + "-" + settings["node"],
            self._message,
            settings["user"],
            settings["password"],
            self._will,
            settings["keepalive_s"],
            settings["answer_ms"],
            _authority(settings, folder),
            settings["server_name"],
        )
        if settings["flooding"]:
            self._fit_flooding(settings["flooding"], names)

    def run(self) -> None:
        """Go on for ever; whatever ends it leaves pump off and drain open."""
        try:
            while True:
                self.step()
                self.board.sleep_ms(self.settings["tick_ms"])
        finally:
            self._make_safe()  # whatever ended it; the watchdog then starts the board anew

    def leave(self) -> None:
        """Put on flash what there is, and say that the node goes on purpose."""
        self._make_safe()
        self.journal.close_message()
        self.link.leave(*self._will)

    def step(self) -> None:
        """One turn: sample, flood, keep, talk, and only then feed the watchdog."""
        now = self.board.now_ms()
        self.sample(now)
        self._flood(now)
        self._keep(now)
        self._talk(now)
        # last: whatever hangs above starts the board anew
        self.board.feed()

    # ---------------------------------------------------------------- sampling

    def sample(self, now: int) -> None:
        """Read the sensors that are due at uptime `now` [ms]."""
        for at, sensor in enumerate(self.sensors):
            if now < self._due[at]:
                continue
            due = self._due[at] + sensor.every_ms
            self._due[at] = due if due > now else now + sensor.every_ms
            try:
                found = sensor.read(now)
            except (sensors.SensorError, OSError) as bad:
                self._bad(at, str(bad))
                continue
            if not found and sensor.kind in ("thermometer", "lux", "load"):
                self._due[at] = min(self._due[at], now + 800)  # begun: fetch it when it is ready
            for name, value in found:
                self.samples += 1
                self.faults.pop(name, None)
                self._taken(at, name, value, now)

    def _taken(self, at: int, name: str, value: Value, now: int) -> None:
        debounced, deadband = self._filters[at][name]
        tray, _, channel = name.rpartition("/")
        seen_at, is_edge = now, False
        if debounced is not None:
            before, since = debounced.value, debounced.see(value, now)
            if since is not None:
                seen_at, is_edge = since, before is not None
            elif value != debounced.value:
                return
        self._seen[name] = (value, now)
        heartbeat_ms = self._drains.heartbeat_ms(tray, value, now) if channel == "level" else sampling.HEARTBEAT_MS
        for uptime_ms, kept in deadband.see(value, seen_at, heartbeat_ms):
            self._add(name, uptime_ms, kept)
        if is_edge:
            self._flush_at = now  # an edge is what the whole tray is about: on flash at once
            if not value:
                self._drains.stopped(tray, now)

    def _add(self, name: str, uptime_ms: int, value: Value) -> None:
        self.journal.add(self.journal.names.index(name), uptime_ms, value)
        self._in_message += 1

    def _bad(self, at: int, why: str) -> None:
        for name, (debounced, deadband) in self._filters[at].items():
            self.faults[name] = why
            self._seen.pop(name, None)
            deadband.gap()
            if debounced is not None:
                debounced.doubt()

    def _filter(self, sensor: sensors.Fitted) -> dict[str, tuple[sampling.Debounced | None, sampling.Deadband]]:
        filters = {}
        for name, channel in zip(sensor.names, sensor.channels):
            flag = config.CHANNELS[channel][3] is None
            hold = self.settings["debounce_ms"] if channel == "flooded" else 300
            filters[name] = (
                sampling.Debounced(hold) if flag else None,
                sampling.Deadband(config.DEADBANDS.get(channel, 0), sensor.every_ms),
            )
        return filters

    # ---------------------------------------------------------------- keeping

    def _keep(self, now: int) -> None:
        if self._pack_at is None:
            self._pack_at = now + self.settings["pack_s"] * 1000
            self._flush_at = now + self.settings["flush_s"] * 1000
        if now >= self._pack_at or self._in_message >= MESSAGE_READINGS:
            self._pack_at = now + self.settings["pack_s"] * 1000
            self._in_message = 0
            self._flush()
            self.journal.close_message()
        elif now >= self._flush_at:
            self._flush_at = now + self.settings["flush_s"] * 1000
            self._flush()

    def _flush(self) -> None:
        if self.journal.flush():
            self.faults.pop("flash", None)
        else:
            self.faults["flash"] = "it cannot be written"

    # ---------------------------------------------------------------- talking

    def _talk(self, now: int) -> None:
        if not self.board.network_up(now):
            if not self.link.closed:
                self.link.close("no network")
            self._lost(now)
            return
        if self.clock.poll(now):
            self.journal.set_offset(self.clock.offset_ms)
        if self.link.closed:
            self._lost(now)
            if now >= self._open_at:
                self._wait()
                self._open_at = now + self._wait_ms
                self.link.open(now)
            return
        self.link.poll(now)
        if not self.link.up:
            return
        if not self._was_up:
            self._was_up = True
            self.link.subscribe(self._topic + "receipt")
            if self.flooding is not None:
                self.link.subscribe(self._topic + "timetable")
            self._said = None
            self.outbox.connected()
        self._say_here(now)
        while not self.link.busy:
            payload = self.outbox.due(now)
            if payload is None:
                break
            self.link.publish(self._topic + "data", payload)
            self.link.poll(now)

    def _lost(self, now: int) -> None:
        if self._was_up:
            self._was_up = False
            self._open_at = now + int(self.board.random() * self._wait_ms)

    def _wait(self) -> None:
        """The next wait: longer each time, and random, so that all nodes of a site do not come back at once."""
        longest = self.settings["longest_wait_ms"]
        self._wait_ms = min(longest, int(self._wait_ms * (1.5 + self.board.random())))

    def _say_here(self, now: int) -> None:
        here: dict[str, object] = {
            "here": True,
            "boot": "%08x" % self.journal.boot,
            "dropped_messages": self.journal.dropped_messages,
            "dropped_readings": self.journal.dropped_readings,
            "spoilt_records": self.journal.bad,
            "faults": sorted(set(self.faults) | ({"flash"} if self.outbox.is_stuck else set())),
        }
        if self.flooding is not None and self.flooding.until_s is not None:
            # said from the start, so that somebody can renew it before it runs out
            here["timetable_until"] = self.flooding.until_s
        if here != self._said and (self._said is None or now - self._said_at >= HERE_MS):
            self._said, self._said_at = here, now
            self.link.publish(self._topic + "here", json.dumps(here).encode(), True)

    def _message(self, topic: str, payload: bytes, kept: bool = False) -> None:
        if topic == self._topic + "receipt":
            if kept:
                return  # it may be old, or anybody's; what it rightly covers is receipted again when it is sent again
            before = self.outbox.ignored
            self.outbox.receipt(payload, self.board.now_ms())
            if self.outbox.ignored == before:
                self._wait_ms = self.settings["first_wait_ms"]  # all the way to the disk and back: the line is good
        elif topic == self._topic + "timetable" and self.flooding is not None:
            self.flooding.take(payload)

    # ---------------------------------------------------------------- flooding

    def _fit_flooding(self, limits: Settings, names: list[str]) -> None:
        tray = limits["tray"]
        self._tray = tray
        self._pump_on, self._drain_closed = limits.get("pump_on", 1), limits.get("drain_closed", 1)
        self._pump = self.board.output(limits["pump_pin"], 1 - self._pump_on)
        self._drain = self.board.output(limits["drain_pin"], 1 - self._drain_closed)
        self.flooding = flooding.Flooding(limits, tray + "/pump" in names)

    def _flood(self, now: int) -> None:
        if self.flooding is None:
            return
        prefix = self._tray + "/"
        seen = {name[len(prefix) :]: value for name, value in self._seen.items() if name.startswith(prefix)}
        self._set(*self.flooding.step(now, self.clock.utc_ms(now), seen))
        if self.flooding.why:
            self.faults["timetable"] = self.flooding.why
        else:
            self.faults.pop("timetable", None)

    def _set(self, pump: bool, closed: bool) -> None:
        self._pump.value(self._pump_on if pump else 1 - self._pump_on)
        self._drain.value(self._drain_closed if closed else 1 - self._drain_closed)

    def _make_safe(self) -> None:
        if self.flooding is not None:
            self._set(False, False)


def _authority(settings: Settings, folder: str) -> ssl.SSLContext | None:
    """The TLS context that believes this one authority and nobody else; None without TLS."""
    if not settings["ca_file"]:
        return None
    import ssl

    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.verify_mode = ssl.CERT_REQUIRED
    try:
        with open(folder + "/" + settings["ca_file"], "rb") as file:
            context.load_verify_locations(cadata=file.read())
    except (OSError, ValueError):
        raise config.SettingsError("%s: not a certificate in DER form. Make it anew (README.md)" % settings["ca_file"])
    return context
