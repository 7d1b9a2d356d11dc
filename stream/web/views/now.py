"""Every chamber as it is now, in the layout of the plots."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, Final

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from stream.report.summary.closures import NO_FAULTS
from stream.science.quality.flags import gravest
from stream.station import Chamber, Station, gases_of
from stream.store.messages import Messages
from stream.store.results.readers import Period
from stream.store.station_data import StationData
from stream.times import DAY, SECOND, rfc3339
from stream.web.site import site_of

_BACK: Final = 3 * DAY
LID_WORDS: Final = {"closed": "closed", "open": "open", "moving": "moving", "unknown": "no word"}


@dataclass(frozen=True, slots=True)
class Tile:
    """One chamber: its lid, its last fluxes, and the gravest flag of its last closure.

    ``age_min`` is the time since its last closure closed, by the newest record.
    """

    chamber: str
    position: str
    lid: str
    lid_since: str | None
    closed_us: int | None
    age_min: float | None
    fluxes: dict[str, float | None]
    quality: int
    flag: str
    gap: str


@dataclass(frozen=True, slots=True)
class PlotBox:
    """A plot and its chambers."""

    plot: str
    treatment: str
    tiles: list[Tile]


@dataclass(frozen=True, slots=True)
class Plan:
    """Blocks in rows, plots in them."""

    newest_us: int | None
    rows: list[tuple[str, list[PlotBox]]]

    @property
    def tiles(self) -> list[Tile]:
        """All chambers."""
        return [t for _, boxes in self.rows for b in boxes for t in b.tiles]


def plan_of(data: StationData) -> Plan:
    """How each chamber is, by what is stored."""
    station = data.file.station
    newest = data.journal.newest()
    last: dict[str, list[dict[str, Any]]] = {}
    gaps: dict[str, str] = {}
    if newest is not None:
        period = Period(newest - _BACK, 2**62)
        for row in data.reader.flux_flags(period):
            mine = last.setdefault(row["chamber"], [])
            if mine and mine[0]["closed_us"] != row["closed_us"]:
                mine.clear()
            mine.append(row)
        for row in data.reader.gaps(period):
            mine = last.get(row["chamber"], [])
            if not mine or row["due_us"] > mine[0]["closed_us"]:
                gaps[row["chamber"]] = row["flags"]
    lids = _lids(data, newest)
    by_plot: dict[tuple[str, str], list[Chamber]] = {}
    for c in station.chambers:
        by_plot.setdefault((c.block, c.plot), []).append(c)
    rows: dict[str, list[PlotBox]] = {}
    for (block, plot), chambers in sorted(by_plot.items(), key=lambda item: _order(item[0])):
        tiles = [
            _tile(station, c, last.get(c.id, []), gaps.get(c.id, ""), lids.get(c.id), newest)
            for c in sorted(chambers, key=lambda c: c.place_m or (0.0, 0.0))
        ]
        treatments = sorted({c.treatment for c in chambers})
        rows.setdefault(block, []).append(PlotBox(plot, ", ".join(filter(None, treatments)), tiles))
    return Plan(newest, list(rows.items()))


def _order(names: Sequence[str]) -> tuple[tuple[int, str], ...]:
    return tuple((int(n) if n.isdigit() else 10**9, n) for n in names)


def _lids(data: StationData, newest: int | None) -> dict[str, tuple[str, int]]:
    """Chamber → state of its lid and since when, as far as recent records show."""
    station = data.file.station
    chambers = [c for c in station.chambers if c.lid_channel is not None]
    if newest is None or not chambers:
        return {}
    hold = round(max(station.closure.lid_hold_s, 600.0) * SECOND)
    records = data.journal.read({c.lid for c in chambers}, newest - 6 * 3600 * SECOND, newest)
    found = {}
    for c in chambers:
        series = records[c.lid].filled()
        if not len(series.values) or newest - int(series.times[-1]) > hold:
            continue
        now = float(series.values[-1])
        state = "closed" if now == c.lid_closed else "open" if now == c.lid_open else "moving"
        other = (series.values != now).nonzero()[0]
        since = int(series.times[other[-1] + 1]) if len(other) else int(series.times[0])
        found[c.id] = (state, since)
    return found


def _tile(
    station: Station,
    chamber: Chamber,
    rows: Sequence[dict[str, Any]],
    gap: str,
    lid: tuple[str, int] | None,
    newest: int | None,
) -> Tile:
    flags = {f for r in rows for f in r["flags"].split()} - NO_FAULTS
    if gap:
        flags = set(gap.split())
    closed = rows[0]["closed_us"] if rows else None
    values = {r["gas"]: r["flux_nmol_m2_s"] for r in rows}
    return Tile(
        chamber=chamber.id,
        position=chamber.position,
        lid="unknown" if lid is None else lid[0],
        lid_since=None if lid is None else rfc3339(lid[1]),
        closed_us=closed,
        age_min=None if closed is None or newest is None else (newest - closed) / (60 * SECOND),
        fluxes={g: values.get(g) for g in station.analyzer(chamber.analyzer).gases},
        quality=9 if gap else max((r["quality"] for r in rows), default=0, key=_gravity),
        flag=gravest(flags),
        gap=gap,
    )


def _gravity(quality: int) -> int:
    return {1: 0, 2: 1, 3: 2, 4: 3, 9: 4}.get(quality, 0)


def now(request: Request) -> Response:
    """What must be done today, and every chamber in the layout of the plots."""
    site = site_of(request)
    data = site.data()
    days = data.kept.days()
    last = data.kept.get(date.fromisoformat(days[-1])) if days else None
    return site.show(
        request,
        "now.html",
        plan=plan_of(data),
        lid_words=LID_WORDS,
        incidents=Messages(site.store, data.file.station.id).incidents(open_only=True),
        summary=None if last is None else last["content"],
        gases=gases_of(data.file.station),
    )


ROUTES: Final = [
    Route("/", now),
]
