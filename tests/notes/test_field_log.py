"""The field log: what people write becomes heights, events, bad periods, and new revisions."""

import subprocess
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from forking import done
from small import T0, own_line_stream, part, station_text

from stream.compute.apply_notes import take_up
from stream.compute.replay import Pipeline
from stream.compute.settle import Settled
from stream.errors import CommandError
from stream.notes.write import keep_note
from stream.station import FieldNote, StationFile, amended, load_station
from stream.store import Store, WriterLock, open_store
from stream.store.results.readers import Reader
from stream.store.station_data import Notes
from stream.times import SECOND

Open = Callable[[StationFile, str], tuple[Store, Pipeline]]


def write_note(file: StationFile, url: str, told: FieldNote) -> tuple[int, Settled | None]:
    """As the verb does."""
    with closing(open_store(url)) as store:
        return keep_note(store, file.station, told), take_up(file, store)


def note(kind: str = "other", at_s: float = 0.0, **more: object) -> FieldNote:
    """A note at so many seconds of the small stream."""
    plain = FieldNote(
        0,
        T0 * SECOND + round(at_s * SECOND),
        None,
        0,
        kind,
        "R. Tarn",
        "",
        "",
        "",
        None,
        "so",
        None,
    )
    return replace(plain, **more)  # type: ignore[arg-type]


def filled(make_station: Callable[..., StationFile], url: str, open_parts: Open) -> StationFile:
    """A station with its records settled."""
    file = make_station()
    _, parts = open_parts(file, url)
    parts.intake.take(own_line_stream())
    parts.settlement.settle()
    return file


def closures(url: str, chamber: str) -> list[dict[str, object]]:
    with closing(open_store(url)) as store:
        found = [r for r in Reader(store, "small").closures() if r["chamber"] == chamber]
    return [r for r in found if r["revision"]]


def test_a_height_makes_new_revisions_of_what_it_bears_on(
    make_station: Callable[..., StationFile], database_url: str, open_parts: Open
) -> None:
    """From its moment on, of its chamber, and of nothing else; the flux follows the height."""
    file = filled(make_station, database_url, open_parts)
    before = closures(database_url, "C1")
    other = closures(database_url, "C2")
    at = int(before[1]["closed_us"]) - SECOND
    told = note("height", chamber="C1", amount=0.3, at_us=at)
    assert write_note(file, database_url, told)[1] is not None
    after = closures(database_url, "C1")
    assert [r["revision"] for r in after] == [1] + [2] * (len(after) - 1)
    assert [r["height_m"] for r in after] == [0.15] + [0.3] * (len(after) - 1)
    assert closures(database_url, "C2") == other
    digests = {r["station_digest"] for r in after}
    assert len(digests) == 2
    with closing(open_store(database_url)) as store:
        assert amended(file, Notes(store, "small").all()).digest in digests


def test_taking_back_puts_it_as_it_was(
    make_station: Callable[..., StationFile], sqlite_url: str, open_parts: Open
) -> None:
    """A bad period, taken back, and the taking back taken back."""
    file = filled(make_station, sqlite_url, open_parts)
    plain = closures(sqlite_url, "C1")
    first = int(plain[1]["closed_us"])
    bad = note("bad", chamber="C1", at_us=first + 30 * SECOND, until_us=first + 31 * SECOND)
    number, _ = write_note(file, sqlite_url, bad)

    def flagged() -> list[bool]:
        return ["marked_bad" in str(r["flags"]).split() for r in closures(sqlite_url, "C1")]

    assert flagged() == [i == 1 for i in range(len(plain))]
    assert closures(sqlite_url, "C1")[1]["quality"] == 4
    write_note(file, sqlite_url, note("taken_back", refers=number))
    assert not any(flagged())
    hidden = {"revision", "station_digest"}
    for now, then in zip(closures(sqlite_url, "C1"), plain, strict=True):
        assert {k: v for k, v in now.items() if k not in hidden} == {
            k: v for k, v in then.items() if k not in hidden
        }
    write_note(file, sqlite_url, note("taken_back", refers=number + 1))
    assert flagged()[1]


def test_a_bad_period_without_end_covers_what_comes(
    make_station: Callable[..., StationFile], sqlite_url: str, open_parts: Open
) -> None:
    file = make_station()
    _, parts = open_parts(file, sqlite_url)
    records = own_line_stream()
    half = len(records) // 2
    parts.intake.take(part(records, slice(0, half)))
    write_note(file, sqlite_url, note("bad", chamber="C2"))
    parts.intake.refresh()
    parts.intake.take(part(records, slice(half, None)))
    parts.settlement.settle()
    flags = [str(r["flags"]).split() for r in closures(sqlite_url, "C2")]
    assert flags
    assert all("marked_bad" in f for f in flags)
    assert not any("marked_bad" in str(r["flags"]) for r in closures(sqlite_url, "C1"))


