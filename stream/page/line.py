"""A line of a chart over time, in the one shape that the charts know."""

from collections.abc import Sequence
from typing import Any


def line(
    name: str,
    t_s: Sequence[float],
    y: Sequence[float],
    *,
    se: Sequence[float | None] | None = None,
    quality: Sequence[int] | None = None,
    closed_us: Sequence[int] | None = None,
    flags: Sequence[str] | None = None,
) -> dict[str, Any]:
    """One line; what is not given is unknown, good, of no closure, and without a flag.

    Parameters
    ----------
    name : str
    t_s, y : sequence of float
        Times since 1970 [s], and values.
    se, quality, closed_us, flags : sequence, optional
        Of each point.
    """
    n = len(t_s)
    return {
        "name": name,
        "t": list(t_s),
        "y": list(y),
        "se": [None] * n if se is None else list(se),
        "quality": [1] * n if quality is None else list(quality),
        "closed_us": [None] * n if closed_us is None else list(closed_us),
        "flags": [""] * n if flags is None else list(flags),
    }


def chart(lines: list[dict[str, Any]], full: int | None = None) -> dict[str, Any]:
    """Lines, how many points there are, and how many of them are given."""
    shown = sum(len(one["t"]) for one in lines)
    return {"series": lines, "full": shown if full is None else full, "shown": shown}
