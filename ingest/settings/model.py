"""Settings: one `tidetray.toml` in the home folder, overridden by the environment.

`TIDETRAY_BROKER__HOST=10.0.0.2` overrides `[broker] host`. A password is never printed; it comes
from the environment or from a file named by `password_file`.
"""

from __future__ import annotations

import os
import ssl
import tomllib
from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import platformdirs
from pydantic import BaseModel, ConfigDict, Field, SecretStr, ValidationError, field_validator, model_validator
from pydantic_core import PydanticCustomError
from pydantic_settings import (
    BaseSettings,
    PydanticBaseSettingsSource,
    SettingsConfigDict,
)

from tidetray.ingest.alarms.alarm_settings import AlarmSettings, rule_faults
from tidetray.ingest.core.readings import ID_PATTERN, TidetrayError
from tidetray.ingest.settings.toml_lines import line_of
from tidetray.ingest.wire.plain_topics import PlainTopic, contradiction

if TYPE_CHECKING:
    import paho.mqtt.client as mqtt

SETTINGS_FILE = "tidetray.toml"
RECORD_FILE = "tidetray.sqlite"

_INFLUX_NAME = r"^[A-Za-z0-9][A-Za-z0-9._-]{0,60}$"


class SettingsError(TidetrayError):
    """All that is wrong with the settings, a line each."""


class BrokerSettings(BaseModel):
    """The MQTT broker that nodes and recorder talk to. `listen`: where `tidetray start` runs one of its own;
    else none."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    host: str = "127.0.0.1"
    port: int = Field(default=1883, ge=1, le=65535)
    username: str | None = None
    password: SecretStr | None = None
    password_file: Path | None = None
    ca_file: Path | None = None
    keepalive_s: int = Field(default=30, ge=5, le=3600)
    listen: str = ""

    def read_password(self) -> str | None:
        if self.password is not None:
            return self.password.get_secret_value()
        if self.password_file is None:
            return None
        try:
            return self.password_file.read_text().strip()
        except OSError as error:
            raise SettingsError(
                f"cannot read the broker's password file: {error.strerror}",
                where=str(self.password_file),
                mend="Correct `password_file` under [broker]",
            ) from error

    def identify(self, client: mqtt.Client) -> None:
        """Give a client, before it connects, our name and password at this broker, and the authority it is checked by.

        Raises
        ------
        SettingsError
            If the password's or the authority's file cannot be read.
        """
        if self.username is not None:
            client.username_pw_set(self.username, self.read_password())
        if self.ca_file is None:
            return
        try:
            client.tls_set(ca_certs=str(self.ca_file), cert_reqs=ssl.CERT_REQUIRED)
        except OSError as error:
            raise SettingsError(
                f"cannot use the broker's authority: {error}",
                where=str(self.ca_file),
                mend="Correct `ca_file` under [broker]",
            ) from error


class RecordSettings(BaseModel):
    """What the recorder records. `site`: one site, or a list of them; empty means all. `seal_after_days`: raw readings
    of a month that ended so long ago are put into a sealed file; 0: never. `client_id`: the recorder's name at the
    broker; by default one made of the home's own id, so that no two homes share one."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    site: str | tuple[str, ...] = ""
    seal_after_days: int = Field(default=90, ge=0, le=36500)
    client_id: str = Field(default="", pattern=r"^([A-Za-z0-9-]{1,64})?$")

    @field_validator("site", mode="before")
    @classmethod
    def _are_sites(cls, given: object) -> object:
        """One clear error for both forms."""
        named = [] if given == "" else [given] if isinstance(given, str) else given
        if not isinstance(named, (list, tuple)) or not all(
            isinstance(name, str) and ID_PATTERN.fullmatch(name) for name in named
        ):
            raise PydanticCustomError(
                "site", "a site has a-z, 0-9 and '-', at most 32 characters: give one, or a list of them"
            )
        return given

    @property
    def sites(self) -> tuple[str, ...]:
        """The sites that are recorded; none: all."""
        named = (self.site,) if isinstance(self.site, str) else self.site
        return tuple(dict.fromkeys(name for name in named if name))

    @property
    def usual_site(self) -> str:
        """What new nodes and trials are offered as their site."""
        return next(iter(self.sites), "nursery")


