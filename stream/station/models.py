"""The station file as frozen models. Names, types and plain bounds; meaning is in ``checks``."""

from datetime import date
from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import AwareDatetime, Field

from stream.note_kinds import EVENTS
from stream.station.base import (
    ChannelName,
    Finite,
    Identifier,
    Model,
    NotNegative,
    Positive,
)
from stream.station.sources import Source
from stream.station.telling import Alerts, Mail, Page, Summary, Webhook


class Site(Model):
    """``[station]``"""

    id: Identifier
    name: str = ""
    latitude: Annotated[float, Field(ge=-90, le=90)] | None = None
    longitude: Annotated[float, Field(ge=-180, le=180)] | None = None
    elevation_m: Annotated[float, Field(ge=-500, le=11000)] = 0.0
    timezone: str = "UTC"
    clock: str = "+00:00"


class Database(Model):
    """``[database]``; the default is an SQLite file beside the station file."""

    url: str


class Channel(Model):
    """``[channels.NAME]``: one column of the records."""

    unit: str
    range: Annotated[tuple[Finite, Finite], Field(strict=False)] | None = None
    column: str | None = None
    states: dict[str, Finite] = {}


class Standard(Model):
    """A gas of known mole fraction: on a port of the selector, or named in a run's table."""

    port: int | None = None
    name: Identifier | None = None
    gas: str
    value: NotNegative
    uncertainty: NotNegative = 0.0
    unit: str | None = None
    expires: Annotated[date, Field(strict=False)] | None = None


class Analyzer(Model):
    """``[[analyzers]]``"""

    id: Identifier
    gases: Annotated[dict[str, ChannelName], Field(min_length=1)]
    sampling: Literal["continuous", "injections", "vials"] = "continuous"
    basis: Literal["wet", "dry"]
    water_channel: ChannelName | None = None
    port_channel: ChannelName | None = None
    standard_channel: ChannelName | None = None
    lag_s: NotNegative = 0.0
    flush_s: NotNegative = 0.0
    precision: dict[str, Positive] = {}
    status_channel: ChannelName | None = None
    status_ok: Annotated[tuple[Finite, ...], Field(strict=False)] = (0.0,)
    standards: Annotated[tuple[Standard, ...], Field(strict=False)] = ()
    response: Literal["auto", "none", "offset", "factor", "linear", "quadratic"] = "auto"
    standard_hold_s: Positive = 21_600.0
    standard_wait_s: NotNegative = 0.0
    max_standard_residual: Positive = 0.02
    max_standard_drift: Positive = 0.05

    @property
    def shared(self) -> bool:
        """Whether a port selector takes it from chamber to chamber."""
        return self.port_channel is not None

    @property
    def selector(self) -> str | None:
        """The channel that tells when a standard flows."""
        return self.port_channel or self.standard_channel

    @property
    def mixing_s(self) -> float:
        """How long before the next gas a reading may hold some of it [s].

        Part of the lag of a continuous analyzer is mixing; an injection is of one moment.
        """
        return self.lag_s if self.sampling == "continuous" else 0.0

    @property
    def after_s(self) -> float:
        """How long after an opening records still bear on the closure [s]."""
        return self.standard_wait_s + (self.lag_s - self.mixing_s)


class Height(Model):
    """A headspace height, valid until the next."""

    from_: Annotated[AwareDatetime, Field(alias="from", strict=False)]
    height_m: Positive


class Chamber(Model):
    """``[[chambers]]``"""

    id: Identifier
    analyzer: Identifier
    port: int | None = None
    lid_channel: ChannelName | None = None
    lid_closed: Finite = 1.0
    lid_open: Finite = 0.0
    area_m2: Positive
    extra_volume_m3: NotNegative = 0.0
    air_temperature_channel: ChannelName | None = None
    pressure_channel: ChannelName | None = None
    soil_temperature_channel: ChannelName | None = None
    soil_moisture_channel: ChannelName | None = None
    bulk_density_g_cm3: Annotated[float, Field(gt=0, lt=2.65)] | None = None
    plot: str = ""
    block: str = ""
    treatment: str = ""
    position: str = ""
    place_m: Annotated[tuple[Finite, Finite], Field(strict=False)] | None = None
    heights: Annotated[tuple[Height, ...], Field(min_length=1, strict=False)]

    @property
    def lid(self) -> str:
        """The lid's channel.

        Raises
        ------
        ValueError
            The chamber is closed by hand.
        """
        if self.lid_channel is None:
            raise ValueError(f"chamber {self.id} has no lid_channel")
        return self.lid_channel


