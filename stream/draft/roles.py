"""What the columns of a station's files seem to be: by their names, their units, their values.

Everything here is a guess, shown as such in the drafted file; nothing that cannot be told
from the files is made up.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from stream.draft.survey import Column, Survey

Kind = Literal[
    "gas", "water", "pressure", "air", "soil", "moisture", "status", "lid", "port", "other"
]

GASES: Final = {"n2o": "N2O", "ch4": "CH4", "co2": "CO2", "nh3": "NH3"}
"""Nitric oxide is left to people: a column ``no`` mostly counts lines."""
_WATER: Final = {"h2o", "water", "humidity", "vapour", "vapor"}
_PRESSURE: Final = {"p", "press", "pressure", "baro", "barometer"}
_SOIL: Final = {"soil", "ts", "tsoil", "ground"}
_TEMPERATURE: Final = {"t", "ta", "ts", "temp", "temperature", "tair", "tsoil"}
_MOISTURE: Final = {"vwc", "moisture", "theta", "swc", "wetness"}
_STATUS: Final = {"status", "diag", "diagnostic", "diagnostics", "fault", "error", "alarm"}
_PORT: Final = {"port", "valve", "inlet", "line", "selector"}
_LID: Final = {"lid", "cover", "door"}
_DAY_US: Final = 86_400e6
_MOVING_S: Final = 90.0
"""A state that lasts no longer than this is that of a moving lid."""
_EDGES_A_DAY: Final = 3.0
_MOST_PORTS: Final = 64


@dataclass(frozen=True, slots=True)
class Lid:
    """How one lid moves.

    Attributes
    ----------
    closed, open : float
        Values of the two states.
    closed_s : float
        How long it is closed, by the median.
    per_day : float
        How often it closes.
    """

    closed: float
    open: float
    closed_s: float
    per_day: float


@dataclass
class Roles:
    """What each column seems to be.

    Attributes
    ----------
    kinds : dict of str to Kind
        Of each column.
    units : dict of str to (str, str)
        Unit, '' where nothing tells it, and how it is known.
    lids : dict of str to Lid
        Of each column of a lid.
    keys : dict of str to str
        Column of a lid → the part of its name that tells it from the others.
    patterns : dict of str to Kind
        Name with ``{id}`` → kind, of columns that every chamber has.
    """

    kinds: dict[str, Kind] = field(default_factory=dict)
    units: dict[str, tuple[str, str]] = field(default_factory=dict)
    lids: dict[str, Lid] = field(default_factory=dict)
    keys: dict[str, str] = field(default_factory=dict)
    patterns: dict[str, Kind] = field(default_factory=dict)

    def first(self, kind: Kind) -> str | None:
        """The first column of a kind."""
        return next((name for name, k in self.kinds.items() if k == kind), None)

    def of_pattern(self, kind: Kind) -> str | None:
        """The first pattern of a kind."""
        return next((name for name, k in self.patterns.items() if k == kind), None)


def roles_of(found: Survey) -> Roles:
    """Guess what each column of a survey is."""
    roles = Roles()
    for name, column in found.columns.items():
        times, values = column.series()
        kind = _kind(name, column)
        lid = _lid(times, values) if kind in ("lid", "other") else None
        if lid is not None:
            kind = "lid"
            roles.lids[name] = lid
        elif kind == "lid" or (kind == "port" and not _is_port(values)):
            kind = "other"
        roles.kinds[name] = kind
        roles.units[name] = _unit(name, kind, column.unit, values)
    roles.keys = _keys(list(roles.lids))
    roles.patterns = _patterns(roles)
    return roles


def _tokens(name: str) -> set[str]:
    parts = re.split(r"[^a-z0-9]+", name.lower())
    return {p for part in parts for p in (part, part.rstrip("0123456789")) if p}


def gas_of(name: str) -> str | None:
    """The gas that a name tells."""
    tokens = _tokens(name)
    return next((gas for word, gas in GASES.items() if word in tokens), None)


def _kind(name: str, column: Column) -> Kind:
    tokens = _tokens(name)
    if tokens & _STATUS:
        return "status"
    if tokens & _LID:
        return "lid"
    if gas_of(name) is not None:
        return "gas"
    if tokens & _WATER:
        return "water"
    if tokens & _MOISTURE or column.unit in ("m3/m3", "%vol"):
        return "moisture"
    if tokens & _PORT:
        return "port"
    if tokens & _TEMPERATURE or column.unit in ("degC", "K"):
        return "soil" if tokens & _SOIL else "air"
    if tokens & _PRESSURE or column.unit in ("Pa", "hPa", "kPa"):
        return "pressure"
    return "other"


def _is_port(values: NDArray[np.float64]) -> bool:
    """Whether a column tells which of several ports is on: a few whole numbers, by turns."""
    seen = np.unique(values)
    return bool(3 <= len(seen) <= _MOST_PORTS and (seen == np.rint(seen)).all())


def _lid(times: NDArray[np.int64], values: NDArray[np.float64]) -> Lid | None:
    """How a column of few values that return day by day moves; None for any other."""
    if len(values) < 10 or not (values == np.rint(values)).all():
        return None
    states = np.unique(values)
    days = max((int(times[-1]) - int(times[0])) / _DAY_US, 1 / 24)
    edges = np.flatnonzero(np.diff(values) != 0) + 1
    if not 2 <= len(states) <= 4 or len(edges) / days < _EDGES_A_DAY:
        return None
    starts = np.concatenate([[0], edges])
    stops = np.append(times[edges], times[-1])
    lasted = (stops - times[starts]) / 1e6
    total = {float(s): float(lasted[values[starts] == s].sum()) for s in states}
    middle = {float(s): float(np.median(lasted[values[starts] == s])) for s in states}
    stays = [s for s in total if middle[s] > _MOVING_S] or list(total)
    resting = max(total, key=lambda s: total[s])
    others = [s for s in stays if s != resting] or [s for s in total if s != resting]
    shut = max(others, key=lambda s: total[s])
    closings = int((values[starts] == shut).sum())
    return Lid(shut, resting, middle[shut], closings / days)


_BY_VALUE: Final = {
    "N2O": ((150.0, 1e5, "nmol/mol"), (0.15, 100.0, "umol/mol")),
    "CH4": ((1000.0, 1e6, "nmol/mol"), (1.0, 900.0, "umol/mol")),
    "CO2": ((1.5e5, 1e8, "nmol/mol"), (150.0, 1e5, "umol/mol")),
    "water": ((2.5, 80.0, "mmol/mol"), (0.1, 2.5, "%")),
    "pressure": ((50_000.0, 110_000.0, "Pa"), (500.0, 1100.0, "hPa"), (50.0, 110.0, "kPa")),
    "air": ((223.0, 340.0, "K"), (-45.0, 65.0, "degC")),
    "soil": ((240.0, 330.0, "K"), (-30.0, 55.0, "degC")),
    "moisture": ((0.0, 1.0, "m3/m3"), (1.0, 100.0, "%vol")),
}
"""What a quantity's median may be in each unit, the likelier first."""


