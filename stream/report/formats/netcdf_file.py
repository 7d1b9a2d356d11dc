"""NetCDF after the CF conventions: one row a step of ``obs``, written a batch at a time."""

import re
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

import h5netcdf
import h5py
import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from stream import __version__
from stream.column import Column
from stream.files import part_of
from stream.report.table import Table
from stream.science.quality.flags import FLAGS

_NO_INTEGER: Final = -2_147_483_647
_QUALITY: Final = ((1, "good"), (2, "not_evaluated"), (3, "suspect"), (4, "bad"), (9, "missing"))
_BITS: Final = {name: i for i, name in enumerate(FLAGS)}
_NAME: Final = re.compile(r"[^A-Za-z0-9_]")


def write_netcdf(table: Table, path: Path) -> int:
    """Write a table; the file appears whole, or not at all.

    Words of ``flags`` stand in ``flag_bits`` too, with ``flag_masks`` and
    ``flag_meanings``; times are seconds since 1970 in UTC.

    Returns
    -------
    int
        Number of rows.

    Raises
    ------
    LidstreamError
        The path cannot be written.
    """
    columns = table.columns
    count = 0
    with part_of(path) as part, h5netcdf.File(part, "w") as file:
        file.attrs["Conventions"] = "CF-1.11"
        file.attrs["title"] = "Results of automatic soil chambers"
        file.attrs["source"] = f"lidstream {__version__}"
        file.attrs["history"] = f"{datetime.now(UTC):%Y-%m-%dT%H:%M:%SZ} lidstream export"
        file.dimensions["obs"] = None
        made = {d.name: _variable(file, d) for d in columns}
        bits = _flag_bits(file) if any(_has_words(d) for d in columns) else None
        for batch in table.batches:
            file.resize_dimension("obs", count + batch.num_rows)
            here = slice(count, count + batch.num_rows)
            for cells, d in zip(batch.columns, columns, strict=True):
                made[d.name][here] = _cells(cells, d)
                if bits is not None and _has_words(d):
                    bits[here] = _as_bits(cells)
            count += batch.num_rows
    return count


def _has_words(d: Column) -> bool:
    return d.name == "flags"


def _variable(file: Any, d: Column) -> Any:
    name = _NAME.sub("_", d.name)
    name = name if name[:1].isalpha() else f"c_{name}"

    def create(kind: Any, fill: Any = None) -> Any:
        return file.create_variable(
            name, ("obs",), kind, fillvalue=fill, chunks=(4096,),
            **({} if kind == h5py.string_dtype() else {"compression": "gzip"}),
        )  # fmt: skip

    if d.kind == "string":
        made = create(h5py.string_dtype())
    elif d.name == "quality":
        made = create(np.int8, np.int8(-1))
        made.attrs["flag_values"] = np.array([q for q, _ in _QUALITY], np.int8)
        made.attrs["flag_meanings"] = " ".join(word for _, word in _QUALITY)
        made.attrs["standard_name"] = "quality_flag"
    elif d.kind == "integer":
        made = create(np.int32, np.int32(_NO_INTEGER))
        made.attrs["units"] = "1"
    elif d.kind == "datetime":
        made = create(np.float64, np.float64(np.nan))
        made.attrs["units"] = "seconds since 1970-01-01 00:00:00"
        made.attrs["calendar"] = "standard"
        made.attrs["units_metadata"] = "leap_seconds: none"
        made.attrs["standard_name"] = "time"
    elif d.kind == "date":
        made = create(np.int32, np.int32(_NO_INTEGER))
        made.attrs["units"] = "days since 1970-01-01 00:00:00"
        made.attrs["calendar"] = "standard"
    else:
        made = create(np.float64, np.float64(np.nan))
        made.attrs["units"] = d.unit or "1"
    made.attrs["long_name"] = d.sentence.rstrip(".")
    return made


def _flag_bits(file: Any) -> Any:
    made = file.create_variable("flag_bits", ("obs",), np.int64, chunks=(4096,))
    made.attrs["long_name"] = "the words of flags, a bit each"
    made.attrs["flag_masks"] = np.array([1 << i for i in _BITS.values()], np.int64)
    made.attrs["flag_meanings"] = " ".join(_BITS)
    made.attrs["standard_name"] = "status_flag"
    return made


def _as_bits(cells: pa.Array) -> NDArray[Any]:
    words = pc.dictionary_encode(cells.fill_null(""))
    bits = [
        sum(1 << _BITS[word] for word in text.split() if word in _BITS)
        for text in words.dictionary.to_pylist()
    ]
    found: NDArray[Any] = np.array(bits, np.int64)[_plain(words.indices)]
    return found


def _cells(cells: pa.Array, d: Column) -> NDArray[Any]:
    if d.kind == "string":
        # HDF5 ends a text at the first NUL.
        return _plain(pc.replace_substring(cells.fill_null(""), "\0", "\ufffd"))
    if d.name == "quality":
        return _plain(cells.fill_null(-1)).astype(np.int8)
    if d.kind in {"integer", "date"}:
        return _plain(cells.cast(pa.int32()).fill_null(_NO_INTEGER))
    if d.kind == "datetime":
        return _plain(cells.cast(pa.int64())) / 1e6
    return _plain(cells)


def _plain(cells: pa.Array) -> NDArray[Any]:
    """As numpy has it: an unknown number is NaN."""
    found: NDArray[Any] = cells.to_numpy(zero_copy_only=False)
    return found