class ClosureRules(Model):
    """``[closure]``"""

    dead_band_s: NotNegative = 30.0
    min_duration_s: NotNegative = 180.0
    max_duration_s: Positive = 5400.0
    expected_per_day: Annotated[float, Field(ge=0, le=1440)] = 0.0
    min_points: Annotated[int, Field(ge=2)] = 3
    bounce_s: NotNegative = 3.0
    lid_hold_s: Positive = 300.0
    edge_tolerance_s: Positive = 10.0
    moving_limit_s: Positive = 60.0
    hold_s: NotNegative = 3600.0
    lateness_s: NotNegative = 60.0
    start_range: dict[str, Annotated[tuple[Positive, Positive], Field(strict=False)]] = {}
    ambient: dict[str, Positive] = {}
    ambient_tolerance: Positive = 0.15
    max_leftover: Positive = 0.3
    pressure_step_pa: Positive = 20.0


class CheckRules(Model):
    """``[checks]``: what a person has confirmed, and looked at in the field."""

    breath_test: Annotated[date, Field(strict=False)] | None = None
    tape_measured: Annotated[date, Field(strict=False)] | None = None
    confirmed: Annotated[tuple[str, ...], Field(strict=False)] = ()


class ModelRules(Model):
    """``[models]``"""

    default: str = "auto"
    candidates: Annotated[tuple[str, ...], Field(min_length=1, strict=False)] = (
        "linear",
        "quadratic",
        "saturating",
    )
    chamber_bias: Literal["none", "soil_storage"] = "none"


class Uncertainty(Model):
    """``[uncertainty]``: standard deviations of what a flux is multiplied by."""

    height_m: NotNegative = 0.003
    area_m2: NotNegative = 0.0
    extra_volume_m3: NotNegative = 0.0
    temperature_k: NotNegative = 0.5
    pressure_pa: NotNegative = 50.0
    assumed_pressure_pa: NotNegative = 800.0


class HandRules(Model):
    """``[hand]``: rounds of sampling by hand."""

    sample_minutes: Annotated[
        tuple[Annotated[float, Field(ge=0, le=720)], ...], Field(min_length=2, strict=False)
    ] = (0.0, 20.0, 40.0, 60.0)
    handling_s: Positive = 45.0
    walk_s: NotNegative = 30.0
    walking_m_s: Positive = 1.0


Fraction = Annotated[float, Field(ge=0, le=1)]


class PositionsFrom(Model):
    """Area fractions from a day on, until the next."""

    from_: Annotated[date, Field(alias="from", strict=False)]
    positions: dict[str, Fraction]


class FieldRules(Model):
    """``[field]``"""

    positions: dict[str, Fraction] = {}
    positions_from: Annotated[tuple[PositionsFrom, ...], Field(strict=False)] = ()
    max_quality: Literal[1, 2, 3] = 2
    max_gap_h: Positive = 8.0
    min_coverage: Fraction = 0.75
    missing_position: Literal["ratio", "none"] = "ratio"
    gap_filling: Literal["auto", "linear", "lookup", "regression"] = "auto"


if TYPE_CHECKING:
    EventKind = str
else:
    EventKind = Literal[(*(kind.name for kind in EVENTS), "other")]


class FieldEvent(Model):
    """``[[events]]``: something done to the field, or that befell it."""

    kind: EventKind
    day: Annotated[date, Field(strict=False)]
    amount: NotNegative | None = None
    treatment: str | None = None
    note: str = ""


