"""What the service is told at start; anything unknown or unsafe stops it before it serves."""

from __future__ import annotations

import ssl
import tomllib
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    FilePath,
    StringConstraints,
    ValidationError,
    field_validator,
    model_validator,
)

LOOPBACK = ("127.0.0.1", "::1", "localhost")


class SettingsError(Exception):
    """A setting that cannot be honoured; one line naming setting, value and remedy."""


Levels = Annotated[str, StringConstraints(max_length=200, pattern=r"^[^\x00+#$][^\x00+#]*$")]
"""Levels of an MQTT topic, without wildcards and not among the broker's own."""


class MqttSettings(BaseModel):
    """The house's broker, for lines that publish to it.

    client_id: names the session that the broker keeps for this service alone; two services with
    one name would take each other's messages. prefix: of every topic. topics: filters below
    `<prefix>/fruit/`. username, password_file: the password is the file's first line.
    receive_maximum: most messages taken and not yet acknowledged. session_expiry_s: how long the
    broker keeps messages for a service that is away. backoff_s: longest pause before another
    attempt to connect.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    host: str = Field(min_length=1, max_length=253)
    port: int = Field(default=1883, ge=1, le=65535)
    client_id: str = Field(default="drupe", pattern=r"^[A-Za-z0-9_-]{1,64}$")
    prefix: Levels = "drupe"
    topics: tuple[str, ...] = Field(default=("#",), min_length=1, max_length=64)
    username: str | None = Field(default=None, min_length=1)
    password_file: FilePath | None = None
    tls: bool = False
    ca_file: FilePath | None = None
    receive_maximum: int = Field(default=256, ge=1, le=65535)
    session_expiry_s: int = Field(default=7 * 86_400, ge=60, le=2**32 - 1)
    backoff_s: float = Field(default=5.0, ge=0.1, le=60)

    @field_validator("topics")
    @classmethod
    def _filters(cls, topics: tuple[str, ...]) -> tuple[str, ...]:
        for topic in topics:
            levels = topic.split("/")
            wild = [level for level in levels if "+" in level or "#" in level]
            if (not topic or "\0" in topic or len(topic) > 200 or "#" in levels[:-1]
                    or any(level not in ("+", "#") for level in wild)):
                raise ValueError(f"{topic!r} is not a topic filter; give levels such as line-1/+")
        return topics

    @model_validator(mode="after")
    def _whole(self) -> MqttSettings:
        if self.ca_file is not None and not self.tls:
            raise ValueError("ca_file checks the broker's certificate; set tls = true with it")
        if self.password_file is not None and self.username is None:
            raise ValueError("password_file is of no use without username; set both")
        try:
            self.password()
            if self.ca_file is not None:
                ssl.create_default_context(cafile=self.ca_file)
        except (OSError, UnicodeDecodeError) as error:
            raise ValueError(f"password_file or ca_file cannot be used: {error}") from error
        return self

    def password(self) -> str | None:
        """The first line of the password file."""
        if self.password_file is None:
            return None
        return self.password_file.read_text(encoding="utf-8").partition("\n")[0].strip()


class Settings(BaseModel):
    """data_dir: folder of the store. queue_fruit: most fruit waiting for the disk.

    parse_processes: how many processes take large bodies apart, beside the one that serves; unset:
    one, where there is a second core.
    body_bytes: largest request body. quarantine_per_day: refused records kept a day; later ones
    are counted only. unregistered_sources: what becomes of records under a name that was never
    registered. house: name on pages and reports. mqtt: the broker to take fruit from, if any.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    data_dir: Path = Path("drupe-data")
    host: str = "127.0.0.1"
    port: int = Field(default=8747, ge=0, le=65535)
    allow_remote: bool = False
    synchronous: Literal["FULL"] = "FULL"
    parse_processes: int | None = Field(default=None, ge=0, le=8)
    queue_fruit: int = Field(default=200_000, ge=1_000, le=10_000_000)
    body_bytes: int = Field(default=32 * 1024 * 1024, ge=1024, le=1024**3)
    quarantine_per_day: int = Field(default=10_000, ge=0)
    unregistered_sources: Literal["accept", "refuse"] = "accept"
    standards_dir: Path | None = None
    house: str = "Larkspur Bench Packing"
    mqtt: MqttSettings | None = None

    @model_validator(mode="after")
    def _reachable_only_on_purpose(self) -> Settings:
        if self.host not in LOOPBACK and not self.allow_remote:
            raise ValueError(
                "this edition has no sign-in, so it listens on this machine only; "
                "set allow_remote when a gateway in front of it checks who comes in")
        return self


def load_settings(*, config: Path | None = None, **given: Any) -> Settings:
    """Settings from an optional TOML file, overridden by what is given (None = not given).

    `mqtt` is given as a mapping and overrides single settings of that table.
    Raises SettingsError with one line for the first setting that cannot be honoured.
    """
    values: dict[str, Any] = {}
    if config is not None:
        try:
            values = tomllib.loads(config.read_text(encoding="utf-8"))
        except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
            raise SettingsError(f"config {config}: {error}; mend or leave out the file") from error
    mqtt = {k: v for k, v in (given.pop("mqtt", None) or {}).items() if v is not None}
    values.update({k: v for k, v in given.items() if v is not None})
    if mqtt:
        table = values.get("mqtt", {})
        values["mqtt"] = {**table, **mqtt} if isinstance(table, dict) else table
    try:
        return Settings.model_validate(values)
    except ValidationError as error:
        raise SettingsError(_one_line(error)) from error


def _one_line(error: ValidationError) -> str:
    first = error.errors()[0]
    name = ".".join(str(p) for p in first["loc"]) or "host"
    if first["type"] == "extra_forbidden":
        known = MqttSettings if first["loc"][0] == "mqtt" else Settings
        return (f"setting {name} = {first['input']!r} is not known; known are: "
                + ", ".join(known.model_fields))
    value = first["input"] if first["loc"] else first["input"]["host"]
    return f"setting {name} = {value!r}: {first['msg'].removeprefix('Value error, ')}"
