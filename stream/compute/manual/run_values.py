"""What the injections of a run say of each vial, in terms of the standards between them."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from stream.compute.closures.calibrate import known_mole_fraction
from stream.compute.closures.points import (
    counts_areas,
    kind_of_response,
    precision_nmol,
    to_canonical,
)
from stream.manual.tables import Injection, ManualTable
from stream.science.flux.calibration import (
    NEEDS,
    between,
    in_opposite_order,
    with_and_without_doubt,
)
from stream.station import Analyzer, Standard, Station

Floats = NDArray[np.float64]

_LEAST_FREEDOM: Final = 4
"""Degrees of freedom among repeated standards from which their scatter is believed."""
_BEYOND: Final = 0.1
"""Share beyond the outermost standards up to which a response is trusted."""
_RELATIVE_WEIGHT: Final = 0.01
"""Weights of standards where nobody knows the noise: the same relative error for all."""


@dataclass(frozen=True, slots=True)
class VialValue:
    """One injection of a vial.

    Attributes
    ----------
    vial : str
    campaign : str or None
        The table of vials that the run says it is from.
    injected_us : int or None
        [µs]
    measured : float
        As in the run's table, in the canonical unit of the channel.
    value, value_se : float
        Mole fraction in the vial [nmol mol⁻¹]; the error NaN where the noise is not known.
    gain, gain_relative_se : float
        Slope of the response there, NaN without; its relative error.
    flags : frozenset of str
    """

    vial: str
    campaign: str | None
    injected_us: int | None
    measured: float
    value: float
    value_se: float
    gain: float
    gain_relative_se: float
    flags: frozenset[str]


def run_values(
    station: Station, analyzer: Analyzer, gas: str, table: ManualTable
) -> list[VialValue]:
    """Values of one gas of all vials of a run, in its order.

    Standards that stand next to one another are one visit; what each would have shown at
    the place of a vial lies on the line between its visits before and after.
    """
    channel = analyzer.gases[gas]
    scale, shift = to_canonical(station, channel)
    rows = sorted(
        (i for i in table.injections if channel in i.values), key=lambda i: (i.sequence, i.line)
    )
    vials = [i for i in rows if i.vial is not None]
    if not vials:
        return []
    measured = np.array([i.values[channel] for i in vials]) * scale + shift
    standards = [s for s in analyzer.standards if s.gas == gas]
    noise = _Noise(precision_nmol(station, analyzer, gas), _scatter(rows, channel, standards))
    kind = kind_of_response(analyzer, gas)
    at = np.array([i.sequence for i in vials], dtype=np.float64)
    shown: list[_Shown] = []
    for standard in standards:
        visits = _visits(rows, str(standard.name))
        if visits and kind is not None:
            when = np.array([np.mean([i.sequence for i in v]) for v in visits])
            values = np.array([np.mean([i.values[channel] for i in v]) for v in visits])
            values = values * scale + shift
            errors = noise.weight(values) / np.sqrt([len(v) for v in visits])
            shown.append(_Shown.of(standard, at, when, values, errors))
    areas = counts_areas(station, analyzer, gas)
    nothing = np.full(len(vials), np.nan)

    def as_measured(*flags: str) -> list[VialValue]:
        value = nothing if areas else measured
        each = [frozenset(flags)] * len(vials)
        return _values(vials, measured, value, noise.se(measured), nothing, 0.0 * at, each)

    missing = "no_calibration" if areas else "calibration_overdue"
    if kind is None:
        return as_measured(*([missing] if areas else []))
    if len({s.standard.value for s in shown}) < NEEDS[kind]:
        return as_measured(missing)
    known, known_se = np.array(
        [known_mole_fraction(station, analyzer, s.standard) for s in shown]
    ).T
    seen = np.column_stack([s.value for s in shown])
    error = np.column_stack([s.error for s in shown])
    found = with_and_without_doubt(kind, seen, error, known, known_se)
    if found is None:
        why = ["standards_exchanged"] if in_opposite_order(seen, known) else []
        return as_measured("no_calibration" if areas else "calibration_poor", *why)
    response, bare = found
    value = response.true(measured)
    slope = response.slope(measured)
    value_se = np.hypot(slope * noise.se(measured), bare.se(measured))
    drifted = max(s.wander for s in shown) > analyzer.max_standard_drift
    poor = (response.residual > analyzer.max_standard_residual) | drifted
    each = _calibration_flags(poor, _is_beyond(kind, value, known))
    gain_se = response.gain_se / np.abs(response.gain)
    return _values(vials, measured, value, value_se, slope, gain_se, each)


@dataclass(frozen=True, slots=True)
class _Shown:
    """What a standard would have shown at the place of each vial, and its relative drift."""

    standard: Standard
    value: Floats
    error: Floats
    wander: float

    @classmethod
    def of(
        cls,
        standard: Standard,
        at: Floats,
        when: Floats,
        values: Floats,
        errors: Floats,
    ) -> "_Shown":
        """From its visits: their places in the run, means and errors."""
        mean = float(np.mean(values))
        wander = float(np.ptp(values)) / mean if standard.value > 0 and mean > 0 else 0.0
        return cls(standard, *between(at, when, values, errors), wander)


def _is_beyond(kind: str, value: Floats, known: Floats) -> NDArray[np.bool_]:
    """Which values lie beyond what the standards bear out."""
    beyond = value > (1.0 + _BEYOND) * known.max()
    if kind in {"linear", "quadratic"}:
        beyond |= value < (1.0 - _BEYOND) * known.min()
    return np.asarray(beyond)


def _calibration_flags(poor: NDArray[np.bool_], beyond: NDArray[np.bool_]) -> list[frozenset[str]]:
    """Flags of each vial's calibration."""
    return [
        frozenset(
            word for word, is_so in (("calibration_poor", p), ("beyond_standards", b)) if is_so
        )
        for p, b in zip(poor, beyond, strict=True)
    ]


