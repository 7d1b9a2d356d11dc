"""SenML packs (RFC 8428): JSON arrays of records, with base fields resolved."""

import json
from collections.abc import Iterator, Mapping
from typing import Any, Final

import msgspec
import numpy as np

from stream.errors import RecordError, SourceError
from stream.ingest.batches import (
    MAX_REJECT_TEXT,
    Batch,
    Reject,
    from_cells,
    refused_batch,
    together,
)
from stream.ingest.files.contents import Content
from stream.station import Station, senml_rule
from stream.times import SECOND

VERSION: Final = 10
"""SenML version that is understood; a pack of a higher one is refused."""
RELATIVE_BELOW: Final = 2.0**28
"""Times below this are seconds relative to now (RFC 8428, section 4.5.3)."""

_KNOWN: Final = frozenset(
    ["bn", "bt", "bu", "bv", "bs", "bver", "n", "u", "v", "vs", "vb", "vd", "s", "t", "ut"]
)
_NUMBERS: Final = ("bt", "bv", "bs", "t", "v", "s", "ut")
_TEXTS: Final = ("bn", "bu", "n", "u")


def decode_pack(
    source: str,
    payload: bytes,
    units: Mapping[str, str],
    *,
    line: int = 1,
    now_us: int | None = None,
) -> Batch:
    """Decode one pack into a batch.

    Parameters
    ----------
    source : str
        Name of the topic or file, for quarantine.
    payload : bytes
        JSON text.
    units : mapping of str to str
        The station's channels → their units; a record in another unit of the same
        quantity is converted, once, here.
    line : int
        Line of the file, or number of the message.
    now_us : int, optional
        Time of arrival [µs since 1970], for relative times.

    Returns
    -------
    Batch
        One column for each channel that the pack names. Records of channels that the
        station does not define are left alone; a record that cannot be understood is
        refused with its reason, its neighbours live on.

    Raises
    ------
    RecordError
        The pack as a whole cannot be understood; it goes to quarantine.
    """
    try:
        pack = msgspec.json.decode(payload)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        raise RecordError(f"not JSON: {error}") from None
    if not isinstance(pack, list):
        raise RecordError("not a SenML pack: the outermost value is not an array")
    base: dict[str, Any] = {"bn": "", "bt": 0.0, "bu": None, "bv": 0.0}
    cells: dict[str, tuple[list[int], list[float]]] = {}
    rejects: list[Reject] = []
    for index, entry in enumerate(pack):
        _take_base(index, entry, base)
        try:
            found = _resolve(entry, base, units, now_us)
        except RecordError as error:
            text = msgspec.json.encode(entry).decode()[:MAX_REJECT_TEXT]
            rejects.append(Reject(source, line, f"record {index + 1}: {error}", text))
            continue
        if found is not None:
            times, values = cells.setdefault(found[1], ([], []))
            times.append(found[0])
            values.append(found[2])
    arrays = {
        channel: (np.array(times, dtype=np.int64), np.array(values))
        for channel, (times, values) in cells.items()
    }
    return from_cells(source, arrays, line, rejects)


class _Plain(msgspec.Struct, forbid_unknown_fields=True):
    """A record as nearly all are; any other goes the careful way."""

    n: str | None = None
    v: float | None = None
    t: float | None = None
    u: str | None = None
    bn: str | None = None
    bt: float | None = None
    bu: str | None = None


_plain_pack: Final = msgspec.json.Decoder(list[_Plain])
Cells = dict[str, tuple[list[float], list[float]]]
"""Channel → times [s since 1970] and values, as they came."""


def add_plain_pack(payload: bytes, units: Mapping[str, str], cells: Cells) -> bool:
    """Add a plain pack's records to ``cells``, many times as fast as :func:`decode_pack`.

    Returns
    -------
    bool
        False, and nothing added, where the pack is not plain: it may still be good.
    """
    try:
        pack = _plain_pack.decode(payload)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        return False
    base, start, unit = "", 0.0, None
    found: list[tuple[str, float, float]] = []
    for r in pack:
        if r.bn is not None:
            base = r.bn
        if r.bt is not None:
            start = r.bt
        if r.bu is not None:
            unit = r.bu
        value = r.v
        if value is None:
            if r.n is None and r.t is None and r.u is None:
                continue  # base fields alone
            return False
        name = base + r.n if r.n is not None else base
        known = units.get(name)
        if known is None:
            if not name or not name[0].isalnum():
                return False
            continue
        mine = r.u if r.u is not None else unit
        seconds = start + r.t if r.t is not None else start
        if (mine is not None and mine != known) or not RELATIVE_BELOW <= seconds < 1e11:
            return False
        found.append((name, seconds, value))
    for name, seconds, value in found:
        held = cells.get(name)
        if held is None:
            cells[name] = ([seconds], [value])
        else:
            held[0].append(seconds)
            held[1].append(value)
    return True


