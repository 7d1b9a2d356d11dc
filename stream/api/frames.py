"""A table in the form that is asked for: pandas, Arrow or xarray."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

from stream import __version__, columns
from stream.column import Column
from stream.errors import MissingLibrary, QueryError
from stream.report.table import Table

if TYPE_CHECKING:
    import pandas as pd

FORMS: Final = ("pandas", "arrow", "xarray")
_COORDINATES: Final = {"station", "chamber", "gas", *columns.PLACE}


def formed(table: Table, as_: str, about: dict[str, Any]) -> Any:
    """A table, its rows read to the end.

    Parameters
    ----------
    table : Table
    as_ : str
        ``pandas``, ``arrow`` or ``xarray``.
    about : dict
        What else its attributes say.

    Raises
    ------
    QueryError
        The form is unknown.
    """
    if as_ not in FORMS:
        raise QueryError(f"as_={as_!r}: unknown; use one of {', '.join(FORMS)}")
    found = table.whole()
    if as_ == "arrow":
        return found
    frame = found.to_pandas(date_as_object=False, ignore_metadata=True)
    frame.attrs = attributes(table.columns, about)
    return frame if as_ == "pandas" else dataset(frame)


def attributes(columns: Sequence[Column], about: dict[str, Any]) -> dict[str, Any]:
    """What a frame says of itself: the unit and the meaning of each column, and where it is
    from.
    """
    return {
        **about,
        "software_version": __version__,
        "units": {c.name: c.unit for c in columns if c.unit},
        "labels": {c.name: c.label for c in columns},
        "meanings": {c.name: c.sentence for c in columns},
    }


def dataset(frame: "pd.DataFrame") -> Any:
    """A frame as an xarray.Dataset: one row a step of ``obs``; times in UTC without a zone.
    Times, and where and what it was, are coordinates.

    Raises
    ------
    MissingLibrary
        xarray is not installed.
    """
    try:
        import xarray as xr
    except ImportError:
        raise MissingLibrary("xarray is not installed; run: python -m pip install xarray") from None
    about = dict(frame.attrs)
    units, labels, meanings = (about.pop(k) for k in ("units", "labels", "meanings"))
    made = {}
    for name in frame.columns:
        column = frame[name]
        if getattr(column.dtype, "tz", None) is not None:
            column = column.dt.tz_convert("UTC").dt.tz_localize(None)
        elif column.dtype.kind not in "iufMb":
            column = column.astype(object)
        attrs = {"long_name": meanings[name].rstrip("."), "label": labels[name]}
        if name in units:
            attrs["units"] = units[name]
        made[name] = ("obs", column.to_numpy(), attrs)
    known = [n for n in frame.columns if n in _COORDINATES or made[n][1].dtype.kind == "M"]
    return xr.Dataset(made, attrs=about).set_coords(known)
