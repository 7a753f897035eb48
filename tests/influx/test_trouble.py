"""What stands between the record and the server: said in plain words, waited for, and recording goes on."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest

from tests.influx.passing import levels, passing_on, record_levels
from tests.ingest.recorder.test_recorder import until
from tests.ingest.store.test_recording import stored
from tidetray.ingest.influx.client import InfluxError
from tidetray.ingest.influx.queue import forwarding_of
from tidetray.ingest.influx.thread import ForwardService
from tidetray.ingest.settings.model import InfluxSettings
from tidetray.ingest.store.recording import Store


@pytest.mark.parametrize(
    ("harm", "says"),
    [
        ({"token": "wrong"}, "the token is not known there"),
        ({"bucket": "not-there"}, "there is no organisation or bucket of that name to write into 'not-there'"),
        ({"org": "not-there"}, "there is no organisation or bucket of that name to write into"),
        ({"url": "http://127.0.0.1:9"}, "nothing answers there"),
    ],
)
def test_what_stands_in_the_way_is_said_and_waited_for(
    bench_store: Store, influx: InfluxSettings, harm: dict[str, str], says: str
) -> None:
    harmed = InfluxSettings.model_validate({**influx.model_dump(), **harm})
    with passing_on(bench_store.path, harmed) as forwards:
        wanted = record_levels(bench_store, range(0, 500, 10))
        for _ in range(2):
            with pytest.raises(InfluxError, match=says):
                forwards.drain()
        state = forwarding_of(bench_store)
        assert state is not None
        assert (state.waiting, state.refused) == (50, 0)
    with passing_on(bench_store.path, influx) as forwards:
        forwards.drain()
    assert levels(influx) == wanted


@pytest.mark.parametrize("status", [429, 500, 503])
def test_a_server_in_trouble_is_waited_for(bench_store: Store, influx: InfluxSettings, status: int) -> None:
    with answering(status) as url:
        ill = InfluxSettings.model_validate({**influx.model_dump(), "url": url})
        with passing_on(bench_store.path, ill) as forwards:
            record_levels(bench_store, [0, 10])
            with pytest.raises(InfluxError, match="too much to do" if status == 429 else f"in trouble .{status}: told"):
                forwards.drain()
            assert forwarding_of(bench_store).waiting == 2  # type: ignore[union-attr]


@contextmanager
def answering(status: int, wait_s: float = 0.0) -> Iterator[str]:
    """A server that gives every request the same answer."""

    class Answer(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            self.rfile.read(int(self.headers.get("Content-Length", 0)))
            time.sleep(wait_s)
            body = b'{"code": "x", "message": "told"}'
            self.send_response(status)
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, *_: object) -> None:
            pass

    class Quiet(ThreadingHTTPServer):
        def handle_error(self, *_: object) -> None:
            pass  # the client hung up: as it should

    server = Quiet(("127.0.0.1", 0), Answer)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}"
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


def test_a_server_that_hangs_is_not_waited_for_for_ever(bench_store: Store, influx: InfluxSettings) -> None:
    with answering(204, wait_s=3.0) as url:
        hung = InfluxSettings.model_validate({**influx.model_dump(), "url": url, "timeout_s": 1.0})
        with passing_on(bench_store.path, hung) as forwards:
            record_levels(bench_store, [0])
            with pytest.raises(InfluxError, match="no answer within 1 s"):
                forwards.drain()


def test_recording_goes_on_while_the_server_hangs(bench_store: Store, influx: InfluxSettings) -> None:
    with answering(204, wait_s=5.0) as url:
        hung = InfluxSettings.model_validate({**influx.model_dump(), "url": url, "timeout_s": 2.0})
        service = ForwardService(Path(bench_store.path).parent, hung, first_wait_s=0.05)
        service.start()
        try:
            until(lambda: service.state() is not None)
            record_levels(bench_store, range(0, 1000, 10))
            until(lambda: service.state().trouble)  # type: ignore[union-attr]
            bench_store.connection.execute("PRAGMA busy_timeout=0")  # a lock held by the other thread would be an error
            for start in range(1000, 20_000, 1000):
                record_levels(bench_store, range(start, start + 1000, 10))
        finally:
            service.stop()
    assert len(stored(bench_store)) == 2000
    assert forwarding_of(bench_store).waiting == 2000  # type: ignore[union-attr]