@dataclass(frozen=True, slots=True)
class _Noise:
    """Standard deviation of one injection: as stated, or as repeated standards scatter."""

    stated: float | None
    relative: float

    def se(self, values: Floats) -> Floats:
        """NaN where nobody knows."""
        if self.stated is not None:
            return np.full(len(values), self.stated)
        return self.relative * np.abs(values)

    def weight(self, values: Floats) -> Floats:
        """For weights among standards, of any size where nobody knows."""
        if self.stated is not None:
            return np.full(len(values), self.stated)
        share = _RELATIVE_WEIGHT if np.isnan(self.relative) else self.relative
        return np.asarray(share * np.maximum(np.abs(values), 0.01 * np.max(np.abs(values))))


def _scatter(rows: Sequence[Injection], channel: str, standards: Sequence[Standard]) -> float:
    """Relative scatter of repeated standards about their own drift, NaN if too few."""
    squares, dof = 0.0, 0
    for name in dict.fromkeys(s.name for s in standards):
        mine = [(i.sequence, i.values[channel]) for i in rows if i.standard == name]
        at, values = np.array(mine).reshape(-1, 2).T
        if len(mine) < 3 or not np.ptp(at) > 0 or not np.mean(values) > 0:
            continue
        line = np.polynomial.Polynomial.fit(at, values, 1)
        squares += float(np.sum(((values - line(at)) / np.mean(values)) ** 2))
        dof += len(mine) - 2
    return float(np.sqrt(squares / dof)) if dof >= _LEAST_FREEDOM else float("nan")


def _visits(rows: Sequence[Injection], standard: str) -> list[list[Injection]]:
    """Injections of one standard, those in a row together."""
    visits: list[list[Injection]] = []
    before: Injection | None = None
    for row in rows:
        if row.standard == standard:
            if before is not None and before.standard == standard:
                visits[-1].append(row)
            else:
                visits.append([row])
        before = row
    return visits


def _values(
    vials: Sequence[Injection],
    measured: Floats,
    value: Floats,
    value_se: Floats,
    gain: Floats,
    gain_se: Floats,
    flags: Sequence[frozenset[str]],
) -> list[VialValue]:
    return [
        VialValue(
            vial=str(row.vial),
            campaign=row.campaign,
            injected_us=row.injected_us,
            measured=float(measured[i]),
            value=float(value[i]),
            value_se=float(value_se[i]),
            gain=float(gain[i]),
            gain_relative_se=float(gain_se[i]),
            flags=flags[i],
        )
        for i, row in enumerate(vials)
    ]
