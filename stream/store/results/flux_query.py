"""One query for fluxes, their closures and every model's fit of them."""

from collections.abc import Sequence
from typing import Any, Final

from sqlalchemy import Select, and_, select

from stream.store.results.readers import Only, Period, of_closure, of_flux, standing
from stream.store.schema import FIT_COLUMNS, closures, fluxes, model_fits

Name = tuple[str, str]
"""A column, and the model whose it is: ``""`` for one of the flux or its closure."""

_PLAIN: Final = {
    **{c.name: c for c in closures.columns},
    "closure_flags": closures.c.flags,
    "closure_quality": closures.c.quality,
    **{c.name: c for c in fluxes.columns},
}
"""Name → the column; what a flux and its closure both have is that of the flux."""


def column_name(name: str, model: str = "") -> str:
    """What a column is called in an Arrow table of fluxes."""
    return f"{name}_{model}" if model else name


def every_name(models: Sequence[str]) -> list[Name]:
    """All that there is of fluxes by some models."""
    plain = [(name, "") for name in _PLAIN if name not in {"current", "withdrawn"}]
    return [*plain, *((n, m) for m in models for n in FIT_COLUMNS if n not in {"gas", "model"})]


def flux_query(station: str, period: Period, only: Only, names: Sequence[Name]) -> Select[Any]:
    """Fluxes of a period, in order of chamber, time and gas; see :func:`column_name`."""
    c, f = closures, fluxes
    fits = {model: model_fits.alias(f"fit_{model}") for _, model in names if model}
    wanted = [
        (fits[model].c if model else _PLAIN)[name].label(column_name(name, model))
        for name, model in names
    ]
    query = select(*wanted).join_from(c, f, of_closure(f))
    for model, fit in fits.items():
        query = query.outerjoin(fit, and_(of_flux(fit, f), fit.c.model == model))
    chambers = Only(only.chambers).where(c)
    asked = Only((), only.gases, only.qualities).where(f)
    return query.where(standing(station, period), *chambers, *asked).order_by(
        c.c.chamber, c.c.closed_us, f.c.gas
    )
