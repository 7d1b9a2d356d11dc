"""Times of day for people."""

from datetime import UTC, datetime, tzinfo


def clock_time(at_us: int, zone: tzinfo) -> str:
    """A moment as the clock at the station shows it: ``02:10``."""
    return datetime.fromtimestamp(at_us / 1e6, UTC).astimezone(zone).strftime("%H:%M")
