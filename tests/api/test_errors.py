"""What cannot be answered is told in one line that says what to use instead."""

import sys
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import pytest

import stream
from stream.errors import MissingLibrary, QueryError

CASES: list[tuple[Callable[[stream.Station], object], str]] = [
    (lambda s: s.fluxes("NO2"), "gas NO2: the station measures N2O, CH4, CO2"),
    (lambda s: s.fluxes(chamber="Z9"), "chamber Z9: the station has A1, A2, "),
    (lambda s: s.closures(chamber="Z9"), "chamber Z9: the station has A1, A2, "),
    (lambda s: s.notes(chamber="Z9"), "chamber Z9: the station has A1, A2, "),
    (lambda s: s.gaps(chamber="Z9"), "chamber Z9: the station has A1, A2, "),
    (lambda s: s.daily("NO2"), "gas NO2: the station measures N2O, CH4, CO2"),
    (lambda s: s.records("n2"), "channel n2: the station has n2o, "),
    (
        lambda s: s.fluxes(unit="g N ha-1 d-1"),
        "unit: 'g N ha-1 d-1' does not apply to CH4, CO2; choose gas=('N2O',)",
    ),
    (
        lambda s: s.daily(unit="g N ha-1 d-1", start="2026-06-15", stop="2026-06-15"),
        "unit: 'g N ha-1 d-1' does not apply to CH4",
    ),
    (lambda s: s.fluxes("N2O", unit="kg"), "unit: flux unit 'kg' is not of the form"),
    (lambda s: s.fluxes(quality=5), "quality 5: unknown; the codes are 1 good, 2 not evaluated"),
    (lambda s: s.fluxes(quality="fine"), "quality 'fine': unknown; the codes are 1 good"),
    (lambda s: s.fluxes(start="June"), "start: 'June' is not a time; write 2026-06-10T04:00Z"),
    (lambda s: s.fluxes(start="2026-06-31"), "start: '2026-06-31' is not a day like 2026-06-01"),
    (
        lambda s: s.fluxes(start=datetime(2026, 6, 15, 4)),  # noqa: DTZ001
        "start: 2026-06-15 04:00:00 has no offset from UTC; write 2026-06-15T04:00Z for UTC",
    ),
    (
        lambda s: s.fluxes(start="2026-06-16", stop="2026-06-14"),
        "start: 2026-06-16 must be earlier than stop, 2026-06-14",
    ),
    (lambda s: s.fluxes(as_="polars"), "as_='polars': unknown; use one of pandas, arrow, xarray"),
    (lambda s: s.closure("Z9", "2026-06-15T04:00Z"), "chamber Z9: the station has A1"),
    (
        lambda s: s.closure("A1", "2026-06-15T04:00"),
        "when: 2026-06-15T04:00 has no offset",
    ),
    (lambda s: s.closure("A1", 5), "when: 5 is not a time; write 2026-06-10T04:00Z"),
    (lambda s: s.closure("A1", s.fluxes()["closed_at"]), "when: Series is not a time; write"),
    (lambda s: s.refit(None, None), "refit: give start and stop"),
    (lambda s: first(s).fit("NO2"), "gas NO2: chamber A1 has N2O, CH4, CO2"),
    (lambda s: first(s).fit(), "gas: say which: chamber A1 has N2O, CH4, CO2"),
    (lambda s: first(s).samples("NO2"), "gas NO2: chamber A1 has N2O, CH4, CO2"),
    (lambda s: first(s).fit("N2O", bounce_s=9), "bounce_s: decides which closures there are"),
    (lambda s: first(s).fit("N2O", deadband_s=9), "closure.deadband_s: unknown key; did you mean"),
    (lambda s: first(s).fit("N2O", dead_band_s="9"), "closure.dead_band_s: must be a number"),
    (lambda s: first(s).fit("N2O", default="cubic"), "models.default: "),
    (lambda s: first(s).fit("N2O").conf_int(5), "alpha=5: must lie between 0 and 1"),
    (
        lambda s: first(s).fit("CH4").flux_in("g N ha-1 d-1"),
        "unit: ",
    ),
    (lambda s: s.with_settings(page={"port": 1}), "page: not a setting to be tried; use one of"),
    (
        lambda s: s.with_settings(analyzers={"lazer": {"lag_s": 9.0}}),
        "analyzers: no 'lazer'; there are laser",
    ),
    (lambda s: stream.fit([1, 2], [3]), "seconds and mole_fraction must be as long as each other"),
    (lambda s: stream.fit([1, 2, 3], [3, 4, 5], model="cubic"), "model 'cubic': unknown; use one"),
    (lambda s: stream.fit([1, 2, 3], [3, 4, 5], se=0.0), "se: standard errors must be positive"),
    (
        lambda s: stream.fit([1, 2, 3], [3, 4, 5], volume_m3=0.03),
        "area_m2, temperature_c, pressure_pa: missing; a flux needs the whole headspace",
    ),
    (lambda s: s.fluxes([]), "gas: an empty list; leave gas out for all of them"),
    (lambda s: s.daily(chamber=()), "chamber: an empty list; leave chamber out"),
    (lambda s: s.records([]), "channel: an empty list; leave channel out"),
    (lambda s: s.fluxes(quality=[]), "quality: an empty list; leave quality out"),
    (lambda s: s.fluxes(stop="9999-12-31"), "stop: 9999-12-31 is beyond what a calendar holds"),
    (lambda s: s.with_settings(dead_band_s=3), "dead_band_s: give a section of the station file"),
    (lambda s: trial(s).gaps(), "gaps: a trial changes nothing that is stored"),
    (lambda s: trial(s).fluxes(), "fluxes: give start and stop; a trial works out a day"),
    (lambda s: trial(s).closures(), "closures: a trial changes nothing that is stored"),
    (lambda s: stream.fit([1, 2, 3], [3, 4, 5], candidates=[]), "candidates: an empty list"),
    (lambda s: stream.fit([1, 2, 3], [3, 4, 5], se=[1, 2]), "se must be one number or as long"),
    (lambda s: stream.fit([1, 2], ["a", "b"]), "mole_fraction: holds something that is no number"),
    (lambda s: stream.fit([1, 2], [3, 4], dead_band_s=-1), "dead_band_s: -1: must be 0 or more"),
    (lambda s: stream.flux(0.1, 0.04, 0.25, 20.0, 1013.25), "pressure_pa: 1013.25: outside"),
    (lambda s: stream.flux(0.1, 0.04, 0.25, [20, 293], 1e5), "temperature_c: 293: outside"),
    (
        lambda s: stream.fit([1, 2, 3], [3, 4, 5], gas="n2o").flux_in("ug N m-2 h-1"),
        "gas 'n2o' is not known; one of",
    ),
    (lambda s: stream.flux(0.1, 0.0, 0.25, 20.0, 101_325.0), "flux: volume must be positive"),
    (
        lambda s: stream.flux(0.1, 0.04, 0.25, 20.0, 101_325.0, unit="g N ha-1 d-1"),
        "unit 'g N ha-1 d-1': say of which gas, as in gas='N2O'",
    ),
]


