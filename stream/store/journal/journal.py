"""The journal: every record ever taken, in compressed blocks, and how to read it back."""

import json
from collections import OrderedDict
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import BigInteger, bindparam, func, select

from stream.errors import RecordsDamaged, StoreError
from stream.store.connect import Store
from stream.store.journal.archived_day import Columns, read_day
from stream.store.journal.blocks import Stretches, check_block, decode, stretches_of
from stream.store.schema import archive_days, damaged, journal_blocks, journal_channels, unsettled
from stream.times import DAY

Floats = NDArray[np.float64]
Micros = NDArray[np.int64]

CACHE_BYTES: Final = 96 * 1024 * 1024
"""Columns that are kept for who reads the same stretch again."""

_Key = tuple[int | str, str]
"""Number of a block or path of an archived day, and the digest of its content."""


_FIRST, _LAST = bindparam("first", type_=BigInteger), bindparam("last", type_=BigInteger)
_STORED: Final = (
    select(archive_days.c.path, archive_days.c.sha256, archive_days.c.channels)
    .where(
        archive_days.c.station == bindparam("station"),
        archive_days.c.day_us <= _LAST,
        archive_days.c.day_us > _FIRST - DAY,
        archive_days.c.removed == 0,
    )
    .order_by(archive_days.c.day_us),
    select(journal_blocks.c.sequence, journal_blocks.c.digest, journal_blocks.c.channels)
    .where(
        journal_blocks.c.station == bindparam("station"),
        journal_blocks.c.first_us <= _LAST,
        journal_blocks.c.last_us >= _FIRST,
    )
    .order_by(journal_blocks.c.sequence),
)
"""Where the records between two moments lie; made once, since they are asked for often."""


class _Moved(Exception):
    """A block that was listed a moment ago lies elsewhere now."""


@dataclass(frozen=True, slots=True)
class Series:
    """Records of one channel in order of time.

    ``values`` may hold NaN where other channels of the same source have a record;
    channels of one source share the very same ``times`` object.
    """

    times: Micros
    values: Floats

    def filled(self) -> "Series":
        """Without the NaN."""
        good = ~np.isnan(self.values)
        return self if good.all() else Series(self.times[good], self.values[good])


@dataclass(frozen=True, slots=True)
class Damage:
    """A block or an archived day that was set aside.

    Attributes
    ----------
    piece : str
        Number of a block, or path of a day in the archive.
    first_us, last_us : int
        Its records lay between these [µs].
    rows : int
        How many times they had; for a day of the archive how many records it held.
    channels : list of str
    source : str
        Where they came from, as far as that is known.
    """

    piece: str
    first_us: int
    last_us: int
    rows: int
    channels: list[str]
    source: str

    @property
    def is_day(self) -> bool:
        """Whether it is a day of the archive."""
        return not self.piece.isdigit()


