"""What the columns of a station's files seem to be: by their names, their units, their values.

Everything here is a guess, shown as such in the drafted file; nothing that cannot be told
from the files is made up.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from stream.draft.names import CHAMBER, LID, TEMPERATURE, mark_of, tokens
from stream.draft.rotation import Rotation, rotation_of
from stream.draft.survey import Column, Survey
from stream.draft.words import CLOSED, MOVING_S, OPEN, settle, stays_of
from stream.station import ClosureRules
from stream.times import DAY

Kind = Literal[
    "gas", "water", "pressure", "air", "soil", "moisture", "rain", "status", "lid", "port",
    "number", "other",
]  # fmt: skip
"""``number``: which chamber is closed."""

GASES: Final = {"n2o": "N2O", "ch4": "CH4", "co2": "CO2", "nh3": "NH3"}
"""Nitric oxide is left to people: a column ``no`` mostly counts lines."""
_WATER: Final = {"h2o", "water", "humidity", "vapour", "vapor"}
_PRESSURE: Final = {"p", "press", "pressure", "baro", "barometer"}
_SOIL: Final = {"soil", "ts", "tsoil", "ground"}
_MOISTURE: Final = {"vwc", "moisture", "theta", "swc", "wetness"}
_RAIN: Final = {"rain", "rainfall", "precip", "precipitation"}
_STATUS: Final = {"status", "diag", "diagnostic", "diagnostics", "fault", "error", "alarm"}
_PORT: Final = {"port", "valve", "inlet", "line", "selector"}
_SHORTEST_S: Final = 60.0
"""Without a name that says so, what is shorter is no closure."""
_EDGE_S: Final = ClosureRules().edge_tolerance_s
_LONGEST_STEP_S: Final = 300.0
"""Lids that are recorded more seldom than this are recorded when they move."""
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
    ids : dict of str to str
        Key of a chamber, the part of names that tells it from the others → its id.
    lid_of : dict of str to str
        Key → column of its lid, where each lid has one.
    number : str or None
        Column of the number of the closed chamber, where the lids have no columns.
    number_of : dict of str to int
        Key → the chamber's number there.
    rotations : dict of str to Rotation
        Of columns of numbers that take turns.
    patterns : dict of str to Kind
        Name with ``{id}`` → kind, of columns that every chamber has.
    """

    kinds: dict[str, Kind] = field(default_factory=dict)
    units: dict[str, tuple[str, str]] = field(default_factory=dict)
    lids: dict[str, Lid] = field(default_factory=dict)
    ids: dict[str, str] = field(default_factory=dict)
    lid_of: dict[str, str] = field(default_factory=dict)
    number: str | None = None
    number_of: dict[str, int] = field(default_factory=dict)
    rotations: dict[str, Rotation] = field(default_factory=dict)
    patterns: dict[str, Kind] = field(default_factory=dict)

    @property
    def keys(self) -> list[str]:
        """Keys of the chambers, in the order of the files."""
        return list(self.ids)

    @property
    def by_port(self) -> bool:
        """Whether nothing but the port tells which lid is closed."""
        return self.number is not None and self.kinds[self.number] == "port"

    def all_of(self, kind: Kind) -> list[str]:
        """The columns of a kind."""
        return [name for name, k in self.kinds.items() if k == kind]

    def first(self, kind: Kind) -> str | None:
        """The first column of a kind."""
        return next((name for name, k in self.kinds.items() if k == kind), None)

    def of_pattern(self, kind: Kind) -> str | None:
        """The first pattern of a kind."""
        return next((name for name, k in self.patterns.items() if k == kind), None)


def roles_of(found: Survey) -> Roles:
    """Guess what each column of a survey is."""
    settle(found)
    roles = Roles()
    for name, column in found.columns.items():
        times, values = column.series()
        kind = _kind(name, column)
        rotation = None
        if kind in ("lid", "port", "other"):
            named = bool(tokens(name) & (LID | _PORT | CHAMBER))
            rotation = rotation_of(*column.series(empty=True), named=named)
        if rotation is not None:
            roles.rotations[name] = rotation
            kind = kind if kind == "port" else "number"
        lid = _lid(times, values, told=column.told) if kind in ("lid", "other") else None
        if lid is not None and kind == "other" and lid.closed_s < _SHORTEST_S:
            lid = None
        if lid is not None:
            kind = "lid"
            roles.lids[name] = lid
        elif kind == "lid" or (kind == "port" and not _is_port(values)):
            kind = "other"
        roles.kinds[name] = kind
        roles.units[name] = _unit(name, kind, column.unit, values)
    _tell_chambers(found, roles)
    return roles


def _tell_chambers(found: Survey, roles: Roles) -> None:
    """Chambers by their lids, or else by the numbers that take turns."""
    if roles.lids:
        for lid, key in _keys(list(roles.lids)).items():
            roles.lid_of[key] = lid
            roles.ids[key] = chamber_id(found.columns[lid].header, key)
        roles.patterns = _patterns(roles)
        return
    candidates = [
        *roles.all_of("number"),
        *(n for n in roles.all_of("port") if n in roles.rotations),
    ]
    if not candidates:
        return
    roles.number = candidates[0]
    numbers = roles.rotations[roles.number].numbers
    # 1 or 01, whichever more columns have in their names.
    ways = []
    for width in (1, 2):
        roles.ids = {f"{n:0{width}d}": f"{n:0{width}d}" for n in numbers}
        ways.append((roles.ids, _patterns(roles)))
    roles.ids, roles.patterns = max(ways, key=lambda way: len(way[1]))
    roles.number_of = dict(zip(roles.ids, numbers, strict=True))