def _take_base(index: int, entry: object, base: dict[str, Any]) -> None:
    """Check a record's labels and take its base fields, which hold for all later records."""
    if not isinstance(entry, dict):
        raise RecordError(f"record {index + 1} is not an object")
    for label, value in entry.items():
        if label not in _KNOWN and label.endswith("_"):
            raise RecordError(
                f"record {index + 1} has the label {label!r}, which must be understood"
            )
        number = isinstance(value, int | float) and not isinstance(value, bool)
        if (label in _NUMBERS and not number) or (label in _TEXTS and not isinstance(value, str)):
            raise RecordError(f"record {index + 1}: {label} has a value of the wrong kind")
    version = entry.get("bver", VERSION)
    if not isinstance(version, int) or isinstance(version, bool) or version < 1:
        raise RecordError(f"record {index + 1}: bver is not a positive whole number")
    if version > VERSION:
        raise RecordError(f"SenML version {version} is higher than {VERSION}")
    for label in ("bn", "bt", "bu", "bv"):
        if label in entry:
            base[label] = entry[label]


def _resolve(
    entry: dict[str, Any], base: Mapping[str, Any], units: Mapping[str, str], now_us: int | None
) -> tuple[int, str, float] | None:
    name = base["bn"] + entry.get("n", "")
    given = [label for label in ("v", "vb", "vs", "vd") if label in entry]
    if not given and not any(k in entry for k in ("n", "t", "u", "s", "ut")):
        return None  # base fields alone
    if not name or not name[0].isalnum():
        raise RecordError("no valid name")
    if name not in units:
        return None
    if len(given) != 1:
        raise RecordError("needs exactly one value")
    if given[0] == "v":
        value = float(base["bv"]) + float(entry["v"])
        unit = entry.get("u", base["bu"])
        if unit is not None and unit != units[name]:
            try:
                scale, shift = senml_rule(unit, units[name])
            except ValueError as error:
                raise RecordError(f"{name}: {error}") from None
            value = value * scale + shift
    elif given[0] == "vb" and isinstance(entry["vb"], bool):
        value = float(entry["vb"])
    else:
        raise RecordError(f"{name}: the value is not a number")
    seconds = float(base["bt"]) + float(entry.get("t", 0.0))
    if not (np.isfinite(value) and np.isfinite(seconds) and abs(seconds) < 1e11):
        raise RecordError(f"{name}: value or time is out of bounds")
    if seconds < RELATIVE_BELOW:
        if now_us is None:
            raise RecordError(f"{name}: a relative time, and no time of arrival is known")
        return now_us + round(seconds * SECOND), name, value
    return round(seconds * SECOND), name, value


MAX_PACK: Final = 64 * 1024 * 1024
"""Largest SenML document that is read as a whole [bytes]."""

PACKS_A_BATCH: Final = 2000
"""Packs that are committed together."""


def packs_of(station: Station, name: str, content: Content) -> Iterator[Batch]:
    """One pack a line, or one in the whole file."""
    units = {channel: c.unit for channel, c in station.channels.items()}
    text = content.read(MAX_PACK + 1)
    if len(text) > MAX_PACK:
        raise SourceError(f"{name}: over {MAX_PACK} bytes of JSON; split it into one pack a line")
    lines = text.split(b"\n")
    if len([line for line in lines if line.strip()]) > 1 and not is_json(lines[0]):
        lines = [text]
    gathered: list[Batch] = []
    for number, line in enumerate(lines, 1):
        if not line.strip():
            continue
        try:
            gathered.append(decode_pack(name, line, units, line=number))
        except RecordError as error:
            gathered.append(refused_batch(name, number, str(error), line))
        if len(gathered) == PACKS_A_BATCH:
            yield together(name, gathered)
            gathered = []
    if gathered:
        yield together(name, gathered)


def is_json(line: bytes) -> bool:
    """Whether a line is a whole JSON text."""
    try:
        json.loads(line)
    except (ValueError, RecursionError):
        return False
    return True