class Weather(Model):
    """``[weather]``: channels of the station that drive fluxes."""

    rain_channel: ChannelName | None = None
    soil_temperature_channel: ChannelName | None = None
    soil_moisture_channel: ChannelName | None = None


class SamplingCalendar(Model):
    """``[sampling_calendar]``: when sampling by hand is due."""

    every_days: Annotated[int, Field(ge=1, le=60)] = 7
    once_mm: Positive = 10.0
    daily_mm: Positive = 20.0
    daily_days: Annotated[int, Field(ge=1, le=30)] = 3
    then_every: Annotated[int, Field(ge=1, le=30)] = 2
    then_days: Annotated[int, Field(ge=0, le=60)] = 7


class Season(Model):
    """``[season]``"""

    start: Annotated[date, Field(strict=False)]
    end: Annotated[date, Field(strict=False)]
    nitrogen_kg_ha: dict[str, NotNegative] = {}
    reference: str | None = None
    yield_t_ha: dict[str, NotNegative] = {}
    gwp: Literal["AR4", "AR5", "AR6"] = "AR6"


class ArchiveRules(Model):
    """``[archive]``"""

    path: str = "archive"
    after_days: Annotated[int, Field(ge=1)] = 14
    keep_days: Annotated[int, Field(ge=0)] = 0


class ServiceRules(Model):
    """``[service]``"""

    metrics_host: str = "127.0.0.1"
    metrics_port: Annotated[int, Field(ge=0, le=65535)] = 0
    max_clock_offset_s: Positive = 60.0
    min_free_mb: NotNegative = 200.0


class Station(Model):
    """The whole station file. See ``configs/README.md`` for every key."""

    station: Site
    database: Database | None = None
    sources: Annotated[tuple[Source, ...], Field(strict=False)] = ()
    channels: Annotated[dict[ChannelName, Channel], Field(min_length=1)]
    analyzers: Annotated[tuple[Analyzer, ...], Field(min_length=1, strict=False)]
    chambers: Annotated[tuple[Chamber, ...], Field(min_length=1, strict=False)]
    closure: ClosureRules = ClosureRules()
    checks: CheckRules = CheckRules()
    models: ModelRules = ModelRules()
    uncertainty: Uncertainty = Uncertainty()
    hand: HandRules = HandRules()
    field: FieldRules = FieldRules()
    season: Season | None = None
    events: Annotated[tuple[FieldEvent, ...], Field(strict=False)] = ()
    weather: Weather = Weather()
    sampling_calendar: SamplingCalendar = SamplingCalendar()
    summary: Summary = Summary()
    alerts: Alerts = Alerts()
    mail: Mail | None = None
    webhook: Webhook | None = None
    page: Page = Page()
    archive: ArchiveRules = ArchiveRules()
    service: ServiceRules = ServiceRules()

    @property
    def id(self) -> str:
        """The station's identifier."""
        return self.station.id

    def analyzer(self, name: str) -> Analyzer:
        """The analyzer of that id.

        Raises
        ------
        KeyError
            There is none.
        """
        for analyzer in self.analyzers:
            if analyzer.id == name:
                return analyzer
        raise KeyError(name)

    def chambers_on(self, analyzer: str) -> tuple[Chamber, ...]:
        """The chambers whose gas goes to that analyzer, in the order of the file."""
        return tuple(c for c in self.chambers if c.analyzer == analyzer)


def gases_of(station: Station) -> tuple[str, ...]:
    """Gases of all analyzers, each once, in the order of the station file."""
    return tuple(dict.fromkeys(gas for a in station.analyzers for gas in a.gases))


def lids_of_one_column(station: Station) -> dict[str, tuple[str, ...]]:
    """Lid channel → the lid channels that have the same ``column``, where there are others."""
    groups: dict[str, list[str]] = {}
    for name in dict.fromkeys(c.lid_channel for c in station.chambers if c.lid_channel):
        channel = station.channels.get(name)
        if channel is not None and channel.column is not None:
            groups.setdefault(channel.column.casefold(), []).append(name)
    return {
        name: tuple(other for other in group if other != name)
        for group in groups.values()
        for name in group
        if len(group) > 1
    }