def test_it_does_not_matter_when_a_note_came(
    make_station: Callable[..., StationFile], tmp_path: Path, open_parts: Open
) -> None:
    """Before the records or after them: the same results, to the bit."""
    told = note("height", 400.0, chamber="C1", amount=0.21)
    found = []
    for name, early in (("early", True), ("late", False)):
        url = f"sqlite:///{tmp_path / name}.db"
        file = make_station()
        if early:
            write_note(file, url, told)
        store, parts = open_parts(file, url)
        parts.intake.take(own_line_stream())
        parts.settlement.settle()
        if not early:
            write_note(file, url, told)
        rows = [dict(r) for r in Reader(store, "small").fluxes()]
        found.append(
            [(r["chamber"], r["closed_us"], r["flux_nmol_m2_s"], r["flags"]) for r in rows]
        )
    assert found[0] == found[1]


def test_beside_a_running_writer_a_note_waits(
    make_station: Callable[..., StationFile], database_url: str, open_parts: Open
) -> None:
    """It is durable at once, and the writer's next settlement does what follows."""
    file = filled(make_station, database_url, open_parts)
    store, parts = open_parts(file, database_url)
    with WriterLock(store, "small"):
        assert write_note(file, database_url, note("height", chamber="C1", amount=0.3))[1] is None
        assert parts.log.waiting()
        parts.settlement.settle()
        assert not parts.log.waiting()
    assert all(r["height_m"] == 0.3 for r in closures(database_url, "C1"))


def test_the_same_note_sent_twice_is_one(
    make_station: Callable[..., StationFile], database_url: str
) -> None:
    file = make_station()
    with closing(open_store(database_url)) as store:
        numbers = [
            keep_note(store, file.station, note("other"), key) for key in ("a", "a", "b", "a")
        ]
        assert numbers == [1, 1, 2, 1]
        assert len(Notes(store, "small").all()) == 2


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        ({"kind": "eclipse"}, "not known"),
        ({"text": "  "}, "empty"),
        ({"author": ""}, "say who"),
        ({"chamber": "C9"}, "C1, C2"),
        ({"kind": "height", "chamber": "C1"}, "needs one, in m"),
        ({"kind": "height", "amount": 0.15}, "whose height"),
        ({"kind": "height", "chamber": "C1", "amount": 15.0}, "cannot be"),
        ({"kind": "tillage", "amount": 3.0}, "has none"),
        ({"at_us": 2**52}, "ahead"),
        ({"until_us": 1}, "only a bad period"),
        ({"kind": "bad", "until_us": 1}, "not later"),
        ({"kind": "taken_back", "refers": 7}, "no such note"),
    ],
)
def test_what_cannot_be_meant_is_refused(
    make_station: Callable[..., StationFile], sqlite_url: str, wrong: dict[str, Any], says: str
) -> None:
    file = make_station()
    with closing(open_store(sqlite_url)) as store:
        with pytest.raises(CommandError, match=says):
            keep_note(store, file.station, note(**wrong))
        assert Notes(store, "small").all() == []


def test_events_and_yields_join_the_station_file(
    make_station: Callable[..., StationFile], sqlite_url: str
) -> None:
    """Days are the station's; a yield of the file stands."""
    text = station_text(extra="").replace(
        'lid_channel = "lid_1"', 'treatment = "fed"\nlid_channel = "lid_1"'
    )
    text = text.replace('lid_channel = "lid_2"', 'treatment = "bare"\nlid_channel = "lid_2"')
    text += '\n[season]\nstart = "2026-01-01"\nend = "2026-03-01"\nyield_t_ha = { bare = 5.0 }\n'
    path = make_station().path
    path.write_text(text)
    file = load_station(path)
    with closing(open_store(sqlite_url)) as store:
        for n in (
            note("rain", 14 * 3600.0, amount=12.0),
            note("fertilizer", treatment="fed", amount=80.0),
            note("yield", treatment="fed", amount=9.0),
            note("yield", chamber="C1", amount=10.0),
            note("yield", treatment="bare", amount=1.0),
        ):
            keep_note(store, file.station, n)
        now = amended(file, Notes(store, "small").all()).station
    events = [(e.kind, e.day, e.amount, e.treatment) for e in now.events]
    assert events == [
        ("rain", date(2026, 2, 3), 12.0, None),
        ("fertilizer", date(2026, 2, 2), 80.0, "fed"),
    ]
    assert now.season is not None
    assert now.season.yield_t_ha == {"bare": 5.0, "fed": 9.5}
    assert amended(file, []).digest == file.digest


def test_the_verb(make_station: Callable[..., StationFile], tmp_path: Path) -> None:
    """As a person would: one line, exit code 0; one line and 2 where it is wrong."""
    file = make_station()

    def run(*words: str) -> subprocess.CompletedProcess[str]:
        return done(["note", file.path, *words])

    good = run("measured at five places", "--kind", "height", "--chamber", "C1", "--amount",
               "0.158", "--at", "2026-02-02T13:00", "--by", "R. Tarn")  # fmt: skip
    assert (good.returncode, good.stderr) == (0, "")
    assert good.stdout.startswith("note 1 kept;")
    wrong = run("x", "--at", "yesterday")
    assert wrong.returncode == 2
    assert wrong.stderr == "lidstream: --at: 'yesterday' is not a time like 2026-06-15T09:30\n"
    with closing(open_store(file.database_url)) as store:
        (row,) = Notes(store, "small").all()
    assert row["at_us"] == 1_770_001_200 * SECOND