def chamber_id(header: str, key: str) -> str:
    """A chamber's id as its lid's header has it: ``Lid Ch01`` → ``Ch01``, ``lid_a1`` → ``A1``."""
    at = header.lower().rfind(key)
    shown = header[at : at + len(key)] if at >= 0 else key
    return re.sub(r"[^A-Za-z0-9._-]", "-", shown.upper() if shown == shown.lower() else shown)


def gas_of(name: str) -> str | None:
    """The gas that a name tells."""
    words = tokens(name)
    return next((gas for word, gas in GASES.items() if word in words), None)


def _kind(name: str, column: Column) -> Kind:
    words = tokens(name)
    if words & _STATUS:
        return "status"
    if words & LID:
        return "lid"
    if words & _RAIN:
        return "rain"
    if gas_of(name) is not None:
        return "gas"
    if words & _WATER:
        return "water"
    if words & _MOISTURE or column.unit in ("m3/m3", "%vol"):
        return "moisture"
    if words & _PORT:
        return "port"
    if words & TEMPERATURE or column.unit in ("degC", "K"):
        return "soil" if words & _SOIL else "air"
    if words & _PRESSURE or column.unit in ("Pa", "hPa", "kPa"):
        return "pressure"
    return "other"


def _is_port(values: NDArray[np.float64]) -> bool:
    """Whether a column tells which of several ports is on: a few whole numbers, by turns."""
    seen = np.unique(values)
    return bool(3 <= len(seen) <= _MOST_PORTS and (seen == np.rint(seen)).all())


def _lid(times: NDArray[np.int64], values: NDArray[np.float64], *, told: bool) -> Lid | None:
    """How a column of few values that return day by day moves; None for any other."""
    if len(values) < 10 or not (values == np.rint(values)).all():
        return None
    states = np.unique(values)
    days = max((int(times[-1]) - int(times[0])) / DAY, 1 / 24)
    edges = np.flatnonzero(np.diff(values) != 0) + 1
    if not 2 <= len(states) <= 4 or len(edges) / days < _EDGES_A_DAY:
        return None
    seen, lasted = stays_of(times, values)
    total = {float(s): float(lasted[seen == s].sum()) for s in states}
    middle = {float(s): float(np.median(lasted[seen == s])) for s in states}
    stays = [s for s in total if middle[s] > MOVING_S] or list(total)
    resting = max(total, key=lambda s: total[s])
    others = [s for s in stays if s != resting] or [s for s in total if s != resting]
    shut = max(others, key=lambda s: total[s])
    if told and CLOSED in total:
        shut, resting = CLOSED, OPEN
    closings = int((seen == shut).sum())
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
    if kind in ("lid", "port", "number", "status"):
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
    ("rain", "mm"): (0.0, 100.0),
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
    keys = roles.keys
    if len(keys) < 2 or any(key != key.lower() for key in keys):
        return {}
    found: dict[str, Kind] = {}
    mark = mark_of(keys[0])
    for name, kind in roles.kinds.items():
        for match in mark.finditer(name):
            pattern = f"{name[: match.start()]}{{id}}{name[match.end() :]}"
            names = [pattern.replace("{id}", key) for key in keys]
            if not all(n in roles.kinds for n in names):
                continue
            if all(a == b for a, b in pairwise(roles.units[n][0] for n in names)):
                found[pattern] = kind
    return found


def own_columns(roles: Roles, key: str, kind: Kind) -> str | None:
    """The column of a kind that bears a chamber's key, where no pattern holds it."""
    for name, k in roles.kinds.items():
        if k == kind and key in re.split(r"[^A-Za-z0-9]+", name):
            return name
    return None


def count_of(roles: Roles) -> float:
    """Closures of a chamber a day, by the median over chambers."""
    if roles.number is not None:
        return roles.rotations[roles.number].per_day
    return float(np.median([lid.per_day for lid in roles.lids.values()])) if roles.lids else 0.0


def lid_step_s(found: Survey, roles: Roles) -> float | None:
    """How far apart records of the lids are [s], where that is more than closures allow."""
    names = [*roles.lids] or [name for name in (roles.number,) if name is not None]
    steps = [np.diff(found.columns[name].series(empty=True)[0]) for name in names]
    each = [float(np.median(step[step > 0])) / 1e6 for step in steps if (step > 0).any()]
    step = round(max(each, default=0.0), 1)
    return step if _EDGE_S < step <= _LONGEST_STEP_S else None


def is_running_total(values: NDArray[np.float64]) -> bool:
    """Whether a column of rain counts on and on, and is not the amount since the last record."""
    return bool(len(values) > 2 and (np.diff(values) >= 0).all() and values[-1] > values[0])