class DashboardSettings(BaseModel):
    """Where the web pages are served. `signed_in_by_proxy`: a proxy in front lets in only whom it knows."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    host: str = "127.0.0.1"
    port: int = Field(default=8501, ge=0, le=65535)
    signed_in_by_proxy: bool = False


class FloodingSettings(BaseModel):
    """What the place allows: one pump and one sump for all trays. 'HH:MM' are local; nothing set is no limit."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    longest_dry_h: float | None = Field(default=None, gt=0)
    flood_from: str = Field(default="00:00", pattern=r"^([01]\d|2[0-3]):[0-5]\d$")
    flood_until: str = Field(default="24:00", pattern=r"^(([01]\d|2[0-3]):[0-5]\d|24:00)$")
    pump_share: float = Field(default=1.0, gt=0, le=1)
    sump_m3: float | None = Field(default=None, gt=0)
    sump_min_m3: float = Field(default=0.0, ge=0)


class ValueSettings(BaseModel):
    """A grower's own figures, in one currency. Without `price` nothing is worked out."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    price: float | None = Field(default=None, ge=0)
    start_g: float = Field(default=0.5, gt=0)
    saleable_g: float = Field(default=5.0, gt=0)
    tariff_kwh: float = Field(default=0.0, ge=0)
    lamp_w: float = Field(default=0.0, ge=0)
    lamp_h_day: float = Field(default=0.0, ge=0, le=24)
    pump_w: float = Field(default=0.0, ge=0)
    turnaround_d: float = Field(default=1.0, ge=0)


class InfluxSettings(BaseModel):
    """An InfluxDB 2 server that readings are passed on to, and may be read from. Without `url` there is none.

    `forward`: what this home records goes there. `read`: readings and hourly summaries come from there. `keep_days`:
    how long the server keeps single readings (0: for ever); hourly summaries stay. `admin_token_file` is used by
    `check --prepare` only.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    url: str | None = Field(default=None, pattern=r"^https?://[^/\s@]+(/[^\s@]*)?$")
    org: str = Field(default="tidetray", pattern=_INFLUX_NAME)
    bucket: str = Field(default="tidetray", pattern=_INFLUX_NAME)
    token: SecretStr | None = None
    token_file: Path | None = None
    admin_token_file: Path | None = None
    ca_file: Path | None = None
    forward: bool = True
    read: bool = False
    keep_days: int = Field(default=0, ge=0, le=36500)
    timeout_s: float = Field(default=10.0, ge=1, le=300)

    @property
    def hourly_bucket(self) -> str:
        """Beside `bucket`, and kept for ever: hourly summaries, and the days made of them."""
        return f"{self.bucket}-hourly"

    def read_token(self) -> str:
        if self.token is not None:
            return self.token.get_secret_value()
        if self.token_file is None:
            raise SettingsError("no token for InfluxDB", where="[influx]", mend="Name a `token_file` under [influx]")
        try:
            return self.token_file.read_text().strip()
        except (OSError, UnicodeDecodeError) as error:
            raise SettingsError(
                f"cannot read InfluxDB's token file: {getattr(error, 'strerror', None) or 'it is no text'}",
                where=str(self.token_file),
                mend="Correct `token_file` under [influx], or let `tidetray check --prepare` write it",
            ) from error


class Settings(BaseSettings):
    """Everything that can be set; explained in ui/guide/settings.md."""

    model_config = SettingsConfigDict(env_prefix="TIDETRAY_", env_nested_delimiter="__", extra="forbid", frozen=True)

    broker: BrokerSettings = BrokerSettings()
    record: RecordSettings = RecordSettings()
    dashboard: DashboardSettings = DashboardSettings()
    flooding: FloodingSettings = FloodingSettings()
    value: ValueSettings = ValueSettings()
    alarms: AlarmSettings = AlarmSettings()
    influx: InfluxSettings = InfluxSettings()
    plain: tuple[PlainTopic, ...] = ()

    @model_validator(mode="after")
    def _mappings_fit_together(self) -> Settings:
        found = contradiction(self.plain)
        if found is not None:
            raise PydanticCustomError("contradiction", "{why}", {"number": found[0], "why": found[1]})
        return self

    @classmethod
    def settings_customise_sources(
        cls,
        settings_cls: type[BaseSettings],
        init_settings: PydanticBaseSettingsSource,
        env_settings: PydanticBaseSettingsSource,
        dotenv_settings: PydanticBaseSettingsSource,
        file_secret_settings: PydanticBaseSettingsSource,
    ) -> tuple[PydanticBaseSettingsSource, ...]:
        return env_settings, init_settings