def _unit(
    name: str, kind: Kind, stated: str | None, values: NDArray[np.float64]
) -> tuple[str, str]:
    """Unit, and how it is known."""
    if kind in ("lid", "port", "status"):
        return "1", ""
    if stated:
        return stated, "as the files state it"
    what = gas_of(name) if kind == "gas" else kind
    if len(values):
        middle = float(np.median(values))
        for low, high, unit in _BY_VALUE.get(str(what), ()):
            if low <= middle < high:
                return unit, f"by its values, {middle:.4g} in the middle"
    return "", ""


RANGES: Final = {
    ("N2O", "nmol/mol"): (0.0, 20_000.0), ("N2O", "umol/mol"): (0.0, 20.0),
    ("CH4", "nmol/mol"): (500.0, 20_000.0), ("CH4", "umol/mol"): (0.5, 20.0),
    ("CO2", "umol/mol"): (200.0, 20_000.0), ("CO2", "nmol/mol"): (200_000.0, 20_000_000.0),
    ("water", "mmol/mol"): (0.0, 80.0), ("water", "%"): (0.0, 8.0),
    ("pressure", "hPa"): (800.0, 1100.0), ("pressure", "kPa"): (80.0, 110.0),
    ("pressure", "Pa"): (80_000.0, 110_000.0),
    ("air", "degC"): (-30.0, 70.0), ("air", "K"): (243.0, 343.0),
    ("soil", "degC"): (-20.0, 60.0), ("soil", "K"): (253.0, 333.0),
    ("moisture", "m3/m3"): (0.0, 0.7), ("moisture", "%vol"): (0.0, 70.0),
}  # fmt: skip
"""Between what readings of a field are real: common practice, no source."""
_SAME: Final = {"ppb": "nmol/mol", "ppm": "umol/mol"}


