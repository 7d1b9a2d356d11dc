"""Rules, hysteresis and quiet hours of alerts."""

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from small import own_line_stream, part, station_text

from stream.alert_rules import RULES
from stream.alerts.conditions import OF_COMPUTER, OF_RECORDS, Computer, Condition, Sight, conditions
from stream.alerts.incidents import Incidents
from stream.alerts.outbox import WAYS, Outbox
from stream.alerts.watch import Alerting
from stream.compute.replay import Pipeline
from stream.ingest.batches import Batch, tidy
from stream.station import StationFile, load_station
from stream.store import Store
from stream.store.messages import Incident, Message, Messages
from stream.store.station_data import StationData
from stream.times import DAY, SECOND

MINUTE = 60 * SECOND
Open = Callable[[StationFile, str], tuple[Store, Pipeline]]


def seen(*sights: Sight, hold_min: float = 0.0, going_on: tuple[Incident, ...] = ()) -> list[str]:
    """What turns when one thing looks so, minute by minute."""
    incidents = Incidents(going_on, round(hold_min * MINUTE))
    told = []
    for minute, sight in enumerate(sights):
        turns = incidents.look([Condition("disk_low", "computer", sight, "x")], minute * MINUTE)
        told += [f"{'over' if t.ended else 'begun'} {minute}" for t in turns]
    return told


@pytest.mark.parametrize(
    ("sights", "hold", "told"),
    [
        (["wrong"] * 3, 0, ["begun 0"]),
        (["wrong", "between", "wrong", "between"], 0, ["begun 0"]),
        (["wrong", "between", "fine", "wrong"], 0, ["begun 0", "over 2", "begun 3"]),
        (["between", "fine", "between"], 0, []),
        (["wrong", "wrong", "fine", "wrong", "wrong", "wrong"], 2, ["begun 5"]),
        (["wrong", "fine", "wrong", "fine", "wrong"], 1, []),
        (["wrong", "wrong", "fine", "wrong", "fine", "fine"], 1, ["begun 1", "over 5"]),
        (["wrong", "between", "wrong"], 2, []),
    ],
)
def test_one_message_when_it_begins_and_one_when_it_ends(
    sights: list[Sight], hold: float, told: list[str]
) -> None:
    """Between its two limits, and for less than ``hold_min``, nothing turns."""
    assert seen(*sights, hold_min=hold) == told


def test_a_restart_neither_forgets_nor_repeats() -> None:
    before = (Incident("disk_low", "computer", -5 * MINUTE, None, "x"),)
    assert seen("wrong", "wrong", "between", going_on=before) == []
    assert seen("wrong", "fine", going_on=before) == ["over 1"]


def at(clock: str) -> int:
    return int(datetime.fromisoformat(f"2026-02-10T{clock}:00+10:00").timestamp() * 1e6)


TELLING = """
[mail]
host = "127.0.0.1"
sender = "station@field.example"
to = ["somebody@institute.example"]
[webhook]
url = "http://127.0.0.1:9/"
[alerts]
hold_min = 0
quiet_from = "22:00"
quiet_to = "06:00"
urgent = ["no_records"]
"""


@pytest.mark.parametrize(
    ("clock", "free_mb", "wait"),
    [("21:59", 10.0, 0), ("22:00", 10.0, 8), ("03:00", 10.0, 3), ("06:00", 10.0, 0)],
)
def test_quiet_hours_hold_back_what_is_not_urgent(
    make_station: Callable[..., StationFile], sqlite_url: str, open_parts: Open, clock: str,
    free_mb: float, wait: float,
) -> None:  # fmt: skip
    """Quiet from 22 to 6, over midnight, at the station; no records is urgent."""
    file = make_station(extra=TELLING)
    store, _ = open_parts(file, sqlite_url)
    messages = Messages(store, "small")
    alerting = Alerting(file, store, messages, {}, lambda: Computer(free_mb), lambda *_, **__: None)
    alerting._started_us = at(clock) - 3600 * SECOND
    turns = alerting.look(at(clock))
    assert {t.incident.rule for t in turns} == {"disk_low", "no_records"}
    waiting = {(m["name"].split()[1], m["way"]): m["not_before_us"] for m in messages.waiting()}
    assert waiting["no_records", "mail"] == 0
    for way in ("mail", "webhook"):
        held = waiting["disk_low", way]
        assert held == (at(clock) + round(wait * 3600) * SECOND if wait else 0)


def rules_of(
    file: StationFile, store: Store, now_us: int, free_mb: float = 1e6
) -> dict[tuple[str, str], Condition]:
    data = StationData.over(file, store)
    return {(c.rule, c.subject): c for c in conditions(data, now_us, now_us, Computer(free_mb))}


@pytest.fixture
def station(
    make_station: Callable[..., StationFile], sqlite_url: str, open_parts: Open
) -> tuple[StationFile, Store, Pipeline, Batch]:
    file = make_station()
    store, parts = open_parts(file, sqlite_url)
    return file, store, parts, own_line_stream()


def changed(batch: Batch, channel: str, rows: np.ndarray, value: float) -> Batch:
    values = batch.values.copy()
    values[rows, batch.channels.index(channel)] = value
    return replace(batch, values=values)


