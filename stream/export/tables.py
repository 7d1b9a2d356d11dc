"""Rows for export: which columns, in which order, in which unit. Others rely on the names."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from stream.errors import CommandError
from stream.export.columns import Described, describe, plain_unit
from stream.records import DAY, rfc3339
from stream.science.units import FluxUnit, flux_unit
from stream.station import Station
from stream.store.journal import Journal
from stream.store.readers import Period, Reader

CANONICAL_UNIT: Final = "nmol_m2_s"


@dataclass(frozen=True, slots=True)
class Table:
    """Column names, and rows of cells: text, numbers, or None for unknown; units of the
    columns whose names do not tell them.
    """

    columns: tuple[str, ...]
    rows: Iterator[tuple[Any, ...]]
    units: Mapping[str, str] = field(default_factory=dict)

    def described(self) -> list[Described]:
        """What each column is."""
        return [
            Described(name, "number", self.units[name], f"Channel {name}.")
            if name in self.units
            else describe(name)
            for name in self.columns
        ]


@dataclass(frozen=True, slots=True)
class Selection:
    """What is asked for."""

    period: Period
    gases: tuple[str, ...] = ()
    chambers: tuple[str, ...] = ()
    unit: str | None = None


def fluxes(station: Station, reader: Reader, selection: Selection) -> Table:
    """One row a closure and gas.

    The columns up to the last candidate's standard error are fixed; further ones
    follow them.

    Raises
    ------
    CommandError
        The unit is not one, or does not apply to a selected gas.
    """
    gases = selected_gases(station, selection)
    unit, factors = _factors(gases, selection.unit)
    ending = unit.column if unit else CANONICAL_UNIT
    candidates = station.models.candidates
    columns = (
        *("station", "chamber", "plot", "block", "treatment", "position", "gas"),
        *("closed_at", "opened_at", "mid_at"),
        *(f"flux_{ending}", f"flux_se_{ending}", f"detection_limit_{ending}"),
        *("model", "model_reason", "points", "window_start_s", "window_end_s"),
        *("start_mole_fraction", "r_squared", "air_temperature_c", "pressure_pa"),
        *("volume_m3", "area_m2", "soil_temperature_c", "soil_moisture_m3_m3", "wfps"),
        *("quality", "flags", "revision", "station_digest", "software_version"),
        *(f"{kind}_{ending}_{m}" for m in candidates for kind in ("flux", "flux_se")),
        *("initial_slope_nmol_mol_s", "water_mol_mol", "height_m", "residual_sd_nmol_mol"),
        *("noise_ratio", "calibration_gain", *(f"status_{m}" for m in candidates)),
        "chamber_bias_factor",
    )

    def rows() -> Iterator[tuple[Any, ...]]:
        for r in reader.fluxes(selection.period):
            if r["gas"] not in factors or not _wants(selection.chambers, r["chamber"]):
                continue
            k = factors[r["gas"]]
            fits = [r["models"].get(m) for m in candidates]
            pairs = [
                _times(fit[column], k) if fit else None
                for fit in fits
                for column in ("flux_nmol_m2_s", "flux_se_nmol_m2_s")
            ]
            yield (
                *(r[c] for c in columns[:7]),
                *(rfc3339(r[c]) for c in ("closed_us", "opened_us", "mid_us")),
                _times(r["flux_nmol_m2_s"], k),
                _times(r["flux_se_nmol_m2_s"], k),
                _times(r["detection_limit_nmol_m2_s"], k),
                *(r[c] for c in columns[13:32]),
                *pairs,
                r["slope_nmol_mol_s"],
                r["water_mol_mol"],
                r["height_m"],
                r["residual_sd_nmol_mol"],
                r["noise_ratio"],
                r["calibration_gain"],
                *(fit["status"] if fit else None for fit in fits),
                r["chamber_bias_factor"],
            )

    return Table(columns, rows())


def closures(station: Station, reader: Reader, selection: Selection) -> Table:
    """One row a closure, and one for each that was due and did not happen."""
    taken = (
        *("opened_us", "analyzer", "plot", "block", "treatment", "position", "height_m"),
        *("volume_m3", "area_m2", "air_temperature_c", "pressure_pa", "soil_temperature_c"),
        *("soil_moisture_m3_m3", "wfps", "water_mol_mol", "close_gap_s", "open_gap_s"),
        *("moving_s", "bounces", "quality", "flags", "revision", "station_digest"),
        *("software_version",),
    )
    columns = ("station", "chamber", "kind", "closed_at", "opened_at", *taken[1:])
    places = {c.id: c for c in station.chambers}

    def found() -> Iterator[tuple[str, int, tuple[Any, ...]]]:
        for r in reader.closures(selection.period):
            closed = rfc3339(r["closed_us"])
            opened = rfc3339(r["opened_us"])
            cells = [r[c] for c in taken[1:]]
            yield (
                r["chamber"],
                r["closed_us"],
                (
                    station.id,
                    r["chamber"],
                    "closure",
                    closed,
                    opened,
                    *cells,
                ),
            )
        for r in reader.gaps(selection.period):
            place = places.get(r["chamber"])
            known = {
                "quality": r["quality"],
                "flags": r["flags"],
                "revision": r["revision"],
                "station_digest": r["station_digest"],
                "software_version": r["software_version"],
            }
            if place:
                known |= {c: getattr(place, c) for c in ("analyzer", "plot", "block")}
                known |= {"treatment": place.treatment, "position": place.position}
            due = rfc3339(r["due_us"])
            cells = [known.get(c) for c in taken[1:]]
            yield r["chamber"], r["due_us"], (station.id, r["chamber"], "gap", due, None, *cells)

    def rows() -> Iterator[tuple[Any, ...]]:
        # Two ordered streams of one station: few enough rows to be sorted in memory.
        for chamber, _, row in sorted(found(), key=lambda item: item[:2]):
            if _wants(selection.chambers, chamber):
                yield row

    return Table(columns, rows())


def refused(station: Station, reader: Reader) -> Table:
    """One row a line that could not be taken, wholly or in part."""
    columns = ("source", "line", "reason", "text")
    rows = ((station.id, *(r[c] for c in columns)) for r in reader.quarantine())
    return Table(("station", *columns), rows)


def records(station: Station, journal: Journal, selection: Selection) -> Table:
    """One row a time, one column a channel, as recorded; a day is read at a time."""
    channels = tuple(station.channels)
    extent = journal.extent()

    def rows() -> Iterator[tuple[Any, ...]]:
        if not extent:
            return
        first = max(selection.period.first_us, min(e[0] for e in extent.values()))
        last = min(selection.period.stop_us - 1, max(e[1] for e in extent.values()))
        at = first
        while at <= last:
            end = min(last, at - at % DAY + DAY - 1)
            yield from _wide(station.id, channels, journal, at, end)
            at = end + 1

    units = {name: plain_unit(station.channels[name].unit) for name in channels}
    return Table(("station", "time", *channels), rows(), units)


def _wide(
    station: str, channels: Sequence[str], journal: Journal, first_us: int, last_us: int
) -> Iterator[tuple[Any, ...]]:
    found = journal.read(channels, first_us, last_us)
    cells: dict[int, list[float | None]] = {}
    for j, channel in enumerate(channels):
        series = found[channel].filled()
        for time, value in zip(series.times.tolist(), series.values.tolist(), strict=True):
            cells.setdefault(time, [None] * len(channels))[j] = value
    for time in sorted(cells):
        yield (station, rfc3339(time), *cells[time])


def selected_gases(station: Station, selection: Selection) -> tuple[str, ...]:
    """The gases that are asked for, or all.

    Raises
    ------
    CommandError
        A gas or chamber is unknown.
    """
    known = tuple(dict.fromkeys(g for a in station.analyzers for g in a.gases))
    for gas in selection.gases:
        if gas not in known:
            raise CommandError(f"--gas {gas}: the station measures {', '.join(known)}")
    for chamber in selection.chambers:
        ids = [c.id for c in station.chambers]
        if chamber not in ids:
            raise CommandError(f"--chamber {chamber}: the station has {', '.join(ids)}")
    return selection.gases or known


def _factors(
    gases: Sequence[str], text: str | None
) -> tuple[FluxUnit | None, dict[str, float | None]]:
    """Factor of each gas, None where the number is to stay as it is stored."""
    if text is None:
        return None, dict.fromkeys(gases)
    try:
        unit = flux_unit(text)
    except ValueError as error:
        raise CommandError(f"--unit: {error}") from None
    factors: dict[str, float | None] = {}
    unfit = []
    for gas in gases:
        try:
            factors[gas] = unit.per_nmol(gas)
        except ValueError:
            unfit.append(gas)
    if unfit:
        fit = " ".join(f"--gas {gas}" for gas in factors)
        advice = f"add {fit}" if fit else "choose another unit"
        raise CommandError(f"--unit: {text!r} does not apply to {', '.join(unfit)}; {advice}")
    return unit, factors


def _times(value: float | None, factor: float | None) -> float | None:
    return value if value is None or factor is None else value * factor


def _wants(chosen: Sequence[str], name: str) -> bool:
    return not chosen or name in chosen
