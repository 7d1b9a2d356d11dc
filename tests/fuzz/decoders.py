"""Every decoder with bytes from outside, and what must hold whatever the bytes are."""

import io
import os
import tempfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pyarrow as pa
import rounds
from small import station_text

from stream.compute.manual.run_values import run_values
from stream.compute.manual.vials import match
from stream.errors import RecordError, SourceError, StationFileError, StoreError
from stream.ingest.batches import Batch
from stream.ingest.broker.messages import Decoder, Message
from stream.ingest.broker.senml import decode_pack
from stream.ingest.delimited.reading import TextFiles
from stream.ingest.files.contents import open_content
from stream.ingest.files.folder import FolderWatch
from stream.ingest.times.time_columns import parse_column
from stream.ingest.times.timestamps import parse_time
from stream.manual.closures import closures_in
from stream.manual.tables import read_table, table_text
from stream.station import FolderSource, load_station, read_clock
from stream.store.journal.archived_day import look_at_day
from stream.times import EARLIEST, LATEST

UNITS = {"n2o": "nmol/mol", "h2o": "mmol/mol", "t_1": "degC", "lid_1": "1", "time": "1"}
_folder = Path(tempfile.mkdtemp(prefix="lidstream-fuzz-"))
_station_path = _folder / "station.toml"
_station_path.write_text(station_text())
STATION = load_station(_station_path).station
_hand_path = _folder / "hand.toml"
_hand_path.write_text(rounds.station_text())
HAND = load_station(_hand_path).station


def hold(batch: Batch) -> None:
    """What is true of every batch."""
    assert batch.times.dtype == np.int64
    assert batch.values.shape == (len(batch.times), len(batch.channels))
    assert (np.diff(batch.times) > 0).all()
    if len(batch):
        assert batch.times[0] >= EARLIEST
        assert batch.times[-1] < LATEST
    assert not np.isinf(batch.values).any()
    for reject in batch.rejects:
        assert reject.reason
        assert len(reject.text) <= 500
        assert "\0" not in reject.text + reject.reason + reject.source
        (reject.text + reject.reason).encode()  # a database takes only what can be encoded


def senml(data: bytes) -> None:
    """A SenML pack, the careful way."""
    try:
        hold(decode_pack("fuzz", data, UNITS, now_us=EARLIEST))
    except RecordError as error:
        str(error).encode()


def message(data: bytes) -> None:
    """A SenML message; the fast way must give what the careful way gives."""
    decoder = Decoder("fuzz", UNITS, "senml", "time", read_clock("+10:00"), 100_000)
    got = decoder.batch([Message("topic", data, EARLIEST)])
    hold(got)
    try:
        careful = decode_pack("topic", data, UNITS, line=0, now_us=EARLIEST)
    except RecordError:
        assert not len(got)
        return
    assert got.times.tolist() == careful.times.tolist()
    for channel in careful.channels:
        mine = got.values[:, got.channels.index(channel)]
        np.testing.assert_array_equal(mine, careful.values[:, careful.channels.index(channel)])


def rows(data: bytes) -> None:
    """An array of rows."""
    decoder = Decoder("fuzz", UNITS, "rows", "time", read_clock("Europe/Copenhagen"), 100_000)
    hold(decoder.batch([Message("topic", data, EARLIEST), Message("topic", data, EARLIEST)]))


def delimited(data: bytes) -> None:
    """A logger's text file."""
    for clock in ("+01:00", "Europe/Copenhagen"):
        files = TextFiles.of(STATION, FolderSource(kind="folder", path=".", clock=clock))
        try:
            found = files.find("fuzz", data)
            if found is None:
                raise files.why_not("fuzz", data)
            reader = files.reader(found)
            for batch in reader.batches(io.BytesIO(data), 256):
                hold(batch)
        except SourceError:
            return


def packed(data: bytes) -> None:
    """A compressed file."""
    path = _folder / f"packed-{os.getpid()}"
    path.write_bytes(data)
    try:
        with open_content(path) as content:
            for _ in range(64):
                if not content.read(4096):
                    break
    except SourceError:
        return


def folder(data: bytes) -> None:
    """A file in a watched folder, whatever it is."""
    where = _folder / f"watched-{os.getpid()}"
    where.mkdir(exist_ok=True)
    (where / "log.csv").write_bytes(data)
    source = FolderSource(kind="folder", path="x", pattern="*")
    watch = FolderWatch(STATION, source, where)
    for _ in range(2):
        for batch, position in watch.poll():
            hold(batch)
            assert position is None or 0 <= position.offset <= len(data)


def moment(data: bytes) -> None:
    """A time as text, alone and as a column."""
    text = data.decode("utf-8", "replace").strip()
    for order in (None, "dmy", "mdy", "ymd"):
        column = parse_column(pa.array([text] * 2), order, None)
        try:
            alone = parse_time(text, order)
        except RecordError:
            assert column is None
            continue
        if column is not None:
            assert (column[0].tolist(), column[1].tolist()) == ([alone[0]] * 2, [alone[1]] * 2)


