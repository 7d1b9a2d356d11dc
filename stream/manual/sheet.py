"""A round of sampling by hand, on paper: who goes where when, labels for the vials, and the
table that comes back filled in.
"""

import csv
import io
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from jinja2 import Environment, PackageLoader
from numpy.typing import NDArray

from stream.errors import CommandError
from stream.files import write_whole
from stream.science.planning.rounds import (
    Route,
    people_needed,
    share_out,
    short_tour,
    time_between_s,
    walk_of,
)
from stream.station import Chamber, Station

_TABLE_COLUMNS = (
    *("date", "person", "planned_at", "minute", "chamber", "plot", "position", "vial"),
    *("closed_at", "sampled_at", "height_m", "air_temperature_c", "pressure_hpa"),
)


@dataclass(frozen=True, slots=True)
class Round:
    """A round as it is planned."""

    day: date
    start: time
    chambers: tuple[Chamber, ...]
    walks: tuple[Route, ...]
    minutes: tuple[float, ...]
    between_s: float

    def sentence(self) -> str:
        """For people."""
        longest = max(w.turn_s for w in self.walks)
        who = "one person" if len(self.walks) == 1 else f"{len(self.walks)} people"
        return (
            f"{len(self.chambers)} chambers, {who}, {len(self.minutes)} samples each: a turn"
            f" takes {_clock(longest)} of the {_clock(self.between_s)} between sample times"
        )


def plan_round(
    station: Station, day: date, start: time, names: tuple[str, ...], people: int
) -> Round:
    """Plan a round so that every chamber is reached at every sample time.

    Parameters
    ----------
    station : Station
        Its chambers, and the times of ``[hand]``.
    day, start : date, time
        When the first lid closes, by the station's clock on the wall.
    names : tuple of str
        Chambers; empty for all that are sampled by hand.
    people : int
        Who share the chambers.

    Raises
    ------
    CommandError
        A chamber is unknown, or the round is not feasible, and why.
    """
    by_hand = [c for c in station.chambers if station.analyzer(c.analyzer).sampling == "vials"]
    known = {c.id: c for c in by_hand}
    for name in names:
        if name not in known:
            there = ", ".join(known) or "none in the station file"
            raise CommandError(f"--chamber {name}: not sampled by hand; those that are: {there}")
    chambers = tuple(known[n] for n in dict.fromkeys(names)) or tuple(by_hand)
    if not chambers:
        raise CommandError(
            "no chamber of the station file is sampled by hand; give one an analyzer with"
            ' sampling = "vials"'
        )
    rules = station.hand
    travel = _travel_s(station, chambers)
    order = (
        short_tour(travel)
        if all(c.place_m is not None for c in chambers)
        else tuple(range(len(chambers)))
    )
    between = time_between_s(rules.sample_minutes)
    walks = share_out(order, travel, rules.handling_s, people)
    longest = max(w.turn_s for w in walks)
    if longest > between:
        needed = people_needed(order, travel, rules.handling_s, between)
        raise CommandError(
            f"the round is not feasible: a turn of {max(len(w.order) for w in walks)} chambers"
            f" takes {_clock(longest)}, and sample times are {_clock(between)} apart;"
            f" {_remedy(order, travel, rules.handling_s, between, needed)}"
        )
    return Round(day, start, chambers, tuple(walks), rules.sample_minutes, between)


def _remedy(
    order: tuple[int, ...],
    travel: NDArray[np.float64],
    handling_s: float,
    between_s: float,
    needed: int | None,
) -> str:
    if needed is None:
        return "even one chamber takes too long; write longer hand.sample_minutes"
    fit = 1
    while walk_of(order[: fit + 1], travel, handling_s).turn_s <= between_s:
        fit += 1
    return (
        f"one person reaches {fit} in that time: use --people {needed}, name fewer with --chamber,"
        " or write longer hand.sample_minutes"
    )


