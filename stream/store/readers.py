"""Reading results back: newest revisions, in a fixed order, as plain rows."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Table, and_, func, select

from stream.store.connect import Store
from stream.store.schema import closures, fluxes, gaps, model_fits, positions, quarantine

Row = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Period:
    """A stretch of time [µs since 1970], the end excluded."""

    first_us: int = -(2**62)
    stop_us: int = 2**62

    @classmethod
    def between(cls, first: int | None, stop: int | None) -> "Period":
        """From one moment to another; None for no bound."""
        every = cls()
        return cls(
            every.first_us if first is None else first, every.stop_us if stop is None else stop
        )


class Reader:
    """Reads the results of one station."""

    def __init__(self, store: Store, station: str) -> None:
        self._store = store
        self._station = station

    def closures(self, period: Period | None = None) -> Iterator[Row]:
        """Closures in order of chamber and time, newest revision of each."""
        yield from self._newest(closures, "closed_us", period or Period())

    def gaps(self, period: Period | None = None) -> Iterator[Row]:
        """Closures that were due and did not happen, in order of chamber and time."""
        yield from self._newest(gaps, "due_us", period or Period())

    def fluxes(self, period: Period | None = None) -> Iterator[Row]:
        """Fluxes joined to their closures, in order of chamber, time and gas.

        Each row has the key ``models``: model → its row of ``model_fits``. Columns
        that both tables have carry those of the flux; those of the closure are under
        ``closure_flags`` and ``closure_quality``.
        """
        period = period or Period()
        c, f, m = closures, fluxes, model_fits
        same = and_(
            f.c.station == c.c.station,
            f.c.chamber == c.c.chamber,
            f.c.closed_us == c.c.closed_us,
            f.c.revision == c.c.revision,
        )
        theirs = [col for col in c.columns if col.name not in f.c]
        where = and_(
            c.c.station == self._station,
            c.c.current == 1,
            c.c.withdrawn == 0,
            c.c.closed_us >= period.first_us,
            c.c.closed_us < period.stop_us,
        )
        order = (c.c.chamber, c.c.closed_us)
        rows = select(
            *f.columns,
            *theirs,
            c.c.flags.label("closure_flags"),
            c.c.quality.label("closure_quality"),
        ).join_from(c, f, same)
        rows = rows.where(where).order_by(*order, f.c.gas)
        fits = select(m).join_from(
            c,
            m,
            and_(
                m.c.station == c.c.station,
                m.c.chamber == c.c.chamber,
                m.c.closed_us == c.c.closed_us,
                m.c.revision == c.c.revision,
            ),
        )
        fits = fits.where(where).order_by(*order, m.c.gas, m.c.model)
        with self._store.reading() as a, self._store.reading() as b:
            models = iter(b.execution_options(yield_per=2000).execute(fits).mappings())
            ahead = next(models, None)
            for row in a.execution_options(yield_per=2000).execute(rows).mappings():
                mine: dict[str, Any] = {}
                key = (row["chamber"], row["closed_us"], row["gas"])
                while (
                    ahead is not None
                    and (ahead["chamber"], ahead["closed_us"], ahead["gas"]) == key
                ):
                    mine[ahead["model"]] = ahead
                    ahead = next(models, None)
                yield {**row, "models": mine}

    def flux_cells(self, period: Period) -> Iterator[Row]:
        """The few columns that series of fluxes are made of, in order of chamber and time."""
        c, f = closures, fluxes
        rows = (
            select(
                f.c.chamber,
                f.c.gas,
                f.c.mid_us,
                f.c.flux_nmol_m2_s,
                f.c.flux_se_nmol_m2_s,
                f.c.fit_se_nmol_m2_s,
                f.c.quality,
                c.c.soil_temperature_c,
                c.c.soil_moisture_m3_m3,
                c.c.wfps,
            )
            .join_from(
                c,
                f,
                and_(
                    f.c.station == c.c.station,
                    f.c.chamber == c.c.chamber,
                    f.c.closed_us == c.c.closed_us,
                    f.c.revision == c.c.revision,
                ),
            )
            .where(
                c.c.station == self._station,
                c.c.current == 1,
                c.c.withdrawn == 0,
                c.c.closed_us >= period.first_us,
                c.c.closed_us < period.stop_us,
            )
            .order_by(f.c.chamber, f.c.gas, f.c.closed_us)
        )
        with self._store.reading() as connection:
            found = connection.execution_options(yield_per=5000).execute(rows)
            yield from (dict(row) for row in found.mappings())

    def flux_flags(self, period: Period) -> Iterator[Row]:
        """Middle and flags of every flux, in no order."""
        c, f = closures, fluxes
        same = and_(
            f.c.station == c.c.station,
            f.c.chamber == c.c.chamber,
            f.c.closed_us == c.c.closed_us,
            f.c.revision == c.c.revision,
        )
        rows = (
            select(f.c.mid_us, f.c.flags)
            .join_from(c, f, same)
            .where(
                c.c.station == self._station,
                c.c.current == 1,
                c.c.withdrawn == 0,
                c.c.closed_us >= period.first_us,
                c.c.closed_us < period.stop_us,
            )
        )
        with self._store.reading() as connection:
            found = connection.execution_options(yield_per=5000).execute(rows)
            yield from (dict(row) for row in found.mappings())

    def quarantine(self) -> Iterator[Row]:
        """Lines that could not be taken, in order of source and line."""
        q = quarantine
        with self._store.reading() as connection:
            query = select(q).where(q.c.station == self._station)
            for row in connection.execute(query.order_by(q.c.source, q.c.line)).mappings():
                yield dict(row)

    def quarantined(self) -> int:
        """How many lines are in quarantine."""
        with self._store.reading() as connection:
            query = select(func.count()).where(quarantine.c.station == self._station)
            return int(connection.execute(query).scalar_one())

    def positions(self) -> list[Row]:
        """How far each watched file has been taken."""
        with self._store.reading() as connection:
            query = select(positions).where(positions.c.station == self._station)
            rows = connection.execute(query).mappings().all()
        return [{k: v for k, v in row.items() if k != "station"} for row in rows]

    def _newest(self, table: Table, when: str, period: Period) -> Iterator[Row]:
        query = (
            select(table)
            .where(
                table.c.station == self._station,
                table.c.current == 1,
                table.c.withdrawn == 0,
                table.c[when] >= period.first_us,
                table.c[when] < period.stop_us,
            )
            .order_by(table.c.chamber, table.c[when])
        )
        with self._store.reading() as connection:
            for row in connection.execution_options(yield_per=2000).execute(query).mappings():
                yield dict(row)
