"""InfluxDB made ready, as the settings name it, and looked at: what `tidetray check` says of it.

Comes in: the settings of [influx]. Goes out: organisation, two buckets with their retention, a task and a token on the
server; findings in plain words. Doing it twice changes nothing the second time. Holds no readings.

The token of this home may do what it needs and no more: read and write the two buckets where the home passes readings
on, read them where it does not. The administrator's token is used here only.
"""

from __future__ import annotations

import secrets
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import Any

from influxdb_client import (
    Authorization,
    BucketRetentionRules,
    InfluxDBClient,
    OnboardingRequest,
    Permission,
    PermissionResource,
    PostBucketRequest,
    TaskCreateRequest,
    TaskUpdateRequest,
)
from influxdb_client.service.setup_service import SetupService

from tidetray.ingest.core.readings import TidetrayError
from tidetray.ingest.influx.client import Influx, InfluxError
from tidetray.ingest.influx.queue import DAILY, HOURLY
from tidetray.ingest.settings.edit import replace_file
from tidetray.ingest.settings.model import InfluxSettings

ADMIN = "tidetray-admin"
TASK_DAYS = 35
"""So many days back are made of their hours again each hour: a node may come back with readings of weeks."""

_PROBE = "from(bucket: _bucket) |> range(start: -1m) |> limit(n: 1)"


def daily_task(settings: InfluxSettings) -> str:
    """Days (UTC) out of hourly summaries, in Flux. The hours themselves come from the recorders, which redo them for
    late readings."""
    bucket = settings.hourly_bucket  # a name of letters, digits, '.', '_' and '-' by the settings: it ends no string
    parts = [("n", "sum"), ("min", "min"), ("max", "max"), ("integral", "sum"), ("covered_s", "sum")]
    made = "\n".join(f'days(field: "{field}", fn: {function}) |> to(bucket: "{bucket}")' for field, function in parts)
    return f"""import "date"
option task = {{name: "{task_name(settings)}", every: 1h, offset: 5m}}
first = date.truncate(t: date.sub(from: now(), d: {TASK_DAYS}d), unit: 1d)
days = (field, fn) => from(bucket: "{bucket}")
    |> range(start: first)
    |> filter(fn: (r) => r._measurement == "{HOURLY}" and r._field == field)
    |> aggregateWindow(every: 1d, fn: fn, createEmpty: false, timeSrc: "_start")
    |> set(key: "_measurement", value: "{DAILY}")
{made}
"""


def task_name(settings: InfluxSettings) -> str:
    return f"tidetray days of {settings.bucket}"


# -------------------------------------------------------------------- looking


def examine_influx(settings: InfluxSettings) -> tuple[bool, str]:
    """Whether this home's token can do what it has to; in words. Writes no point."""
    try:
        with Influx(settings) as influx:
            for bucket in (settings.bucket, settings.hourly_bucket):
                influx.ask(_PROBE, {"_bucket": bucket})
                if settings.forward:
                    _try_to_write(influx, bucket)
    except TidetrayError as error:
        return False, str(error)
    may = "read and write" if settings.forward else "read"
    return True, f"{settings.url} answers; the token may {may} '{settings.bucket}' and '{settings.hourly_bucket}'"


def _try_to_write(influx: Influx, bucket: str) -> None:
    """Nothing at all is written: rights are looked at before points are."""
    api = influx.client.api_client
    influx.tried(
        lambda: api.call_api(
            "/api/v2/write",
            "POST",
            query_params=[("org", influx.settings.org), ("bucket", bucket), ("precision", "ms")],
            header_params={"Content-Type": "text/plain; charset=utf-8"},
            body=b"",
            auth_settings=[],
        ),
        f"to write into '{bucket}'",
    )


# -------------------------------------------------------------------- making ready


def prepare_influx(settings: InfluxSettings) -> Iterator[str]:
    """Make the server ready; a line for each thing that is there now. TidetrayError says what stands in the way."""
    if settings.url is None:
        raise InfluxError("no InfluxDB is named", where="tidetray.toml", mend="Give `url` under [influx]")
    if settings.token_file is None:
        raise InfluxError("nowhere to put the token", where="[influx]", mend="Name a `token_file` under [influx]")
    yield from _first_of_all(settings)
    with Influx(settings, token=_admin_token(settings)) as admin:
        org_id = admin.tried(lambda: _organisation(admin.client, settings.org), "to look after organisations")
        yield f"organisation '{settings.org}'"
        buckets = {}
        for name, keep_days in ((settings.bucket, settings.keep_days), (settings.hourly_bucket, 0)):
            make = partial(_bucket, admin.client, org_id, name, keep_days)
            buckets[name] = admin.tried(make, "to look after buckets")
            yield f"bucket '{name}', which keeps {f'{keep_days} days' if keep_days else 'everything'}"
        admin.tried(lambda: _task(admin.client, org_id, settings), "to look after tasks")
        yield f"task '{task_name(settings)}', each hour"
        yield admin.tried(lambda: _token(admin.client, org_id, list(buckets.values()), settings), "to make tokens")


