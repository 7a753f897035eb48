"""`check --prepare` and `check`: what is made, that it is made once, with which rights; and what is said when it is
not."""

from __future__ import annotations

import json
import stat
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from urllib.parse import quote

import pytest

from tests.influx.server import Server
from tests.ingest.store.test_recording import T0, sent
from tests.ui.cli.test_main import home, run
from tidetray.ingest.core.readings import to_ms
from tidetray.ingest.influx.client import Influx, InfluxError
from tidetray.ingest.influx.queue import forwarding_of, set_forwarding
from tidetray.ingest.influx.reader import InfluxReader
from tidetray.ingest.influx.sender import Forwarder
from tidetray.ingest.influx.setup import daily_task, examine_influx, prepare_influx, task_name
from tidetray.ingest.settings.model import InfluxSettings, SettingsError, load_settings
from tidetray.ingest.store.recording import Store, open_store

__all__ = ["home"]


def as_toml(settings: InfluxSettings) -> str:
    lines = [
        f"{name} = {json.dumps(str(value) if isinstance(value, Path) else value)}"
        for name, value in settings.model_dump().items()
        if value is not None
    ]
    return "[influx]\n" + "\n".join(lines) + "\n"


def test_a_new_server_is_set_up_and_the_second_time_changes_nothing(own_server: Server, tmp_path: Path) -> None:
    settings = own_server.settings(tmp_path, keep_days=400)
    ok, text = examine_influx(settings)
    assert not ok
    assert "cannot read InfluxDB's token file" in text
    assert list(prepare_influx(settings)) == [
        f"administrator 'tidetray-admin': token in {settings.admin_token_file}, password beside it",
        "organisation 'nurseries'",
        "bucket 'tidetray', which keeps 400 days",
        "bucket 'tidetray-hourly', which keeps everything",
        "task 'tidetray days of tidetray', each hour",
        f"token in {settings.token_file}: it may read and write these two buckets, and nothing else",
    ]
    secrets = [
        tmp_path / "tidetray-token",
        own_server.folder / "admin-token",
        own_server.folder / "admin-token.password",
    ]
    assert [stat.S_IMODE(secret.stat().st_mode) for secret in secrets] == [0o600] * 3
    before = [secret.read_text() for secret in secrets]
    assert len({*before}) == 3
    assert examine_influx(settings) == (
        True,
        f"{own_server.url} answers; the token may read and write 'tidetray' and 'tidetray-hourly'",
    )
    own_server.stop()
    own_server.start()
    things = own_server.administer("/api/v2/buckets"), own_server.administer("/api/v2/tasks")
    tokens = own_server.administer("/api/v2/authorizations")
    again = list(prepare_influx(settings))
    assert again == [
        "organisation 'nurseries'",
        "bucket 'tidetray', which keeps 400 days",
        "bucket 'tidetray-hourly', which keeps everything",
        "task 'tidetray days of tidetray', each hour",
        f"token in {settings.token_file}, as it was",
    ]
    assert [secret.read_text() for secret in secrets] == before
    assert (own_server.administer("/api/v2/buckets"), own_server.administer("/api/v2/tasks")) == things
    assert own_server.administer("/api/v2/authorizations") == tokens


def found(answer: Any, kind: str, name: str) -> dict[str, Any]:
    (one,) = [each for each in answer[kind] if each["name"] == name]
    assert isinstance(one, dict)
    return one


def test_other_settings_are_brought_about(server: Server, buckets: Callable[..., InfluxSettings]) -> None:
    settings = buckets(keep_days=400)
    list(prepare_influx(settings))
    list(prepare_influx(settings.model_copy(update={"keep_days": 90})))
    bucket = found(server.administer(f"/api/v2/buckets?name={settings.bucket}"), "buckets", settings.bucket)
    assert [rule["everySeconds"] for rule in bucket["retentionRules"]] == [90 * 86_400]
    list(prepare_influx(settings.model_copy(update={"keep_days": 0})))
    bucket = found(server.administer(f"/api/v2/buckets?name={settings.bucket}"), "buckets", settings.bucket)
    assert [rule["everySeconds"] for rule in bucket["retentionRules"] if rule["everySeconds"]] == []
    named = f"/api/v2/tasks?name={quote(task_name(settings))}"
    task = found(server.administer(named), "tasks", task_name(settings))
    assert (task["every"], task["status"], task["flux"]) == ("1h", "active", daily_task(settings))
    server.administer(f"/api/v2/tasks/{task['id']}", {"status": "inactive"}, method="PATCH")
    list(prepare_influx(settings))
    assert found(server.administer(named), "tasks", task_name(settings))["status"] == "active"