def day(data: bytes) -> None:
    """A file of the archive."""
    path = _folder / f"day-{os.getpid()}.parquet"
    path.write_bytes(data)
    try:
        look_at_day(path)
    except StoreError:
        return


def station(data: bytes) -> None:
    """A station file."""
    path = _folder / f"station-{os.getpid()}.toml"
    path.write_bytes(data)
    try:
        load_station(path)
    except StationFileError as error:
        str(error).encode()


def table(data: bytes) -> None:
    """A table of vials or of a run, and what it makes of closures and values."""
    try:
        found = read_table(HAND, "fuzz.csv", table_text("fuzz.csv", data))
    except SourceError as error:
        str(error).encode()
        return
    for reject in found.rejects:
        assert reject.reason
        (reject.reason + reject.text).encode()
        assert "\0" not in reject.reason + reject.text
    for sample in found.samples:
        assert EARLIEST <= sample.closed_us <= sample.sampled_us < LATEST
    closures_in([found])
    match([found], run_values(HAND, HAND.analyzers[0], "N2O", found))


DECODERS: dict[str, Callable[[bytes], None]] = {
    f.__name__: f
    for f in (senml, message, rows, delimited, packed, folder, moment, day, station, table)
}

SEEDS: dict[str, list[bytes]] = {
    "senml": [
        b'[{"bn":"n2o","bt":1770000000,"bu":"nmol/mol","v":331.2},{"t":1,"v":331.3}]',
        b'[{"n":"t_1","u":"Cel","t":1770000000,"v":20},{"n":"lid_1","vb":true,"t":-5}]',
        b'[{"bver":5,"bv":1.5,"n":"h2o","v":1e3,"t":1.77e9,"s":2,"ut":1,"vs":"x","x_":1}]',
    ],
    "rows": [
        b'[{"time":"2026-02-02T02:40:00Z","n2o":331.2,"lid_1":1},{"time":1770000001,"h2o":null}]',
        b'[{"time":"2026-04-05 02:30:00","t_1":true},{"time":"2026-02-02","n2o":1e400}]',
    ],
    "delimited": [
        b"time,n2o,h2o\n2026-02-02T02:40:00+10:00,331.2,12\n2026-02-02 02:40:01,,NaN\n",
        b"\xef\xbb\xbftime;n2o;lid_1\r\n1770000000,5;331,2;1\r\n\r\ntime;n2o;lid_1\r\n",
        "station log 7\nDatum;Uhrzeit;N2O [ppb];lid_1\n;;ppb;\n03.04.2026;23:59:30;331,2;open\n"
        "04.04.2026;00:00:10;#N/A;closed\nDatum;lid_1;n2o;Uhrzeit\n".encode("utf-16"),
        b"sep=,\nDate,Time,n2o,remark\n4/3/2026,11:59:59 PM,-9999,a, b\n4/4/2026,12:00 AM,1,\n",
        b"time n2o\n20260403120000 3.1\n46115.5 1\n1775217600000 2\n",
        b'"time",n2o\n"2026-04-05 02:30:00.123456789",1e5\nrubbish\n1770000000,"1\n',
    ],
    "packed": [
        b"\x1f\x8b\x08\x00\x00\x00\x00\x00\x00\x03+\xc9\xccMU\xc8\xcb7\xe2\x02\x00",
        b"(\xb5/\xfd\x04\x00I\x00\x00time,n2o\n",
    ],
    "moment": [
        b"2026-02-02T02:40:00.5+10:00",
        b"1770000000.25",
        b"2026-02-02",
        b"24:00",
        b"03.04.2026 24:00",
        b"4/3/26 12:00:00.5 PM",
        b"46115.5",
        b"20260403T120000,5Z",
        b"Apr 3, 2026 9:05",
        b"3-Apr-2026",
        b"1775217600000",
    ],
    "day": [b"PAR1", b"PAR1\x15\x04\x15\x10PAR1"],
    "table": [
        rounds.written(rounds.vials()),
        rounds.written(rounds.run(rounds.vials())),
        b"date;chamber;closed_at;sampled_at;vial;height_m\n2026-02-09;H1;9:05;9:05:30;V1;0,18\n",
        b"chamber,closed_at,sampled_at,vial\r\r\nH1,2026-02-09T10:00:00,2026-02-09,V\r1\n",
        b"sequence,vial,standard,gc_n2o\n1,,low,0\n2,V1,,5\n3,,low,0\n4,,low,0\n",
    ],
    "station": [station_text().encode(), b'[station]\nid = "x"\n'],
}
SEEDS["message"] = SEEDS["senml"]
SEEDS["folder"] = [*SEEDS["delimited"], *SEEDS["senml"], *SEEDS["packed"]]
