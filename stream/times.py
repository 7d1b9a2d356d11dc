"""Times as whole microseconds since 1970 in UTC, and as text."""

from datetime import UTC, datetime
from typing import Final

SECOND: Final = 1_000_000
DAY: Final = 86_400 * SECOND
EARLIEST: Final = 946_684_800 * SECOND
"""2000-01-01T00:00:00Z: a clock before this was never set."""
LATEST: Final = 4_102_444_800 * SECOND
"""2100-01-01T00:00:00Z."""


def rfc3339(time: int) -> str:
    """A time [µs since 1970] as RFC 3339 text in UTC; a fraction only where there is one."""
    seconds, micros = divmod(int(time), SECOND)
    moment = datetime.fromtimestamp(seconds, UTC)
    text = moment.strftime("%Y-%m-%dT%H:%M:%S")
    if moment.year < 1000:
        text = text.zfill(19)
    fraction = f".{micros:06d}".rstrip("0") if micros else ""
    return f"{text}{fraction}Z"


def to_micros(when: datetime) -> int:
    """An aware moment as microseconds since 1970, exact.

    Raises
    ------
    ValueError
        The moment bears no time zone.
    """
    if when.tzinfo is None:
        raise ValueError(f"{when} has no time zone")
    gap = when - datetime(1970, 1, 1, tzinfo=UTC)
    return (gap.days * 86_400 + gap.seconds) * SECOND + gap.microseconds
