"""Keys of the station file about where its records come from."""

from typing import Annotated, Literal

from pydantic import Field, StringConstraints

from stream.station.base import Model


class FolderSource(Model):
    """A folder that loggers write files into."""

    kind: Literal["folder"]
    path: str
    pattern: str = "*.csv"
    clock: str | None = None
    # How its files are written; what is left out is found in each file.
    encoding: str | None = None
    delimiter: Literal[",", ";", "\t", "|", " "] | None = None
    decimal: Literal[".", ","] | None = None
    header_line: Annotated[int, Field(ge=0, le=1000)] | None = None
    columns: Annotated[tuple[str, ...], Field(strict=False)] = ()
    time_column: str | None = None
    date_column: str | None = None
    zone_column: str | None = None
    date_order: Literal["dmy", "mdy", "ymd"] | None = None
    time_format: str | None = None
    missing: Annotated[tuple[str, ...], Field(strict=False)] | None = None

    @property
    def shown_name(self) -> str:
        """What it is called in log, metrics and status."""
        return self.path


class MqttSource(Model):
    """Topics of a broker."""

    kind: Literal["mqtt"]
    host: str
    port: Annotated[int, Field(ge=1, le=65535)] = 1883
    topics: Annotated[tuple[str, ...], Field(min_length=1, strict=False)]
    payload: Literal["senml", "rows"] = "senml"
    time_column: str = "time"
    clock: str | None = None
    username: str | None = None
    password: str | None = None
    password_file: str | None = None
    tls: bool = False
    ca_file: str | None = None
    certificate_file: str | None = None
    key_file: str | None = None
    verify: bool = True
    client_id: Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9._-]{1,64}$")] | None = None
    keepalive_s: Annotated[int, Field(ge=5, le=3600)] = 30
    session_expiry_s: Annotated[int, Field(ge=0, le=4_294_967_295)] = 30 * 86_400
    max_payload_bytes: Annotated[int, Field(ge=1024, le=64 * 1024 * 1024)] = 1024 * 1024
    in_flight: Annotated[int, Field(ge=1, le=65_535)] = 2000
    status_topic: str | None = None

    @property
    def shown_name(self) -> str:
        """What it is called in log, metrics and status."""
        return f"{self.host}:{self.port}"


class TablesSource(Model):
    """A folder that people put tables of vials and of runs into."""

    kind: Literal["tables"]
    path: str
    pattern: str = "*.csv"

    @property
    def shown_name(self) -> str:
        """What it is called in log, metrics and status."""
        return self.path


AnySource = FolderSource | MqttSource | TablesSource
Source = Annotated[AnySource, Field(discriminator="kind")]