def range_of(name: str, kind: Kind, unit: str) -> tuple[float, float] | None:
    """Bounds of what is real, to begin with."""
    what = gas_of(name) if kind == "gas" else kind
    return RANGES.get((str(what), _SAME.get(unit, unit)))


def _keys(lids: Sequence[str]) -> dict[str, str]:
    """What tells the names of lids apart: ``lid_a1``, ``lid_a2`` → ``a1``, ``a2``."""
    if len(lids) < 2:
        ends = [re.split(r"[^A-Za-z0-9]+", name)[-1] for name in lids]
        return {n: "1" if "lid" in end else end for n, end in zip(lids, ends, strict=True)}
    head = _common(lids)
    tail = _common([name[::-1] for name in lids])[::-1]
    # A key begins and ends where a word does: not within a1, nor within 12.
    cut = max((i + 1 for i, c in enumerate(head) if not c.isalnum()), default=0)
    if cut == 0:
        cut = len(head.rstrip("0123456789"))
    end = min((i for i, c in enumerate(tail) if not c.isalnum()), default=len(tail))
    rest = len(tail) - end
    return {name: name[cut : len(name) - rest] or name for name in lids}


def _common(names: Sequence[str]) -> str:
    """The longest beginning that all share."""
    low, high = min(names), max(names)
    n = next((i for i, (a, b) in enumerate(zip(low, high, strict=False)) if a != b), len(low))
    return low[:n]


def _patterns(roles: Roles) -> dict[str, Kind]:
    """Columns that every chamber has one of, with ``{id}`` for what differs."""
    keys = list(roles.keys.values())
    if len(keys) < 2 or any(key != key.lower() for key in keys):
        return {}
    found: dict[str, Kind] = {}
    first = keys[0]
    for name, kind in roles.kinds.items():
        mark = re.compile(rf"(?<![a-z0-9]){re.escape(first)}(?![a-z0-9])")
        if first[0].isdigit():
            mark = re.compile(rf"(?<![0-9]){re.escape(first)}(?![0-9])")
        pattern = mark.sub("{id}", name, count=1)
        if pattern == name:
            continue
        names = [pattern.replace("{id}", key) for key in keys]
        if all(n in roles.kinds for n in names):
            same = all(a == b for a, b in pairwise(roles.units[n][0] for n in names))
            if same:
                found[pattern] = kind
    return found


def own_columns(roles: Roles, key: str, kind: Kind) -> str | None:
    """The column of a kind that bears a chamber's key, where no pattern holds it."""
    for name, k in roles.kinds.items():
        if k == kind and key in re.split(r"[^A-Za-z0-9]+", name):
            return name
    return None


def count_of(values: Mapping[str, Lid]) -> float:
    """Closures of a chamber a day, by the median over chambers."""
    return float(np.median([lid.per_day for lid in values.values()])) if values else 0.0