def test_a_quiet_station_raises_nothing(
    station: tuple[StationFile, Store, Pipeline, Batch],
) -> None:
    file, store, parts, batch = station
    parts.intake.take(batch)
    parts.settlement.settle()
    found = rules_of(file, store, int(batch.times[-1]) + MINUTE)
    assert {c.sight for c in found.values()} <= {"fine", "between"}
    assert found["no_records", "station"].sight == "fine"
    assert found["lid_stuck", "C1"].sight == "fine"


def test_records_of_2099_do_not_make_a_silent_station_look_alive(
    make_station: Callable[..., StationFile], database_url: str, open_parts: Open
) -> None:
    """Taken while this computer's clock was in doubt, and so many that they are no strays."""
    file = make_station()
    store, parts = open_parts(file, database_url)
    batch = own_line_stream()
    parts.intake.take(batch)
    ahead = part(batch, slice(0, 60))
    parts.intake.take(replace(ahead, times=ahead.times + 73 * 366 * DAY))
    newest = int(batch.times[-1])
    assert parts.intake.latest_us is not None
    assert parts.intake.latest_us > newest + 70 * 365 * DAY
    found = rules_of(file, store, newest + MINUTE)
    assert found["no_records", "station"].sight == "fine"
    found = rules_of(file, store, newest + 600 * MINUTE)
    silent = found["no_records", "station"]
    assert silent.sight == "wrong"
    assert "600 min" in silent.text


def test_a_clock_in_doubt_is_an_alert_and_says_nothing_of_records(
    station: tuple[StationFile, Store, Pipeline, Batch],
) -> None:
    file, store, parts, batch = station
    parts.intake.take(batch)
    now = int(batch.times[-1]) + 600 * MINUTE
    computer = Computer(1e6, clock_doubt="it jumped")
    found = {c.rule: c for c in conditions(StationData.over(file, store), now, now, computer)}
    assert found["computer_clock"].sight == "wrong"
    assert "it jumped" in found["computer_clock"].text
    assert found["no_records"].sight == "between", "neither begun nor ended by it"


def test_no_records_and_a_silent_analyzer(
    station: tuple[StationFile, Store, Pipeline, Batch],
) -> None:
    file, store, parts, batch = station
    half = len(batch) // 6
    parts.intake.take(part(batch, slice(0, half)))
    rest = part(batch, slice(half, None), tuple(c for c in batch.channels if c != "n2o"))
    parts.intake.take(rest)
    parts.settlement.settle()
    last = int(batch.times[-1])
    found = rules_of(file, store, last + 20 * MINUTE)
    assert found["no_records", "station"].sight == "between"
    assert rules_of(file, store, last + 31 * MINUTE)["no_records", "station"].sight == "wrong"
    assert found["analyzer_silent", "laser"].sight == "wrong"


def test_a_hot_chamber(station: tuple[StationFile, Store, Pipeline, Batch]) -> None:
    """Over 55 °C it is hot, until it is under 50."""
    file, store, parts, batch = station
    last = batch.times > batch.times[-1] - 5 * MINUTE
    hot = changed(changed(batch, "t_1", last, 55.5), "t_2", last, 52.0)
    parts.intake.take(hot)
    found = rules_of(file, store, int(batch.times[-1]))
    assert found["chamber_hot", "C1"].sight == "wrong"
    assert found["chamber_hot", "C2"].sight == "between"
    assert "55.5" in found["chamber_hot", "C1"].text


@pytest.mark.parametrize(("state", "words"), [(0.0, "stays open"), (2.0, "neither open nor")])
def test_a_lid_that_does_not_close(
    station: tuple[StationFile, Store, Pipeline, Batch], state: float, words: str
) -> None:
    file, store, parts, batch = station
    half = np.arange(len(batch)) > len(batch) // 3
    parts.intake.take(changed(batch, "lid_1", half, state))
    parts.settlement.settle()
    found = rules_of(file, store, int(batch.times[-1]))
    assert found["lid_stuck", "C1"].sight == "wrong"
    assert words in found["lid_stuck", "C1"].text
    assert "isolate the drive" in found["lid_stuck", "C1"].text
    assert found["lid_stuck", "C2"].sight != "wrong"


def test_a_lid_that_does_not_open(station: tuple[StationFile, Store, Pipeline, Batch]) -> None:
    file, store, parts, batch = station
    closed = np.flatnonzero(batch.values[:, batch.channels.index("lid_1")] == 1.0)
    from_here = np.arange(len(batch)) >= closed[0]
    parts.intake.take(changed(batch, "lid_1", from_here, 1.0))
    parts.settlement.settle()
    found = rules_of(file, store, int(batch.times[-1]))
    assert found["lid_stuck", "C1"].sight == "wrong"
    assert "has been closed since" in found["lid_stuck", "C1"].text