def _first_of_all(settings: InfluxSettings) -> Iterator[str]:
    """A server that nobody has set up yet gets its administrator, whose token is kept in `admin_token_file`."""
    with Influx(settings, token="") as nobody:
        service = SetupService(nobody.client.api_client)
        if not nobody.tried(service.get_setup, "to be set up").allowed:
            return
        if settings.admin_token_file is None:
            raise InfluxError(
                "the server is new, and there is nowhere to put its administrator's token",
                where="[influx]",
                mend="Name an `admin_token_file` under [influx]",
            )
        token, password = secrets.token_urlsafe(48), secrets.token_urlsafe(24)
        # before the server knows it: a token that was made and not written down could never be found again
        _keep_secret(settings.admin_token_file, token)
        _keep_secret(settings.admin_token_file.with_name(f"{settings.admin_token_file.name}.password"), password)
        request = OnboardingRequest(
            username=ADMIN,
            password=password,
            org=settings.org,
            bucket=settings.bucket,
            token=token,
            retention_period_seconds=settings.keep_days * 86_400,
        )
        nobody.tried(lambda: service.post_setup(request), "to be set up")
    yield f"administrator '{ADMIN}': token in {settings.admin_token_file}, password beside it"


def _admin_token(settings: InfluxSettings) -> str:
    path = settings.admin_token_file
    if path is None:
        raise InfluxError(
            "the server is set up already, and its administrator's token is needed",
            where="[influx]",
            mend="Name the file that holds it as `admin_token_file`",
        )
    try:
        return path.read_text().strip()
    except (OSError, UnicodeDecodeError) as error:
        raise InfluxError(
            f"cannot read the administrator's token: {getattr(error, 'strerror', None) or 'it is no text'}",
            where=str(path),
            mend="Correct `admin_token_file` under [influx]",
        ) from error


def _keep_secret(path: Path, secret: str) -> None:
    """Whole, and for nobody else to read. SettingsError if it cannot be written."""
    replace_file(path, f"{secret}\n", mode=0o600)


def _organisation(client: InfluxDBClient, name: str) -> str:
    api = client.organizations_api()
    for found in api.find_organizations(limit=100):
        if found.name == name:
            return str(found.id)
    return str(api.create_organization(name=name).id)


def _bucket(client: InfluxDBClient, org_id: str, name: str, keep_days: int) -> str:
    api = client.buckets_api()
    rules = [BucketRetentionRules(type="expire", every_seconds=keep_days * 86_400)]  # 0: for ever
    for found in api.find_buckets_iter(org_id=org_id):
        if found.name != name:
            continue
        if sum(rule.every_seconds for rule in found.retention_rules) != keep_days * 86_400:
            found.retention_rules = rules
            api.update_bucket(found)
        return str(found.id)
    return str(api.create_bucket(PostBucketRequest(org_id=org_id, name=name, retention_rules=rules)).id)


def _task(client: InfluxDBClient, org_id: str, settings: InfluxSettings) -> None:
    api, flux = client.tasks_api(), daily_task(settings)
    found = api.find_tasks(name=task_name(settings), org_id=org_id)
    if not found:
        api.create_task(task_create_request=TaskCreateRequest(org_id=org_id, flux=flux, status="active"))
    elif found[0].flux != flux or found[0].status != "active":
        api.update_task_request(found[0].id, TaskUpdateRequest(flux=flux, status="active"))


def _token(client: InfluxDBClient, org_id: str, bucket_ids: list[str], settings: InfluxSettings) -> str:
    """The token that is there, if it does what it has to; else a new one."""
    path = settings.token_file
    if path is None:  # prepare_influx has looked
        raise InfluxError("nowhere to put the token", where="[influx]")
    may = "read and write" if settings.forward else "read"
    if path.is_file() and examine_influx(settings)[0]:
        return f"token in {path}, as it was"
    actions = ("read", "write") if settings.forward else ("read",)
    permissions: list[Any] = [
        Permission(action=action, resource=PermissionResource(type="buckets", id=bucket, org_id=org_id))
        for bucket in bucket_ids
        for action in actions
    ]
    made = client.authorizations_api().create_authorization(
        authorization=Authorization(
            org_id=org_id, permissions=permissions, description=f"tidetray: to {may} '{settings.bucket}'"
        )
    )
    _keep_secret(path, made.token)
    return f"token in {path}: it may {may} these two buckets, and nothing else"
