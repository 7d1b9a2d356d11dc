"""The two stations that are simulated: who stands where, and when things happen."""

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Final

DAY_S: Final = 86_400
GASES: Final = ("N2O", "CH4", "CO2")
AMBIENT: Final = {"N2O": 337.0, "CH4": 1930.0, "CO2": 424_000.0}
"""Ambient dry mole fractions [nmol mol⁻¹]."""
CONDUCTANCE: Final = {"N2O": 6.0e-5, "CH4": 8.0e-5, "CO2": 5.0e-5}
"""Soil's own conductance [m s⁻¹]: over the headspace height it is the rate at which a
filling headspace slows emission. Between soils it varies threefold either way."""


@dataclass(frozen=True, slots=True)
class Place:
    """One chamber in the field."""

    id: str
    plot: str
    block: str
    treatment: str
    position: str
    port: int | None
    height_m: float
    source: dict[str, float] = field(hash=False)
    """Base flux of each gas [nmol m⁻² s⁻¹]."""
    openness: float = 1.0
    """Factor on the soil's conductance."""


@dataclass(frozen=True, slots=True)
class Site:
    """Where a station is, and how its field is managed.

    Attributes
    ----------
    latitude, longitude : float
        [degrees]
    elevation_m : float
    timezone, clock : str
        Of people, and of the loggers' stamps.
    clock_offset_s : int
        Of the loggers' stamps [s].
    air_c, air_swing_c, soil_c, soil_swing_c : float
        Means of temperatures, and how far a day takes them from it [°C].
    positions : mapping of str to float
        Position → share of the area.
    season : tuple of str
        First and last day.
    treatments : tuple of str
        With and without nitrogen.
    nitrogen_kg_ha : float
    yields_t_ha : tuple of float
    heights_from : str
        Since when the heights hold.
    """

    latitude: float
    longitude: float
    elevation_m: float
    timezone: str
    clock: str
    clock_offset_s: int
    air_c: float
    air_swing_c: float
    soil_c: float
    soil_swing_c: float
    positions: dict[str, float] = field(hash=False)
    season: tuple[str, str]
    treatments: tuple[str, str]
    nitrogen_kg_ha: float
    yields_t_ha: tuple[float, float]
    heights_from: str


@dataclass(frozen=True, slots=True)
class Scenario:
    """A station to be simulated.

    Attributes
    ----------
    kind : str
        ``own_line`` or ``shared_analyzer``.
    start : datetime
        First record, aware.
    days : int
        Length of the record.
    seed : int
        Of the random numbers.
    faults : bool
        Whether faults are injected.
    height_error_m : float
        Standard deviation of the true height about the stated one, drawn for each
        closure.
    fertilized_at : datetime
        When nitrogen was spread.
    site : Site
        Where it is, and how its field is managed.
    """

    kind: str
    id: str
    name: str
    start: datetime
    days: int
    places: tuple[Place, ...]
    fertilized_at: datetime
    site: "Site"
    seed: int = 20260209
    faults: bool = True
    height_error_m: float = 0.0
    area_m2: float = 0.25
    extra_volume_m3: float = 0.0004

    @property
    def start_s(self) -> int:
        """First record [s since 1970]."""
        return int(self.start.astimezone(UTC).timestamp())

    @property
    def utc_offset_s(self) -> int:
        """Of the day at the site [s]."""
        offset = self.start.utcoffset()
        assert offset is not None, "the start bears its offset"
        return int(offset.total_seconds())


_STRENGTH: Final = {
    "ridge": (0.9, -0.25, 2900.0),
    "furrow": (0.16, -0.55, 2100.0),
    "tramline": (0.35, -0.12, 1500.0),
    "canopy": (1.3, -0.10, 3600.0),
    "alley": (0.14, -0.40, 2800.0),
    "headland": (0.45, 0.05, 1700.0),
}
"""Position → base flux of N2O, CH4 and CO2 [nmol m⁻² s⁻¹]."""


VELLMARK: Final = Site(
    latitude=55.40,
    longitude=9.70,
    elevation_m=38.0,
    timezone="Europe/Copenhagen",
    # The loggers stay on winter time, as loggers should.
    clock="+01:00",
    clock_offset_s=3600,
    air_c=16.0,
    air_swing_c=6.0,
    soil_c=15.0,
    soil_swing_c=3.0,
    positions={"ridge": 0.45, "furrow": 0.40, "tramline": 0.15},
    season=("2026-05-04", "2026-09-20"),
    treatments=("split_rate", "unfertilized"),
    nitrogen_kg_ha=160.0,
    yields_t_ha=(46.0, 28.0),
    heights_from="2026-05-04T00:00:00+02:00",
)
SERRAVALE: Final = Site(
    latitude=-21.30,
    longitude=-46.10,
    elevation_m=880.0,
    timezone="America/Sao_Paulo",
    clock="-03:00",
    clock_offset_s=-10_800,
    air_c=22.0,
    air_swing_c=6.0,
    soil_c=21.0,
    soil_swing_c=3.0,
    positions={"canopy": 0.55, "alley": 0.35, "headland": 0.10},
    season=("2025-10-01", "2026-05-31"),
    treatments=("three_dressings", "undressed"),
    nitrogen_kg_ha=300.0,
    yields_t_ha=(2.4, 1.1),
    heights_from="2025-10-01T00:00:00-03:00",
)


def _places(site: Site, shared: bool) -> tuple[Place, ...]:
    places: list[Place] = []
    for block in (1, 2):
        for j, treatment in enumerate(site.treatments):
            for k, position in enumerate(site.positions):
                n = len(places)
                n2o, ch4, co2 = _STRENGTH[position]
                vigour = (1.0, 0.45)[j] * (1.0, 1.15)[block - 1]
                places.append(
                    Place(
                        id=f"{'AB'[block - 1]}{3 * j + k + 1}",
                        plot=str(2 * (block - 1) + j + 1),
                        block=str(block),
                        treatment=treatment,
                        position=position,
                        port=n + 1 if shared else None,
                        height_m=round(0.148 + 0.004 * ((5 * n) % 7), 3),
                        source={
                            "N2O": n2o * vigour,
                            "CH4": ch4,
                            "CO2": co2 * (0.85 + 0.15 * vigour),
                        },
                        openness=(0.6, 1.0, 1.7, 0.8, 1.3, 2.2)[n % 6],
                    )
                )
    return tuple(places)


def own_line(days: int = 3, **changes: object) -> Scenario:
    """Ridge potatoes: twelve chambers, one closed at a time on a fast analyzer."""
    start = datetime.fromisoformat("2026-06-15T00:05:00+01:00")
    return Scenario(
        kind="own_line",
        id="vellmark",
        name="Vellmark ridge potatoes",
        start=start,
        days=days,
        places=_places(VELLMARK, shared=False),
        fertilized_at=start + timedelta(hours=20),
        site=VELLMARK,
        **changes,  # type: ignore[arg-type]
    )


def shared_analyzer(days: int = 3, **changes: object) -> Scenario:
    """Rows of coffee: two groups of six lids closed for an hour on one port selector."""
    start = datetime.fromisoformat("2026-03-16T00:00:00-03:00")
    return Scenario(
        kind="shared_analyzer",
        id="serravale",
        name="Serravale coffee rows",
        start=start,
        days=days,
        places=_places(SERRAVALE, shared=True),
        fertilized_at=start + timedelta(hours=14),
        site=SERRAVALE,
        seed=20260316,
        **changes,  # type: ignore[arg-type]
    )
