"""What a simulation yields: the records, the true fluxes, and what was done to them."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from stream.demo.scenario import Place

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class TrueFlux:
    """The flux at the moment a lid closed."""

    chamber: str
    gas: str
    closed_s: int
    opened_s: int
    flux_nmol_m2_s: float


@dataclass(frozen=True, slots=True)
class Injected:
    """A flag that must be found: on a closure, or on a gap, of a chamber.

    ``gas`` is empty where it holds for all gases. ``at_s`` is when the lid closed, or
    when it should have.
    """

    flag: str
    chamber: str
    gas: str
    at_s: int
    story: str


@dataclass
class Table:
    """Columns at common times; ``keep`` says which rows the logger wrote."""

    time_s: NDArray[np.int64]
    columns: dict[str, Floats]
    digits: dict[str, int]
    keep: NDArray[np.bool_] = field(default_factory=lambda: np.empty(0, bool))

    def __post_init__(self) -> None:
        if not len(self.keep):
            self.keep = np.ones(len(self.time_s), dtype=bool)

    def rows(self, first_s: float, stop_s: float) -> slice:
        """Rows from one moment up to another, the second excluded."""
        a, b = np.searchsorted(self.time_s, (first_s, stop_s))
        return slice(int(a), int(b))


@dataclass
class Simulation:
    """All of one station."""

    fast: Table
    slow: Table
    truth: list[TrueFlux] = field(default_factory=list)
    injected: list[Injected] = field(default_factory=list)

    def inject(self, flag: str, chamber: str, at_s: int, story: str, gas: str = "") -> None:
        """Note a flag that the injected fault must raise."""
        self.injected.append(Injected(flag, chamber, gas, int(at_s), story))


@dataclass
class PlannedClosure:
    """One planned closure."""

    place: Place
    closed_s: int
    opened_s: int
    happens: bool = True
