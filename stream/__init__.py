"""lidstream: records of automatic soil chambers become greenhouse-gas fluxes.

For a notebook::

    import stream

    station = stream.open_station("station.toml")
    n2o = station.fluxes("N2O", start="2026-06-01", unit="g N ha-1 d-1")
    fit = station.closure("A1", "2026-06-10T04:00Z").fit("N2O", dead_band_s=45)

``__all__`` is what will stay; every other name may change. Nothing is loaded before it is used.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from stream.api.arrays import fit as fit
    from stream.api.arrays import flux as flux
    from stream.api.closure import Closure as Closure
    from stream.api.fit_result import FitResult as FitResult
    from stream.api.season import SeasonResult as SeasonResult
    from stream.api.season import season as season
    from stream.api.station import Station as Station
    from stream.api.station import open_station as open_station
    from stream.errors import LidstreamError as LidstreamError

__version__ = "0.1.0"

__all__ = [
    "Closure",
    "FitResult",
    "LidstreamError",
    "SeasonResult",
    "Station",
    "fit",
    "flux",
    "open_station",
    "season",
]

_WHERE = {
    "Closure": "stream.api.closure",
    "FitResult": "stream.api.fit_result",
    "LidstreamError": "stream.errors",
    "SeasonResult": "stream.api.season",
    "Station": "stream.api.station",
    "fit": "stream.api.arrays",
    "flux": "stream.api.arrays",
    "open_station": "stream.api.station",
    "season": "stream.api.season",
}


def __getattr__(name: str) -> Any:
    if name not in _WHERE:
        raise AttributeError(f"module 'stream' has no attribute {name!r}")
    return getattr(import_module(_WHERE[name]), name)


def __dir__() -> list[str]:
    return sorted([*__all__, "__version__"])
