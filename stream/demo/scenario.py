"""The two stations that are simulated: who stands where, and when things happen."""

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Final

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
    """

    kind: str
    id: str
    name: str
    start: datetime
    days: int
    places: tuple[Place, ...]
    fertilized_at: datetime
    seed: int = 20260209
    faults: bool = True
    height_error_m: float = 0.0
    area_m2: float = 0.25
    extra_volume_m3: float = 0.0004
    elevation_m: float = 410.0

    @property
    def start_s(self) -> int:
        """First record [s since 1970]."""
        return int(self.start.astimezone(UTC).timestamp())


_STRENGTH: Final = {
    "band": (0.9, -0.25, 2900.0),
    "between": (0.16, -0.55, 2100.0),
    "wheel_track": (0.35, -0.12, 1500.0),
    "urine_patch": (1.3, -0.10, 3600.0),
    "sward": (0.14, -0.40, 2800.0),
    "gateway": (0.45, 0.05, 1700.0),
}
"""Position → base flux of N2O, CH4 and CO2 [nmol m⁻² s⁻¹]."""


def _places(
    positions: tuple[str, str, str], treatments: tuple[str, str], shared: bool
) -> tuple[Place, ...]:
    places: list[Place] = []
    for block in (1, 2):
        for j, treatment in enumerate(treatments):
            for k, position in enumerate(positions):
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
    """Irrigated maize: twelve chambers, one closed at a time on a fast analyzer."""
    start = datetime.fromisoformat("2026-02-09T00:05:00+10:00")
    return Scenario(
        kind="own_line",
        id="larkfield",
        name="Larkfield irrigated maize",
        start=start,
        days=days,
        places=_places(("band", "between", "wheel_track"), ("full_rate", "no_nitrogen"), False),
        fertilized_at=start + timedelta(hours=20),
        **changes,  # type: ignore[arg-type]
    )


def shared_analyzer(days: int = 3, **changes: object) -> Scenario:
    """Grazed pasture: two groups of six lids closed for an hour on one port selector."""
    start = datetime.fromisoformat("2026-03-16T00:00:00+10:00")
    return Scenario(
        kind="shared_analyzer",
        id="ferrowdown",
        name="Ferrow Down grazed pasture",
        start=start,
        days=days,
        places=_places(("urine_patch", "sward", "gateway"), ("urea_split", "unfertilised"), True),
        fertilized_at=start + timedelta(hours=14),
        seed=20260316,
        elevation_m=265.0,
        **changes,  # type: ignore[arg-type]
    )
