"""Reading results back: newest revisions, in a fixed order, as plain rows."""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import chain
from typing import Any, Final

from sqlalchemy import ColumnElement, FromClause, Select, Table, and_, func, select

from stream.store.connect import Store
from stream.store.schema import (
    PROVISIONAL,
    closures,
    date_orders,
    fluxes,
    gaps,
    model_fits,
    positions,
    quarantine,
    standard_visits,
    visits,
)  # fmt: skip

Row = dict[str, Any]

_MANY: Final = 2000
"""Rows that are read together."""


@dataclass(frozen=True, slots=True)
class Period:
    """A stretch of time [µs since 1970], the end excluded."""

    first_us: int = -(2**62)
    stop_us: int = 2**62

    @classmethod
    def between(cls, first: int | None, stop: int | None) -> "Period":
        """From one moment to another; None for no bound."""
        given = {"first_us": first, "stop_us": stop}
        return cls(**{name: at for name, at in given.items() if at is not None})


@dataclass(frozen=True, slots=True)
class Only:
    """Chambers, gases and qualities that are asked for; empty for all."""

    chambers: tuple[str, ...] = ()
    gases: tuple[str, ...] = ()
    qualities: tuple[int, ...] = ()

    def choices(self) -> tuple[tuple[str, tuple[Any, ...]], ...]:
        """Column → the values that are asked for, () for all."""
        return ("chamber", self.chambers), ("gas", self.gases), ("quality", self.qualities)

    def where(self, table: Table) -> Iterator[ColumnElement[bool]]:
        """Conditions on a table's columns; one that it has not asks for nothing."""
        for name, wanted in self.choices():
            if wanted and name in table.c:
                yield table.c[name].in_(wanted)