def test_the_token_may_do_what_it_has_to_and_no_more(server: Server, buckets: Callable[..., InfluxSettings]) -> None:
    mine, others = buckets(), buckets()
    list(prepare_influx(mine))
    list(prepare_influx(others))
    assert examine_influx(mine)[0]
    with Influx(mine) as influx:
        with pytest.raises(InfluxError, match=r"there is no organisation or bucket of that name|not allowed"):
            influx.write(others.bucket, ["reading,site=x value=1.0 0"])
        with pytest.raises(InfluxError):
            influx.ask("from(bucket: _bucket) |> range(start: 0)", {"_bucket": others.bucket})
        assert influx.client.tasks_api().find_tasks() == []
    reading = mine.model_copy(update={"forward": False, "token_file": Path(f"{mine.token_file}-to-read")})
    assert list(prepare_influx(reading))[-1].endswith("it may read these two buckets, and nothing else")
    assert examine_influx(reading) == (
        True,
        f"{server.url} answers; the token may read '{mine.bucket}' and '{mine.bucket}-hourly'",
    )
    with Influx(reading) as influx, pytest.raises(InfluxError, match="the token is not allowed to write into"):
        influx.write(mine.bucket, ["reading,site=x value=1.0 0"])
    # a token that may only read is found out by the recorder's home
    ok, text = examine_influx(reading.model_copy(update={"forward": True}))
    assert not ok
    assert (
        f"the token is not allowed to write into '{mine.bucket}'. Make another with `tidetray check --prepare`" in text
    )
    # and replaced by one that may
    writing = reading.model_copy(update={"forward": True})
    assert "it may read and write" in list(prepare_influx(writing))[-1]
    assert examine_influx(writing)[0]


def test_looking_writes_no_point(influx: InfluxSettings) -> None:
    assert examine_influx(influx)[0]
    with Influx(influx) as asked:
        for bucket in (influx.bucket, influx.hourly_bucket):
            assert asked.ask("from(bucket: _bucket) |> range(start: 0)", {"_bucket": bucket}).empty


def test_what_is_missing_is_said(server: Server, influx: InfluxSettings, tmp_path: Path) -> None:
    def says(**other: Any) -> str:
        with pytest.raises((InfluxError, SettingsError)) as error:
            list(prepare_influx(influx.model_copy(update=other)))
        return str(error.value)

    assert says(url=None) == "tidetray.toml: no InfluxDB is named. Give `url` under [influx]"
    assert says(token_file=None) == "[influx]: nowhere to put the token. Name a `token_file` under [influx]"
    assert "the server is set up already, and its administrator's token is needed" in says(admin_token_file=None)
    assert "cannot read the administrator's token" in says(admin_token_file=tmp_path / "none")
    (tmp_path / "wrong").write_text("wrong\n")
    assert "the token is not known there" in says(admin_token_file=tmp_path / "wrong")
    assert "nothing answers there" in says(url="http://127.0.0.1:9")
    (tmp_path / "file").write_text("")
    assert f"{tmp_path / 'file' / 'token'}: cannot be written" in says(token_file=tmp_path / "file" / "token")