def test_leaks_need_two_closures_of_three(tmp_path: Path, open_parts: Open) -> None:
    """CO2 that does not rise, twice; and it is over after two good ones."""
    text = station_text().replace('gases = { N2O = "n2o" }', 'gases = { CO2 = "n2o" }')
    text = text.replace('unit = "nmol/mol"', 'unit = "umol/mol"')
    path = tmp_path / "station.toml"
    path.write_text(text.replace("precision = { N2O = 0.3 }", "precision = { CO2 = 0.3 }"))
    file = load_station(path)
    store, parts = open_parts(file, f"sqlite:///{tmp_path / 'x.db'}")
    batch = own_line_stream()
    rng = np.random.default_rng(2)
    n2o = batch.channels.index("n2o")
    lid = batch.values[:, batch.channels.index("lid_1")]
    starts = batch.times[np.flatnonzero((lid[1:] == 1) & (lid[:-1] != 1)) + 1]
    sights = []
    over = len(starts) - 1 if lid[-1] == 1 else len(starts)
    for back in ((), (1,), (3,), (2, 3), (1, 2), (4, 5)):
        bad = [over - k for k in back]
        values = batch.values.copy()
        for i in bad:
            rows = (batch.times >= starts[i]) & (batch.times < starts[i] + 6 * MINUTE)
            values[rows, n2o] = 330 + rng.normal(0, 0.3, np.count_nonzero(rows))
        fresh = f"sqlite:///{tmp_path / ('x' + str(len(sights)))}.db"
        store, parts = open_parts(file, fresh)
        parts.intake.take(replace(batch, values=values))
        parts.settlement.settle()
        found = rules_of(file, store, int(batch.times[-1]))
        sights.append(found["leak_suspected", "C1"].sight)
    assert sights == ["fine", "between", "fine", "wrong", "wrong", "fine"]


def test_incidents_are_kept_with_their_messages(
    make_station: Callable[..., StationFile], database_url: str, open_parts: Open
) -> None:
    """On both databases; the same once more adds nothing, and an end is another message."""
    file = make_station(extra=TELLING)
    store, _ = open_parts(file, database_url)
    messages = Messages(store, "small")
    free = 10.0

    def look(minute: int) -> list[Any]:
        alerting = Alerting(
            file, store, messages, {}, lambda: Computer(free), lambda *_, **__: None
        )
        alerting._started_us = 0
        return alerting.look(at("12:00") + minute * MINUTE)

    assert len(look(0)) == 2
    assert look(1) == []
    assert len(messages.waiting()) == 4
    free = 1e6
    (turn,) = look(2)
    assert turn.ended
    assert {m["name"].split()[-1] for m in messages.waiting()} == {"begun", "over"}
    assert [i.rule for i in messages.incidents(open_only=True)] == ["no_records"]
    assert len(messages.incidents()) == 2


def test_a_full_disk_is_told_although_nothing_can_be_kept(
    make_station: Callable[..., StationFile], sqlite_url: str, open_parts: Open,
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    """Told from memory at once, by the ways that work, and kept once the database is back;
    what was told is not told twice, and what was not goes on waiting.
    """
    from stream.alerts import outbox as module
    from stream.alerts.ways import NotTold
    from stream.errors import StoreError

    def quiet(*_: object, **__: object) -> None:
        pass

    def send(_: StationFile, message: Message) -> None:
        if message.way == "webhook":
            raise NotTold("away")
        sent.append((message.name.split()[1], message.way))

    file = make_station(extra=TELLING.replace('urgent = ["no_records"]', ""))
    store, _ = open_parts(file, sqlite_url)
    messages = Messages(store, "small")
    sent: list[tuple[str, str]] = []
    monkeypatch.setattr(module, "send", send)
    posts = {way: Outbox(file, messages, way, quiet) for way in WAYS}
    alerting = Alerting(file, store, messages, posts, lambda: Computer(10.0), quiet)
    real = messages.keep_incident

    def full(*_: object) -> None:
        raise StoreError("the disk is full")

    monkeypatch.setattr(messages, "keep_incident", full)
    alerting.look(at("12:00"))
    for _ in range(3):
        for way in WAYS:
            posts[way].look()
    assert sent == [("disk_low", "mail")]
    monkeypatch.setattr(messages, "keep_incident", real)
    alerting.look(at("12:01"))
    assert [i.rule for i in messages.incidents(open_only=True)] == ["disk_low"]
    assert [m["way"] for m in messages.waiting()] == ["webhook"]
    posts["mail"].look()
    assert sent == [("disk_low", "mail")]


def test_a_batch_of_nothing_is_no_reason(
    station: tuple[StationFile, Store, Pipeline, Batch],
) -> None:
    """Before the first record only its absence is told, counted from the start."""
    file, store, _, _ = station
    found = list(
        conditions(StationData.over(file, store), at("12:31"), at("12:00"), Computer(float("nan")))
    )
    assert [(c.rule, c.sight) for c in found] == [
        ("no_records", "wrong"),
        ("disk_low", "between"),
        ("computer_clock", "fine"),
        ("database_away", "fine"),
    ]
    assert tidy("x", np.empty(0, np.int64), {}, np.empty(0, np.int64)).records == 0


def test_every_rule_has_its_function() -> None:
    assert {*OF_RECORDS, *OF_COMPUTER} == set(RULES)
    assert not set(OF_RECORDS) & set(OF_COMPUTER)