class Reader:
    """Reads the results of one station."""

    def __init__(self, store: Store, station: str) -> None:
        self._store = store
        self._station = station

    def closures(self, period: Period | None = None, only: Only | None = None) -> Iterator[Row]:
        """Closures in order of chamber and time, newest revision of each."""
        yield from self._newest(closures, "closed_us", period or Period(), only or Only())

    def gaps(self, period: Period | None = None, only: Only | None = None) -> Iterator[Row]:
        """Closures that were due and did not happen, in order of chamber and time."""
        yield from self._newest(gaps, "due_us", period or Period(), only or Only())

    def fluxes(self, period: Period | None = None, only: Only | None = None) -> Iterator[Row]:
        """Fluxes joined to their closures, in order of chamber, time and gas.

        Each row has the key ``models``: model → its row of ``model_fits``. Columns
        that both tables have carry those of the flux; those of the closure are under
        ``closure_flags`` and ``closure_quality``.
        """
        return chain.from_iterable(self._fluxes(period or Period(), only or Only()))

    def _fluxes(self, period: Period, only: Only) -> Iterator[list[Row]]:
        """The rows of :meth:`fluxes`, many at a time."""
        c, f, m = closures, fluxes, model_fits
        theirs = [col for col in c.columns if col.name not in f.c]
        chambers = Only(only.chambers).where(c)
        stands = and_(standing(self._station, period), *chambers)
        asked = Only((), only.gases, only.qualities)
        order = (c.c.chamber, c.c.closed_us)
        rows = select(
            *f.columns,
            *theirs,
            c.c.flags.label("closure_flags"),
            c.c.quality.label("closure_quality"),
        ).join_from(c, f, of_closure(f))
        rows = rows.where(stands, *asked.where(f)).order_by(*order, f.c.gas)
        fits = select(m).join_from(c, m, of_closure(m))
        if only.qualities:
            fits = fits.join(f, of_flux(m, f)).where(*asked.where(f))
        fits = fits.where(stands, *asked.where(m)).order_by(*order, m.c.gas, m.c.model)
        # Both queries see the same commit: they are of one transaction.
        with self._store.reading() as connection:
            streamed = connection.execution_options(yield_per=_MANY)
            models = iter(streamed.execute(fits).mappings())
            ahead = next(models, None)
            together: list[Row] = []
            for row in streamed.execute(rows).mappings():
                mine: dict[str, Any] = {}
                key = (row["chamber"], row["closed_us"], row["gas"])
                while (
                    ahead is not None
                    and (ahead["chamber"], ahead["closed_us"], ahead["gas"]) == key
                ):
                    mine[ahead["model"]] = ahead
                    ahead = next(models, None)
                together.append({**row, "models": mine})
                if len(together) == _MANY:
                    yield together
                    together = []
            yield together

    def flux_flags(self, period: Period) -> Iterator[Row]:
        """Of each flux what it was, its quality and its flags, in order of chamber and time."""
        c, f = closures.c, fluxes.c
        wanted = (f.chamber, f.closed_us, c.opened_us, f.gas, f.flux_nmol_m2_s, f.quality, f.flags)
        rows = (
            select(*wanted, f.revision)
            .join_from(closures, fluxes, of_closure(fluxes))
            .where(standing(self._station, period))
            .order_by(f.chamber, f.closed_us, f.gas)
        )
        yield from self._plain(rows)

    def starts(self, period: Period) -> Iterator[Row]:
        """Of each flux how its closure began, and the air around it, in order of chamber, time
        and gas.
        """
        c, f = closures.c, fluxes.c
        wanted = (
            *(f.chamber, f.gas, f.closed_us, f.start_mole_fraction, f.flux_nmol_m2_s),
            *(f.detection_limit_nmol_m2_s, f.quality, f.flags),
            *(c.opened_us, c.analyzer, c.air_temperature_c, c.pressure_pa, c.water_mol_mol),
        )
        rows = (
            select(*wanted)
            .join_from(closures, fluxes, of_closure(fluxes))
            .where(standing(self._station, period))
            .order_by(f.chamber, f.closed_us, f.gas)
        )
        yield from self._plain(rows)

    def _plain(self, query: Select[Any]) -> Iterator[Row]:
        """Rows as plain mappings, some thousands at a time."""
        with self._store.reading() as connection:
            found = connection.execution_options(yield_per=5000).execute(query)
            names = list(found.keys())
            yield from (dict(zip(names, row, strict=True)) for row in found)

    def closure(self, chamber: str, closed_us: int) -> list[Row]:
        """Every revision of one closure, the newest first."""
        c = closures.c
        query = (
            select(closures)
            .where(c.station == self._station, c.chamber == chamber, c.closed_us == closed_us)
            .order_by(c.revision.desc())
        )
        with self._store.reading() as connection:
            return [dict(r) for r in connection.execute(query).mappings()]

    def visits_of(self, chamber: str, closed_us: int, revision: int) -> list[Row]:
        """The visits of one revision of a closure, by gas and number."""
        v = visits.c
        query = (
            select(visits)
            .where(
                v.station == self._station,
                v.chamber == chamber,
                v.closed_us == closed_us,
                v.revision == revision,
            )
            .order_by(v.gas, v.visit)
        )
        return list(self._plain(query))

    def visits(self, period: Period, only: Only | None = None) -> Iterator[Row]:
        """Visits of the closures of a period, in order of chamber, time, gas and number."""
        v, only = visits, only or Only()
        rows = (
            select(v)
            .join_from(closures, v, of_closure(v))
            .where(standing(self._station, period), *Only(only.chambers, only.gases).where(v))
            .order_by(v.c.chamber, v.c.closed_us, v.c.gas, v.c.visit)
        )
        yield from self._plain(rows)

    def fits_of(self, chamber: str, closed_us: int, revision: int) -> list[Row]:
        """Every model's fit of one revision of a closure, by gas and model."""
        m = model_fits.c
        query = (
            select(model_fits)
            .where(
                m.station == self._station,
                m.chamber == chamber,
                m.closed_us == closed_us,
                m.revision == revision,
            )
            .order_by(m.gas, m.model)
        )
        return list(self._plain(query))

    def around(self, chamber: str, at_us: int, most: int = 3) -> list[Row]:
        """The closures of a chamber that began last by a moment [µs], and those after it: (closed,
        opened), as many of each at most, in order of time.
        """
        c = closures.c
        mine = (c.station == self._station, c.chamber == chamber, c.current == 1, c.withdrawn == 0)
        query = select(c.closed_us, c.opened_us).where(*mine)
        before = query.where(c.closed_us <= at_us).order_by(c.closed_us.desc()).limit(most)
        after = query.where(c.closed_us > at_us).order_by(c.closed_us).limit(most)
        return [*reversed(list(self._plain(before))), *self._plain(after)]

    def neighbours(self, chamber: str, closed_us: int) -> tuple[int | None, int | None]:
        """When the closure before and the one after closed [µs]."""
        c = closures.c
        mine = (
            c.station == self._station,
            c.chamber == chamber,
            c.current == 1,
            c.withdrawn == 0,
        )
        before = select(func.max(c.closed_us)).where(*mine, c.closed_us < closed_us)
        after = select(func.min(c.closed_us)).where(*mine, c.closed_us > closed_us)
        with self._store.reading() as connection:
            return connection.execute(before).scalar(), connection.execute(after).scalar()

    def standard_visits(self, period: Period) -> Iterator[Row]:
        """Visits to standards by the middle of each, in order of analyzer, gas and time."""
        v = standard_visits.c
        query = (
            select(standard_visits)
            .where(
                v.station == self._station,
                v.current == 1,
                v.withdrawn == 0,
                v.mid_us >= period.first_us,
                v.mid_us < period.stop_us,
            )
            .order_by(v.analyzer, v.gas, v.started_us)
        )
        yield from self._plain(query)

    def quarantine(self) -> Iterator[Row]:
        """Lines that could not be taken, in order of source and line."""
        q = quarantine
        with self._store.reading() as connection:
            query = select(q).where(q.c.station == self._station)
            for row in connection.execute(query.order_by(q.c.source, q.c.line)).mappings():
                yield dict(row)

    def quarantine_newest(self, most: int) -> list[Row]:
        """Some lines of the quarantine, those further on in their source first."""
        q = quarantine.c
        query = select(quarantine).where(q.station == self._station)
        with self._store.reading() as connection:
            rows = connection.execute(query.order_by(q.source, q.line.desc()).limit(most))
            return [dict(r) for r in rows.mappings()]

    def quarantined(self) -> int:
        """How many lines are in quarantine."""
        with self._store.reading() as connection:
            query = select(func.count()).where(quarantine.c.station == self._station)
            return int(connection.execute(query).scalar_one())

    def revisions(self) -> int:
        """How many rows of closures there are, old ones included: grows with every change."""
        query = select(func.count()).where(closures.c.station == self._station)
        with self._store.reading() as connection:
            return int(connection.execute(query).scalar_one())

    def worked_out_otherwise(self, digest: str) -> int:
        """How many closures stand as another station file, or an earlier one, made them."""
        c = closures.c
        query = select(func.count()).where(
            c.station == self._station, c.current == 1, c.withdrawn == 0, c.revision > 0,
            c.station_digest != digest,
        )  # fmt: skip
        with self._store.reading() as connection:
            return int(connection.execute(query).scalar_one())

    def pending(self) -> int:
        """How many closures are not over yet."""
        c = closures.c
        query = select(func.count()).where(c.station == self._station, c.current == 1, PROVISIONAL)
        with self._store.reading() as connection:
            return int(connection.execute(query).scalar_one())

    def positions(self) -> list[Row]:
        """How far each watched file has been taken."""
        with self._store.reading() as connection:
            query = select(positions).where(positions.c.station == self._station)
            rows = connection.execute(query).mappings().all()
        return [{k: v for k, v in row.items() if k != "station"} for row in rows]

    def date_orders(self) -> dict[tuple[str, str], str]:
        """Source and shape of its dates → order of day and month, as settled."""
        c = date_orders.c
        query = select(c.source, c.shape, c.date_order).where(c.station == self._station)
        with self._store.reading() as connection:
            return {(r.source, r.shape): r.date_order for r in connection.execute(query)}

    def _newest(self, table: Table, when: str, period: Period, only: Only) -> Iterator[Row]:
        query = (
            select(table)
            .where(
                table.c.station == self._station,
                table.c.current == 1,
                table.c.withdrawn == 0,
                table.c[when] >= period.first_us,
                table.c[when] < period.stop_us,
                *only.where(table),
            )
            .order_by(table.c.chamber, table.c[when])
        )
        yield from self._plain(query)


def of_closure(table: Table) -> ColumnElement[bool]:
    """Rows of a table that belong to a revision of a closure."""
    return and_(*(table.c[key.name] == key for key in closures.primary_key))


def of_flux(table: FromClause, flux: Table) -> ColumnElement[bool]:
    """Rows of a table that belong to a flux."""
    return and_(*(table.c[key.name] == key for key in flux.primary_key))


def standing(station: str, period: Period) -> ColumnElement[bool]:
    """Closures of a period, newest revision, that were not withdrawn."""
    c = closures.c
    return and_(
        c.station == station,
        c.current == 1,
        c.withdrawn == 0,
        c.closed_us >= period.first_us,
        c.closed_us < period.stop_us,
    )