def test_the_task_makes_days_of_hours(server: Server, bench_store: Store, influx: InfluxSettings) -> None:
    midnight = datetime.now(UTC).replace(hour=0, minute=0, second=0, microsecond=0)
    day = (midnight - timedelta(days=2) - T0).total_seconds()
    bench_store.record([sent(*[("water_temp", day + s, 20 + s / 86_400) for s in range(0, 86_400, 600)])])
    with Influx(influx) as writer:
        set_forwarding(bench_store, influx)
        Forwarder(bench_store, writer, influx).drain()
        flux = daily_task(influx).split("\n")
        # a task's own option belongs to the scheduler: the same lines, run now
        writer.ask("\n".join(line for line in flux if not line.startswith("option task")), {})
        (made,) = InfluxReader(writer).days("nursery").to_dict("records")
    assert (made["site"], made["tray"], made["node"], made["channel"]) == ("nursery", "tray-1", "bench-1", "water_temp")
    assert made["time"] == midnight - timedelta(days=2)
    assert (made["n"], made["min"]) == (144, 20.0)
    assert made["max"] == pytest.approx(20 + 85_800 / 86_400)
    assert made["covered_s"] == pytest.approx(85_800)
    assert made["mean"] == pytest.approx(20 + 85_800 / 86_400 / 2)


def test_commands_from_a_new_home_to_all_sites(
    home: Path, server: Server, buckets: Callable[..., InfluxSettings]
) -> None:
    settings = buckets()
    (home / "tidetray.toml").write_text(as_toml(settings))
    assert load_settings(home).influx == settings
    said = run("check", "--prepare", "--home", home, expect=1)  # no broker here: that is to mend
    assert "ready organisation 'nurseries'" in said
    assert f"ok    InfluxDB: {settings.url} answers; the token may read and write" in said
    token = settings.read_token()
    assert token not in said
    assert "as it was" in run("check", "--prepare", "--home", home, expect=1)
    with open_store(home / "tidetray.sqlite") as store:
        set_forwarding(store, settings)
    waiting = "InfluxDB: 250 readings wait"
    assert waiting in run("status", "--home", home)
    assert waiting in run("check", "--home", home, expect=1)
    assert json.loads(run("status", "--home", home, "--json"))["influx"] == {
        "target": f"{settings.url} nurseries/{settings.bucket}",
        "waiting": 250,
        "refused": 0,
        "trouble": "",
    }
    with open_store(home / "tidetray.sqlite") as store, Influx(settings) as writer:
        Forwarder(store, writer, settings).drain()
        state = forwarding_of(store)
        assert state is not None
        assert state.sentence == "all readings are passed on"
        # another nursery's recorder, which we see nothing else of
        writer.write(
            settings.bucket, [f"reading,site=hillside,tray=tray-9,channel=level,node=n-1 value=0.0125 {to_ms(T0)}"]
        )
    rows = json.loads(run("sites", "--home", home, "--json"))["rows"]
    assert {row["site"] for row in rows} == {"nursery", "hillside"}
    (theirs,) = [row for row in rows if row["site"] == "hillside"]
    assert (theirs["tray"], theirs["unit"], theirs["value"], theirs["time"]) == (
        "tray-9",
        "m",
        0.0125,
        "2026-06-01T08:00:00.000Z",
    )
    assert "0.0125" in run("sites", "--home", home)
    assert "hillside" not in run("sites", "--home", home, "--site", "nursery")
    assert "No readings of a site 'x' there." in run("sites", "--home", home, "--site", "x")


def test_pages_and_commands_read_from_the_server_where_the_settings_say_so(
    home: Path, server: Server, buckets: Callable[..., InfluxSettings]
) -> None:
    settings = buckets()
    list(prepare_influx(settings))
    with open_store(home / "tidetray.sqlite") as store, Influx(settings) as writer:
        set_forwarding(store, settings)
        Forwarder(store, writer, settings).drain()
    commands = (["cycles"], ["exposure", "--environment"], ["exposure"], ["exposure", "--daily"], ["growth"])
    here = [run(*command, "--home", home, "--json") for command in commands]
    reads = settings.model_copy(update={"read": True})
    for more in ([], ["cycle", "cycles_due", "series"]):
        with open_store(home / "tidetray.sqlite") as store:
            for table in ["hourly", "reading", *more]:  # so that nothing could come from here
                store.connection.execute(f"DELETE FROM {table}")
        # without cycles of its own it is a home that only reads
        (home / "tidetray.toml").write_text(as_toml(reads.model_copy(update={"forward": not more})))
        assert [run(*command, "--home", home, "--json") for command in commands] == here
