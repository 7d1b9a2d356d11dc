"""What a request asks for, checked once: days, moments, numbers and identities.

Whatever cannot be meant is answered with 404, or as if it had not been asked for; nothing else of
the page sees it.
"""

from datetime import UTC, date, datetime
from typing import Final

from starlette.exceptions import HTTPException
from starlette.requests import Request

from stream.station import gases_of
from stream.store.results.readers import Period
from stream.store.station_data import StationData
from stream.times import DAY, EARLIEST, LATEST, SECOND

FIRST_DAY: Final = date(2000, 1, 2)
LAST_DAY: Final = date(2099, 12, 30)
"""Days for which there can be data; a day on either side can be reckoned with."""
_MOST_DIGITS: Final = 8
_LARGEST: Final = 2**63
_BEYOND_US: Final = 366 * DAY
"""How far a chart may look beyond what there is."""


def day_of(text: str) -> date:
    """A day such as ``2026-06-15``.

    Raises
    ------
    HTTPException
        404: it is not one, or there can be no data.
    """
    try:
        found = date.fromisoformat(text)
    except ValueError:
        raise HTTPException(404, "This is not a day.") from None
    if not FIRST_DAY <= found <= LAST_DAY:
        raise HTTPException(404, "There are no data for that day.")
    return found


def whole(request: Request, name: str, default: int) -> int:
    """A whole number that is not negative, or the default."""
    text = request.query_params.get(name, "")
    plain = text.isascii() and text.isdigit() and len(text) <= _MOST_DIGITS
    return int(text) if plain else default


def identity(request: Request, name: str) -> int:
    """A number in the path that names something stored.

    Raises
    ------
    HTTPException
        404: nothing stored can have it.
    """
    found: int = request.path_params[name]
    if not 0 <= found < _LARGEST:
        raise HTTPException(404)
    return found


def period(request: Request, extent: Period) -> Period:
    """The time that a chart asks for [s], or all that there is where that makes no sense."""

    def at(name: str, default: int) -> int:
        try:
            value = float(request.query_params[name])
        except (KeyError, ValueError):
            return default
        # Comparisons with a number that is none are false.
        return round(value * SECOND) if EARLIEST <= value * SECOND < LATEST else default

    first = max(at("from", extent.first_us), extent.first_us - _BEYOND_US)
    stop = min(at("to", extent.stop_us), extent.stop_us + _BEYOND_US)
    return Period(first, stop) if first < stop else extent


def gas_of(request: Request, data: StationData) -> str:
    """The gas that is asked for, or the station's first."""
    gases = gases_of(data.file.station)
    given = request.query_params.get("gas", "")
    return given if given in gases else gases[0]


def extent_of(data: StationData) -> Period:
    """From the first record to the last; a day around now of a station without any."""
    extent = data.journal.extent()
    if not extent:
        now = round(datetime.now(UTC).timestamp() * SECOND)
        return Period(now - DAY, now)
    return Period(
        min(first for first, _, _ in extent.values()),
        max(last for _, last, _ in extent.values()) + 1,
    )