def first(station: stream.Station) -> stream.Closure:
    """The first closure of chamber A1."""
    return station.closure("A1", station.closures(chamber="A1")["closed_at"].iloc[0])


def trial(station: stream.Station) -> stream.Station:
    """The station with another dead band."""
    return station.with_settings(closure={"dead_band_s": 45})


@pytest.mark.parametrize(("call", "told"), CASES, ids=[told[:40] for _, told in CASES])
def test_what_is_not_there_is_told_in_one_line(
    call: Callable[[stream.Station], object], told: str, own: stream.Station
) -> None:
    with pytest.raises(stream.LidstreamError) as caught:
        call(own)
    text = str(caught.value)
    assert told in text
    assert "\n" not in text
    assert "--" not in text


def test_no_closure_then_names_the_nearest(own: stream.Station) -> None:
    times = own.closures(chamber="A1")
    a, b = times["opened_at"].iloc[1], times["closed_at"].iloc[2]
    with pytest.raises(QueryError) as caught:
        own.closure("A1", a + (b - a) / 2)
    assert "chamber A1: no closure at 2026-06-15T" in str(caught.value)
    for near in (times["closed_at"].iloc[1], b):
        assert f"{near:%Y-%m-%dT%H:%M:%S}" in str(caught.value)


def test_a_closure_is_found_by_any_moment_of_it(own: stream.Station) -> None:
    row = own.closures(chamber="B3").iloc[2]
    begun, over = row["closed_at"], row["opened_at"]
    for when in (begun, begun + (over - begun) / 2, over, f"{begun:%Y-%m-%dT%H:%M}Z"):
        assert own.closure("B3", when).closed_at == begun


def test_no_station_file_no_database(own_path: Path, tmp_path: Path) -> None:
    with pytest.raises(stream.LidstreamError, match=r"none\.toml: no such file; give the path"):
        stream.open_station(tmp_path / "none.toml")
    alone = tmp_path / "alone.toml"
    alone.write_bytes(own_path.read_bytes())
    with pytest.raises(stream.LidstreamError, match=r"vellmark\.db: no such database; run"):
        stream.open_station(alone)
    assert list(tmp_path.iterdir()) == [alone]
    with pytest.raises(stream.LidstreamError, match="no database URL; write sqlite:///FILE"):
        stream.open_station(alone, "nowhere")
    (tmp_path / "vellmark.db").write_bytes(b"not a database at all" * 100)
    with pytest.raises(stream.LidstreamError, match="not an intact database"):
        stream.open_station(alone)


def test_a_station_that_is_closed_says_so(own_path: Path) -> None:
    with stream.open_station(own_path) as station:
        assert len(station.gaps()) >= 0
    with pytest.raises(QueryError, match="station vellmark is closed; open it again"):
        station.fluxes()
    assert "is closed" in repr(station)


@pytest.mark.parametrize(
    ("library", "call", "told"),
    [
        ("matplotlib.pyplot", lambda s: first(s).plot("N2O"), "python -m pip install matplotlib"),
        ("xarray", lambda s: s.gaps(as_="xarray"), "python -m pip install xarray"),
    ],
)
def test_a_missing_library_is_named_with_how_to_install_it(
    library: str,
    call: Callable[[stream.Station], object],
    told: str,
    own: stream.Station,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setitem(sys.modules, library, None)
    with pytest.raises(MissingLibrary, match=told) as caught:
        call(own)
    assert isinstance(caught.value, ImportError)


def test_passwords_of_others_need_not_be_known(own_path: Path, tmp_path: Path) -> None:
    """A scientist has the file and the database, and not the broker's password."""
    path = tmp_path / "station.toml"
    mqtt = (
        '\n[[sources]]\nkind = "mqtt"\nhost = "127.0.0.1"\ntopics = ["vellmark/#"]\n'
        'username = "vellmark"\npassword = "${NOBODY_TOLD_US}"\n'
    )
    path.write_text(own_path.read_text(encoding="utf-8") + mqtt, encoding="utf-8")
    database = f"sqlite:///{own_path.parent / 'vellmark.db'}"
    assert len(stream.open_station(path, database).fluxes("N2O", chamber="A1")) > 5