def home_folder(given: Path | None = None) -> Path:
    """The home: as given, else TIDETRAY_HOME, else the platform's data folder."""
    if given is not None:
        return given
    if os.environ.get("TIDETRAY_HOME"):
        return Path(os.environ["TIDETRAY_HOME"])
    return Path(platformdirs.user_data_dir("tidetray", appauthor=False))


def load_settings(home: Path) -> Settings:
    """Read `tidetray.toml` of a home (defaults where there is none). SettingsError lists every fault at once."""
    path = home / SETTINGS_FILE
    variables = tuple(sorted(each for each in os.environ.items() if each[0].upper().startswith("TIDETRAY_")))
    try:
        state = path.stat()
    except OSError:
        return _load_settings(path, None, variables)
    return _load_settings(path, (state.st_mtime_ns, state.st_size, state.st_ino), variables)


@lru_cache(maxsize=16)
def _load_settings(path: Path, _state: tuple[int, ...] | None, _variables: tuple[tuple[str, str], ...]) -> Settings:
    """Every page asks some ten times a run: read again when the file or the environment is another."""
    values: dict[str, Any] = {}
    text = ""
    if path.is_file():
        try:
            text = path.read_text(encoding="utf-8")
            values = tomllib.loads(text)
        except (tomllib.TOMLDecodeError, UnicodeDecodeError, OSError) as error:
            raise SettingsError(f"cannot be read: {error}", where=str(path), mend="Correct that line") from error
    try:
        return Settings(**values)
    except ValidationError as error:
        raise SettingsError("; ".join(_plain(fault, text) for fault in error.errors()), where=str(path)) from error


def check_rules(settings: Settings, home: Path, trays: dict[str, bool]) -> None:
    """SettingsError if rules name what the notebook (tray -> whether it is flooded by a schedule) does not have."""
    path = home / SETTINGS_FILE
    text = path.read_text(encoding="utf-8") if path.is_file() else ""
    faults = []
    for place, what in rule_faults(settings.alarms, trays, trays):
        parts = [int(part) if part.isdigit() else part for part in place.split(".")]
        faults.append(f"{_line(text, parts)}{place}: {what}")
    if faults:
        raise SettingsError("; ".join(faults), where=str(path))


def _plain(fault: Any, text: str) -> str:
    parts = ["plain", fault["ctx"]["number"]] if fault["type"] == "contradiction" else list(fault["loc"])
    line, place = _line(text, parts), _place(parts)
    if fault["type"] == "extra_forbidden":
        return f"{line}{place} is not a setting; remove it or correct its name"
    if fault["type"] == "value_error":
        what = str(fault["msg"]).removeprefix("Value error, ")
        # a rule about one of several tables says which one it is about first
        return f"{_line(text, (*parts, what.partition(':')[0]))}{place}: {what}"
    what = fault["msg"][0].lower() + fault["msg"][1:]
    hidden = any(secret in place for secret in ("password", "url", "token")) or isinstance(
        fault["input"], dict | BaseModel
    )
    return f"{line}{place}: {what}" if hidden else f"{line}{place}: {what}, not {fault['input']!r}"


def _place(parts: list[Any]) -> str:
    """As a person finds it in the file: `broker.port`, or `[[plain]] no. 2 topic`."""
    if len(parts) > 1 and isinstance(parts[1], int):
        return " ".join([f"[[{parts[0]}]] no. {parts[1] + 1}", *map(str, parts[2:])])
    return ".".join(map(str, parts))


def _line(text: str, place: Sequence[str | int]) -> str:
    line = line_of(text, place)
    return "" if line is None else f"line {line}, "
