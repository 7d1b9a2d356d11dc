"""Keys of the station file about whom to tell, and where people look."""

from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import Field, StringConstraints

from stream.alert_rules import RULES
from stream.station.base import ClockTime, Model, Positive

if TYPE_CHECKING:
    Rule = str
else:
    Rule = Literal[tuple(RULES)]
Topic = Annotated[str, StringConstraints(pattern=r"^[^#+\x00]{1,200}$")]


class Summary(Model):
    """``[summary]``"""

    at: ClockTime = "06:30"
    path: str | None = "summaries"
    topic: Topic | None = None
    mail: bool = True
    height_days: Annotated[int, Field(ge=1)] = 60
    standard_days: Annotated[int, Field(ge=0)] = 30
    fill_days: Annotated[int, Field(ge=1, le=400)] = 60


class Mail(Model):
    """``[mail]``: the server that takes our mail, and who gets it."""

    host: str
    port: Annotated[int, Field(ge=1, le=65535)] = 587
    security: Literal["starttls", "tls", "none"] = "starttls"
    ca_file: str | None = None
    username: str | None = None
    password: str | None = None
    password_file: str | None = None
    sender: str
    to: Annotated[tuple[str, ...], Field(min_length=1, strict=False)]


class Webhook(Model):
    """``[webhook]``: an address that alerts are posted to as JSON."""

    url: str
    token: str | None = None


class Alerts(Model):
    """``[alerts]``"""

    rules: Annotated[tuple[Rule, ...], Field(strict=False)] = tuple(RULES)
    no_records_min: Positive = 30.0
    analyzer_silent_min: Positive = 60.0
    chamber_hot_c: float = 55.0
    hold_min: Annotated[float, Field(ge=0, le=1440)] = 5.0
    quiet_from: ClockTime | None = None
    quiet_to: ClockTime | None = None
    urgent: Annotated[tuple[Rule, ...], Field(strict=False)] = (
        "no_records",
        "disk_low",
        "database_away",
    )
    mail: bool = True
    webhook: bool = True
    topic: Topic | None = None


class Page(Model):
    """``[page]``: the station page."""

    host: str = "127.0.0.1"
    port: Annotated[int, Field(ge=0, le=65535)] = 0
    token: str | None = None
    token_file: str | None = None
    secure: bool = False
