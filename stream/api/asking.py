"""What a call may be given for a time, a name or a quality, and what is said of the rest."""

import re
from collections.abc import Callable, Iterable, Mapping
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from functools import wraps
from typing import Any, Final, ParamSpec, TypeVar

from stream.errors import CommandError, QueryError, SelectionError, StationFileError
from stream.report.table import Selection
from stream.science.flux.constants import MOLAR_MASS
from stream.science.flux.units import flux_unit
from stream.station import Station, read_clock
from stream.store.results.readers import Period
from stream.times import to_micros

P = ParamSpec("P")
T = TypeVar("T")

QUALITIES: Final[Mapping[str, int]] = {
    "good": 1,
    "not evaluated": 2,
    "suspect": 3,
    "bad": 4,
    "missing": 9,
}
"""Word of a quality code → the code [IOC 54:V3]."""
_MONTH: Final = re.compile(r"\d{4}-\d{2}$")


def plainly(call: Callable[P, T]) -> Callable[P, T]:
    """Have errors say what was wrong with a call, not with options of the command line."""

    @wraps(call)
    def told(*args: P.args, **kwargs: P.kwargs) -> T:
        try:
            return call(*args, **kwargs)
        except SelectionError as error:
            raise QueryError(error.plain) from None
        except CommandError as error:
            text = str(error).replace("--from", "start").replace("--to", "stop")
            raise QueryError(text.replace("--", "")) from None
        except StationFileError as error:
            if len(error.faults) <= 1:
                raise
            more = f" (and {len(error.faults) - 1} more: lidstream check tells them)"
            raise StationFileError([error.faults[0] + more]) from None

    return told


def moment(when: object, name: str = "time") -> int:
    """A moment with its offset [µs since 1970].

    Raises
    ------
    QueryError
        It is not a time, or has no offset.
    """
    found = when
    if isinstance(when, str):
        try:
            found = datetime.fromisoformat(when.strip())
        except ValueError:
            raise QueryError(
                f"{name}: {when!r} is not a time; write 2026-06-10T04:00Z, or give a datetime"
            ) from None
    if not isinstance(found, datetime):
        shown = repr(when)
        shown = type(when).__name__ if "\n" in shown or len(shown) > 60 else shown
        raise QueryError(f"{name}: {shown} is not a time; write 2026-06-10T04:00Z")
    if found != found:
        raise QueryError(f"{name}: not a time (NaT)")
    if found.tzinfo is None:
        raise QueryError(
            f"{name}: {when} has no offset from UTC; write {found:%Y-%m-%dT%H:%M}Z for UTC, or"
            " give an aware datetime"
        )
    return to_micros(found)


def _bound(when: object, zone: tzinfo, name: str, *, end: bool) -> int | None:
    """One end of a period [µs]; a day or a month is one at the station, its end included."""
    if when is None:
        return None
    day = None
    if isinstance(when, str) and _MONTH.match(when.strip()):
        first = date.fromisoformat(f"{when.strip()}-01")
        day = (first + timedelta(days=31)).replace(day=1) - timedelta(days=1) if end else first
    elif isinstance(when, str) and len(when.strip()) == 10:
        try:
            day = date.fromisoformat(when.strip())
        except ValueError:
            raise QueryError(f"{name}: {when!r} is not a day like 2026-06-01") from None
    elif isinstance(when, date) and not isinstance(when, datetime):
        day = when
    if day is None:
        return moment(when, name)
    try:
        midnight = datetime.combine(day + timedelta(days=1 if end else 0), time(), zone)
        return to_micros(midnight.astimezone(UTC))
    except OverflowError:
        raise QueryError(f"{name}: {when} is beyond what a calendar holds") from None


def bounds(station: Station, start: object, stop: object) -> tuple[int | None, int | None]:
    """Both ends of a period [µs], the end excluded; None for none.

    Raises
    ------
    QueryError
        One is not a day, month or time, or they are the wrong way round.
    """
    zone = read_clock(station.station.timezone)
    first, last = _bound(start, zone, "start", end=False), _bound(stop, zone, "stop", end=True)
    if first is not None and last is not None and not first < last:
        raise QueryError(f"start: {start} must be earlier than stop, {stop}")
    return first, last


def names(given: str | Iterable[str] | None, what: str = "name") -> tuple[str, ...]:
    """One name, several, or () for no choice.

    Raises
    ------
    QueryError
        There is none among what is given: that is not to be taken for all.
    """
    if given is None:
        return ()
    found = (given,) if isinstance(given, str) else tuple(given)
    if not found:
        raise QueryError(f"{what}: an empty list; leave {what} out for all of them")
    return found


def qualities(given: int | str | Iterable[int | str] | None) -> tuple[int, ...]:
    """Quality codes, as numbers or in words.

    Raises
    ------
    QueryError
        One is unknown.
    """
    if given is None:
        return ()
    each = [given] if isinstance(given, int | str) else list(given)
    if not each:
        raise QueryError("quality: an empty list; leave quality out for all of them")
    found = [QUALITIES.get(q, -1) if isinstance(q, str) else int(q) for q in each]
    for asked, code in zip(each, found, strict=True):
        if code not in QUALITIES.values():
            known = ", ".join(f"{code} {word}" for word, code in QUALITIES.items())
            raise QueryError(f"quality {asked!r}: unknown; the codes are {known}")
    return tuple(found)


def selection(
    station: Station,
    start: object = None,
    stop: object = None,
    gas: str | Iterable[str] | None = None,
    chamber: str | Iterable[str] | None = None,
    quality: int | str | Iterable[int | str] | None = None,
    unit: str | None = None,
) -> Selection:
    """What a table is asked for."""
    period = Period.between(*bounds(station, start, stop))
    return Selection(period, names(gas, "gas"), names(chamber, "chamber"), unit, qualities(quality))


def per_nmol(unit: str, gas: str) -> float:
    """One nmol m⁻² s⁻¹ of a gas in another unit of flux.

    Raises
    ------
    QueryError
        The unit is not one, does not apply to the gas, or needs one that is known.
    """
    if unit.strip() == "nmol m-2 s-1":
        return 1.0
    try:
        return flux_unit(unit).per_nmol(gas)
    except ValueError as error:
        raise QueryError(f"unit: {error}") from None
    except KeyError:
        if gas:
            raise QueryError(
                f"unit {unit!r}: gas {gas!r} is not known; one of {', '.join(MOLAR_MASS)}"
            ) from None
        known = f"{', '.join(MOLAR_MASS)}"
        raise QueryError(f"unit {unit!r}: say of which gas, as in gas='N2O'; {known}") from None


def settings_of(given: Mapping[str, Any]) -> dict[str, dict[str, Any]]:
    """Settings of one closure, by the section of the station file that each is a key of."""
    found: dict[str, dict[str, Any]] = {}
    for key, value in given.items():
        section = "models" if key in {"default", "candidates", "chamber_bias"} else "closure"
        found.setdefault(section, {})[key] = tuple(value) if isinstance(value, list) else value
    return found
