"""A logger's clock: a fixed offset, or an IANA zone."""

import re
from datetime import UTC, timedelta, timezone, tzinfo
from functools import cache
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones

_OFFSET = re.compile(r"^([+-])(\d{2}):(\d{2})$")
_NEARLY = re.compile(r"^(?:UTC|GMT)?\s*([+\u2212-])\s*(\d{1,2})(?::?([0-5]\d))?$", re.IGNORECASE)


@cache
def read_clock(text: str) -> tzinfo:
    """Time zone of timestamps that bear none.

    Parameters
    ----------
    text : str
        ``+01:00``, ``Z``, ``UTC`` or an IANA name such as ``Europe/Copenhagen``.

    Raises
    ------
    ValueError
        It is none of these.
    """
    if text in {"Z", "UTC", "+00:00", "-00:00"}:
        return UTC
    match = _OFFSET.match(text)
    if match:
        hours, minutes = int(match[2]), int(match[3])
        if hours > 14 or minutes > 59:
            raise ValueError(f"offset {text!r} is beyond 14 hours")
        shift = timedelta(hours=hours, minutes=minutes)
        return timezone(shift if match[1] == "+" else -shift)
    try:
        return ZoneInfo(text)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise ValueError(
            f"{text!r} is neither an offset like '+01:00' nor a zone like 'Europe/Copenhagen'"
            f"{_meant(text)}"
        ) from None


def _meant(text: str) -> str:
    """What to write in place of an offset or a zone that is nearly one."""
    match = _NEARLY.match(text.strip())
    if match and int(match[2]) <= 14:
        sign = "+" if match[1] == "+" else "-"
        return f". Write '{sign}{int(match[2]):02d}:{match[3] or '00'}'"
    wanted = text.strip().replace(" ", "_").casefold()
    zones = (z for z in sorted(available_timezones()) if "/" in z)
    found = [z for z in zones if wanted in (z.casefold(), z.rpartition("/")[2].casefold())]
    return f". Write '{found[0]}'" if found else ""