def _travel_s(station: Station, chambers: tuple[Chamber, ...]) -> NDArray[np.float64]:
    """From chamber to chamber: by their places where both have one, or the usual walk."""
    rules = station.hand
    n = len(chambers)
    travel = np.full((n, n), rules.walk_s)
    for i, a in enumerate(chambers):
        for j, b in enumerate(chambers):
            if a.place_m is not None and b.place_m is not None:
                far = np.hypot(a.place_m[0] - b.place_m[0], a.place_m[1] - b.place_m[1])
                travel[i, j] = far / rules.walking_m_s
    np.fill_diagonal(travel, 0.0)
    return travel


def write_round(station: Station, plan: Round, folder: Path) -> tuple[Path, Path]:
    """Write the table to fill in and the sheet to print.

    Returns
    -------
    tuple of Path
        ``round-DAY.csv``, which comes back by replay, and ``round-DAY.html``.

    Raises
    ------
    CommandError
        The table is there already: a person may have filled it in.
    """
    table = folder / f"round-{plan.day}.csv"
    sheet = folder / f"round-{plan.day}.html"
    if table.exists():
        raise CommandError(
            f"{table}: is there already, and may be filled in; move it, or choose another --out"
        )
    rows = _rows(plan)
    out = io.StringIO()
    writer = csv.DictWriter(out, _TABLE_COLUMNS, lineterminator="\n")
    writer.writeheader()
    in_vials = sorted(rows, key=lambda r: str(r["vial"]))
    writer.writerows({c: r.get(c, "") for c in _TABLE_COLUMNS} for r in in_vials)
    write_whole(table, out.getvalue())
    write_whole(sheet, _sheet(station, plan, rows))
    return table, sheet


def _rows(plan: Round) -> list[dict[str, Any]]:
    """One row a vial, in order of person and time."""
    width = len(str(len(plan.chambers) * len(plan.minutes)))
    begin = datetime.combine(plan.day, plan.start)
    rows: list[dict[str, Any]] = []
    number = 0
    for person, walk in enumerate(plan.walks, 1):
        for i, offset in zip(walk.order, walk.offset_s, strict=True):
            chamber = plan.chambers[i]
            for minute in plan.minutes:
                number += 1
                at = begin + timedelta(seconds=offset + 60.0 * minute)
                rows.append(
                    {
                        "date": plan.day.isoformat(),
                        "person": person,
                        "planned_at": at.strftime("%H:%M:%S"),
                        "minute": f"{minute:g}",
                        "chamber": chamber.id,
                        "plot": chamber.plot,
                        "position": chamber.position,
                        "vial": f"{plan.day:%m%d}-{number:0{width}d}",
                    }
                )
    return sorted(rows, key=lambda r: (r["person"], r["planned_at"]))


def _sheet(station: Station, plan: Round, rows: list[dict[str, Any]]) -> str:
    environment = Environment(
        loader=PackageLoader("stream.manual"), autoescape=True, trim_blocks=True
    )
    first, last = f"{plan.minutes[0]:g}", f"{plan.minutes[-1]:g}"
    walks = []
    for person, walk in enumerate(plan.walks, 1):
        mine = [r for r in rows if r["person"] == person]
        start = mine[0]["chamber"]
        steps = []
        for r in mine:
            what = "fill the vial"
            if r["minute"] == first:
                what = "close the lid, fill the vial" if first == "0" else what
            if r["minute"] == last:
                what = "fill the vial, open the lid"
            place = ", ".join(p for p in (r["plot"] and f"plot {r['plot']}", r["position"]) if p)
            steps.append(
                {
                    "at": r["planned_at"],
                    "chamber": r["chamber"],
                    "place": place,
                    "what": what,
                    "vial": r["vial"],
                    "first": r["chamber"] == start,
                }
            )
        walks.append(
            {
                "chambers": [plan.chambers[i].id for i in walk.order],
                "turn": _clock(walk.turn_s),
                "spare": _clock(plan.between_s - walk.turn_s),
                "steps": steps,
            }
        )
    labels = sorted(rows, key=lambda r: str(r["vial"]))
    return environment.get_template("sheet.html").render(
        station=station.id,
        name=station.station.name or station.id,
        day=plan.day.isoformat(),
        walks=walks,
        labels=labels,
    )


def _clock(seconds: float) -> str:
    whole = round(seconds)
    return f"{whole // 60} min {whole % 60:02d} s" if whole % 60 else f"{whole // 60} min"