class Journal:
    """Reads the records of one station: recent ones in blocks, older days in the archive."""

    def __init__(
        self,
        store: Store,
        station: str,
        archive: Path | None = None,
        cache_bytes: int = CACHE_BYTES,
    ) -> None:
        self._most = cache_bytes
        self._store = store
        self._station = station
        self._archive = archive
        self._cache: OrderedDict[_Key, list[Columns]] = OrderedDict()
        self._cached = 0

    def extent(self) -> dict[str, tuple[int, int, int]]:
        """Channel → first and last record [µs] and how many there are."""
        t = journal_channels
        with self._store.reading() as connection:
            rows = connection.execute(
                select(t.c.channel, t.c.first_us, t.c.last_us, t.c.records).where(
                    t.c.station == self._station
                )
            ).all()
        return {row[0]: (row[1], row[2], row[3]) for row in rows}

    def unsettled(self) -> list[tuple[int, int]]:
        """Spans of records [µs] that no result speaks for yet, in order."""
        with self._store.reading() as connection:
            rows = connection.execute(
                select(unsettled.c.first_us, unsettled.c.last_us)
                .where(unsettled.c.station == self._station)
                .order_by(unsettled.c.first_us)
            ).all()
        return [(row[0], row[1]) for row in rows]

    def kept_from(self) -> int | None:
        """Records before this moment [µs] have been removed by retention; None: all are kept."""
        t = archive_days
        with self._store.reading() as connection:
            last = connection.execute(
                select(func.max(t.c.day_us)).where(t.c.station == self._station, t.c.removed == 1)
            ).scalar()
        return None if last is None else int(last) + DAY

    def sources(self, channel: str, first_us: int, last_us: int) -> set[str]:
        """Files and topics that records of a channel between two moments, both included, may be
        from [µs]; of archived days none is known.
        """
        b = journal_blocks.c
        query = select(b.source, b.channels).where(
            b.station == self._station, b.first_us <= last_us, b.last_us >= first_us
        )
        with self._store.reading() as connection:
            rows = connection.execute(query).all()
        return {s for names, held in rows if channel in json.loads(held) for s in names.split("; ")}

    def stretches(self) -> Stretches:
        """When the station was at work, and records that stray from that."""
        b, d = journal_blocks.c, archive_days.c
        blocks = select(b.first_us, b.last_us, b.rows).where(b.station == self._station)
        # Of days archived by an earlier version the day alone is known.
        first = func.coalesce(d.first_us, d.day_us)
        last = func.coalesce(d.last_us, d.day_us + DAY - 1)
        days = select(first, last, d.rows).where(d.station == self._station)
        with self._store.reading() as connection:
            rows = [*connection.execute(blocks), *connection.execute(days)]
        return stretches_of((int(a), int(z), int(n)) for a, z, n in rows)

    def newest(self) -> int | None:
        """The last record that does not stray from all others [µs]; None without any."""
        return self.stretches().newest_us

    def days(self, first_us: int, last_us: int) -> list[tuple[int, int]]:
        """The part of each day (UTC) with records between two moments, both included [µs].

        A clock that was never set leaves years without a record; they cost nothing.
        """
        b, d = journal_blocks.c, archive_days.c
        blocks = select(b.first_us, b.last_us).where(
            b.station == self._station, b.first_us <= last_us, b.last_us >= first_us
        )
        archived = select(d.day_us).where(
            d.station == self._station,
            d.removed == 0,
            d.day_us <= last_us,
            d.day_us > first_us - DAY,
        )
        with self._store.reading() as connection:
            found = {int(day) // DAY for day in connection.execute(archived).scalars()}
            for a, z in connection.execute(blocks):
                found.update(range(max(a, first_us) // DAY, min(z, last_us) // DAY + 1))
        return [
            (max(day * DAY, first_us), min((day + 1) * DAY - 1, last_us)) for day in sorted(found)
        ]

    def read(self, channels: Iterable[str], first_us: int, last_us: int) -> dict[str, Series]:
        """Records of some channels between two moments, both included.

        Parameters
        ----------
        channels : iterable of str
            Which channels.
        first_us, last_us : int
            [µs since 1970]

        Returns
        -------
        dict of str to Series
            A channel without records has an empty series.

        Raises
        ------
        StoreError
            The database refuses, or a file of the archive is gone or damaged.
        """
        wanted = set(channels)
        while True:
            try:
                return self._read(wanted, first_us, last_us)
            except _Moved:
                # Another process has just merged or archived these records.
                continue

    def _read(self, wanted: set[str], first_us: int, last_us: int) -> dict[str, Series]:
        layouts: dict[frozenset[str], list[Columns]] = {}
        for key, held in self._stored_between(first_us, last_us):
            shared = wanted & set(held)
            if not shared:
                continue
            for times, columns in self._columns(key, shared):
                a, b = np.searchsorted(times, (first_us, last_us + 1))
                mine = shared & columns.keys()
                if a < b and mine:
                    part = times[a:b], {c: columns[c][a:b] for c in mine}
                    layouts.setdefault(frozenset(mine), []).append(part)
        series: dict[str, list[Series]] = {channel: [] for channel in wanted}
        for parts in layouts.values():
            times = _join([p[0] for p in parts])
            order = None
            if len(times) > 1 and not (times[1:] >= times[:-1]).all():
                order = np.argsort(times, kind="stable")
                times = times[order]
            for channel in parts[0][1]:
                values = _join([p[1][channel] for p in parts])
                series[channel].append(Series(times, values if order is None else values[order]))
        return {channel: _merge(found) for channel, found in series.items()}

    def set_aside(self) -> list[Damage]:
        """All damage that was ever set aside, by time."""
        d = damaged.c
        query = select(d.piece, d.first_us, d.last_us, d.rows, d.channels, d.source)
        with self._store.reading() as connection:
            rows = connection.execute(
                query.where(d.station == self._station).order_by(d.first_us)
            ).all()
        return [Damage(*row[:4], json.loads(row[4]), row[5]) for row in rows]

    def lost(self, first_us: int, last_us: int) -> list[Damage]:
        """Damage with records between two moments [µs] that have not come again."""
        return [
            damage
            for damage in self.set_aside()
            if damage.first_us <= last_us and damage.last_us >= first_us
            if self._present(damage) < damage.rows
        ]

    def _present(self, damage: Damage) -> int:
        """How many of its times, or records, the journal holds now."""
        series = self.read(damage.channels, damage.first_us, damage.last_us).values()
        filled = [s.filled().times for s in series]
        if damage.is_day:
            return sum(map(len, filled))
        return len(np.unique(np.concatenate([np.empty(0, np.int64), *filled])))

    def sources_of(self, channel: str, times: Micros) -> dict[str, int]:
        """Where the records of a channel at some times came from → how many of them.

        Parameters
        ----------
        channel : str
        times : ndarray of int64, shape (n,)
            In order [µs].

        Returns
        -------
        dict of str to int
            Of archived days nothing is known. Blocks that were merged name all of theirs,
            parted by ``"; "``.
        """
        t, found = journal_blocks, dict[str, int]()
        query = select(t.c.sequence, t.c.digest, t.c.source).where(
            t.c.station == self._station, t.c.first_us <= int(times[-1]),
            t.c.last_us >= int(times[0]),
        )  # fmt: skip
        with self._store.reading() as connection:
            rows = connection.execute(query).all()
        for sequence, digest, source in rows:
            try:
                columns = self._columns((sequence, digest), {channel})
            except _Moved:
                continue  # merged by another process; what it was called is told next time
            for held, values in columns:
                there = held[~np.isnan(values[channel])] if channel in values else held[:0]
                if count := int(np.isin(times, there).sum()):
                    found[source] = found.get(source, 0) + count
        return found

    def _stored_between(self, first_us: int, last_us: int) -> list[tuple[_Key, list[str]]]:
        between = {"station": self._station, "first": first_us, "last": last_us}
        with self._store.reading() as connection:
            rows = [row for query in _STORED for row in connection.execute(query, between)]
        return [((row[0], row[1]), json.loads(row[2])) for row in rows]

    def _columns(self, key: _Key, channels: set[str]) -> list[Columns]:
        held = self._cache.get(key, [])
        known = {c for _, columns in held for c in columns}
        if held and channels <= known:
            self._cache.move_to_end(key)
            return held
        # Columns that were read before are not read again.
        found = _together(held, self._load(key, channels - known))
        self._cached -= _size(held)
        self._cache[key] = found
        self._cache.move_to_end(key)
        self._cached += _size(found)
        while self._cached > self._most and len(self._cache) > 1:
            _, old = self._cache.popitem(last=False)
            self._cached -= _size(old)
        return found

    def _load(self, key: _Key, channels: set[str]) -> list[Columns]:
        where, digest = key
        if isinstance(where, str):
            if self._archive is None:
                raise StoreError(f"{where}: records lie in the archive, and no archive is given")
            try:
                return read_day(self._archive / where, digest, channels)
            except StoreError as error:
                if not (self._archive / self._station).is_dir():
                    raise  # its disk is away: no sign of damage
                raise RecordsDamaged(str(error), where) from None
        t = journal_blocks
        with self._store.reading() as connection:
            data = connection.execute(
                select(t.c.data).where(
                    t.c.station == self._station, t.c.sequence == where, t.c.digest == digest
                )
            ).scalar()
        if data is None:
            raise _Moved
        return [decode(check_block(where, bytes(data), digest), channels)]


def _together(held: list[Columns], fresh: list[Columns]) -> list[Columns]:
    """Groups of columns with those of the same times as one, on the times held first."""
    found = [(times, dict(columns)) for times, columns in held]
    for times, columns in fresh:
        for known, others in found:
            if len(known) == len(times) and np.array_equal(known, times):
                others.update(columns)
                break
        else:
            found.append((times, columns))
    return found


def _size(block: list[Columns]) -> int:
    return sum(t.nbytes + sum(v.nbytes for v in columns.values()) for t, columns in block)


def _join(parts: list[NDArray[Any]]) -> NDArray[Any]:
    return parts[0] if len(parts) == 1 else np.concatenate(parts)


def _merge(found: list[Series]) -> Series:
    """One series from several layouts; no two hold a record of the same time."""
    if not found:
        return Series(np.empty(0, np.int64), np.empty(0))
    if len(found) == 1:
        return found[0]
    filled = [s.filled() for s in found]
    times = np.concatenate([s.times for s in filled])
    values = np.concatenate([s.values for s in filled])
    order = np.argsort(times, kind="stable")
    return Series(times[order], values[order])
