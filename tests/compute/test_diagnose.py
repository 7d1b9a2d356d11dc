"""Lid and seal, by what all gases of a closure say together."""

from collections.abc import Callable

import numpy as np
import pytest
from small import T0, own_line_stream, part, stored

from stream.compute.closures.seal import seal_flags
from stream.compute.replay import Pipeline
from stream.errors import StationFileError
from stream.ingest.batches import Batch, tidy
from stream.science.quality.flags import BIT, bits_of
from stream.station import StationFile, load_station
from stream.station.models import ClosureRules
from stream.store import Store
from stream.store.results.readers import Reader
from stream.times import SECOND

Make = Callable[..., StationFile]
OpenParts = Callable[[StationFile, str], tuple[Store, Pipeline]]


def two_gases(file: StationFile, *closure: str) -> StationFile:
    """The small station with carbon dioxide beside nitrous oxide."""
    text = file.path.read_text()
    text = text.replace('gases = { N2O = "n2o" }', 'gases = { N2O = "n2o", CO2 = "co2" }')
    text = text.replace("[channels.n2o]", '[channels.co2]\nunit = "umol/mol"\n[channels.n2o]')
    text = text.replace("dead_band_s = 20.0", "\n".join(["dead_band_s = 20.0", *closure]))
    file.path.write_text(text)
    return load_station(file.path)


def stream(co2_slope: float, start: float = 420.0) -> Batch:
    """The small stream with CO2 that rises while a lid is closed, and falls back when open."""
    batch = own_line_stream()
    columns = {c: batch.values[:, j].copy() for j, c in enumerate(batch.channels)}
    rng = np.random.default_rng(3)
    t = batch.times / SECOND - T0
    rise = np.zeros(len(t))
    for i in (1, 2):
        closed = columns[f"lid_{i}"] == 1
        since = (t - 60 - 450 * (i - 1)) % 900
        rise = np.where(closed, co2_slope * since, rise)
    dry = start + rise + 0.1 * rng.standard_normal(len(t))
    columns["co2"] = dry * (1 - columns["h2o"] / 1e3)
    return tidy(batch.source, batch.times, columns, batch.lines)


def flags(file: StationFile, open_parts: OpenParts, url: str, batch: Batch) -> list[set[str]]:
    store, parts = open_parts(file, url)
    parts.intake.take(batch)
    parts.settlement.settle()
    reader = Reader(store, "small")
    by_row = [set(r["flags"].split()) for r in reader.fluxes() if r["revision"]]
    by_closure = [set(r["flags"].split()) for r in reader.closures() if r["revision"]]
    assert len(by_row) == 2 * len(by_closure) > 16
    for i, closure in enumerate(by_closure):
        seal = {"no_co2_rise", "leak_suspected", "not_flushed"}
        assert by_row[2 * i] & seal == by_row[2 * i + 1] & seal == closure & seal
    return by_closure


def test_carbon_dioxide_that_does_not_rise(
    make_station: Make, open_parts: OpenParts, database_url: str
) -> None:
    """A lid that does not seal; the same closures with 0.05 umol/mol a second are good."""
    file = two_gases(make_station())
    still = flags(file, open_parts, database_url, stream(0.0))
    # One closure in twenty passes the detection limit by chance.
    assert sum("no_co2_rise" in f for f in still) >= len(still) - 2
    store, _ = open_parts(file, database_url)
    rows = [r for r in Reader(store, "small").fluxes() if "no_co2_rise" in r["flags"]]
    assert {r["quality"] for r in rows} == {3}


def test_carbon_dioxide_that_rises(
    make_station: Make, open_parts: OpenParts, sqlite_url: str
) -> None:
    rising = flags(two_gases(make_station()), open_parts, sqlite_url, stream(0.05))
    assert not any(f & {"no_co2_rise", "leak_suspected", "start_off_ambient"} for f in rising)


def test_a_start_far_from_outside_air(
    make_station: Make, open_parts: OpenParts, sqlite_url: str
) -> None:
    """420 umol/mol outside: a headspace that begins at 620 was not flushed."""
    file = two_gases(make_station(), "ambient = { CO2 = 420000.0 }")
    for name, start, share in (("", 420.0, 0.0), ("2", 620.0, 1.0)):
        flags(file, open_parts, sqlite_url + name, stream(0.05, start=start))
        store, _ = open_parts(file, sqlite_url + name)
        rows = [r for r in Reader(store, "small").fluxes() if r["revision"]]
        off = {
            gas: np.mean(["start_off_ambient" in r["flags"] for r in rows if r["gas"] == gas])
            for gas in ("N2O", "CO2")
        }
        assert off == {"N2O": 0.0, "CO2": share}, "the gas that is off, and no other"


def shut_in(left: float, gases: tuple[str, ...] = ("n2o", "co2")) -> Batch:
    """From the third closure of each lid on, what it held in the end is left by a share."""
    batch = stream(0.05)
    columns = {c: batch.values[:, j].copy() for j, c in enumerate(batch.channels)}
    t = batch.times / SECOND - T0
    for i in (1, 2):
        since = t - 60 - 450 * (i - 1)
        closed = (columns[f"lid_{i}"] == 1) & (since >= 1800)
        held = {"n2o": 0.08 * i * -np.expm1(-7e-4 * 400) / 7e-4, "co2": 0.05 * 400}
        number = np.maximum(since // 900 - 1, 0)
        for gas in gases:
            # What is left of each closure adds up: left + left² + …
            more = held[gas] * left * (1 - left**number) / (1 - left)
            columns[gas] += np.where(closed, more, 0.0) * (1 - columns["h2o"] / 1e3)
    return tidy(batch.source, batch.times, columns, batch.lines)


def test_a_headspace_that_is_not_flushed(
    make_station: Make, open_parts: OpenParts, database_url: str
) -> None:
    """Six tenths are left from the third closure on. With outside air in the station file all
    of those are found; without it the first, before all start high alike.
    """
    known = two_gases(make_station(), "ambient = { N2O = 330.0, CO2 = 420000.0 }")
    found = flags(known, open_parts, database_url, shut_in(0.6))
    half = len(found) // 2 + 1
    for lid in (found[:half], found[half:]):
        assert ["not_flushed" in f for f in lid] == [n >= 2 for n in range(len(lid))]
    store, _ = open_parts(known, database_url)
    rows = [r for r in Reader(store, "small").fluxes() if "not_flushed" in r["flags"]]
    assert {r["quality"] for r in rows} == {3}


def test_without_outside_air_the_first_is_found(
    make_station: Make, open_parts: OpenParts, sqlite_url: str
) -> None:
    found = flags(two_gases(make_station()), open_parts, sqlite_url, shut_in(0.6))
    half = len(found) // 2 + 1
    for lid in (found[:half], found[half:]):
        assert "not_flushed" in lid[2]
        assert not any("not_flushed" in f for f in lid[:2])


def test_one_gas_alone_is_no_sign_of_it(
    make_station: Make, open_parts: OpenParts, sqlite_url: str
) -> None:
    """Carbon dioxide that gathers outside at night; and a tenth that is left of both."""
    known = two_gases(make_station(), "ambient = { N2O = 330.0, CO2 = 420000.0 }")
    for n, batch in enumerate((shut_in(0.6, gases=("co2",)), shut_in(0.1), stream(0.05))):
        found = flags(known, open_parts, f"{sqlite_url}{n}", batch)
        assert not any("not_flushed" in f for f in found)


def test_cut_anywhere_the_flags_are_the_same(
    make_station: Make, open_parts: OpenParts, sqlite_url: str
) -> None:
    """Settled after each piece: the closure before is known by what is stored of it."""
    file = two_gases(make_station(), "ambient = { N2O = 330.0, CO2 = 420000.0 }")
    batch = shut_in(0.6)
    whole, _ = open_parts(file, sqlite_url)
    flags(file, open_parts, sqlite_url, batch)
    cut, parts = open_parts(file, sqlite_url + "2")
    for first in range(0, len(batch), 173):
        parts.intake.take(part(batch, slice(first, first + 173)))
        parts.settlement.settle()
    assert stored(cut) == stored(whole)


def pressed(jump_pa: float, noise_pa: float) -> Batch:
    """Pressure each 4 s; it jumps when a lid closes, and is back when it opens."""
    batch = stream(0.05)
    columns = {c: batch.values[:, j].copy() for j, c in enumerate(batch.channels)}
    rng = np.random.default_rng(9)
    shut = (columns["lid_1"] == 1) | (columns["lid_2"] == 1)
    kpa = 99.5 + 1e-3 * (np.where(shut, jump_pa, 0.0) + noise_pa * rng.standard_normal(len(batch)))
    columns["p_air"] = np.where(np.arange(len(batch)) % 2 == 0, kpa, np.nan)
    return tidy(batch.source, batch.times, columns, batch.lines)


@pytest.mark.parametrize(
    ("jump_pa", "noise_pa", "share"),
    [(40.0, 3.0, 1.0), (-40.0, 3.0, 1.0), (5.0, 1.0, 0.0), (0.0, 60.0, 0.0)],
)
def test_pressure_that_jumps(
    make_station: Make,
    open_parts: OpenParts,
    sqlite_url: str,
    jump_pa: float,
    noise_pa: float,
    share: float,
) -> None:
    """Forty pascals either way are found, five are not, and noise of sixty is no jump."""
    found = flags(two_gases(make_station()), open_parts, sqlite_url, pressed(jump_pa, noise_pa))
    assert np.mean(["pressure_step" in f for f in found]) == share


def row(gas: str, reason: str, more: str = "") -> dict[str, object]:
    return {
        "gas": gas, "model": "linear", "model_reason": reason, "flags": bits_of(more.split()),
        "start_mole_fraction": 1.0, "flux_nmol_m2_s": 500.0, "flux_se_nmol_m2_s": 1.0,
    }  # fmt: skip


def test_every_gas_bends_too_sharply() -> None:
    """Two gases at least; one that is spoiled by something worse has no say."""
    rules = ClosureRules()
    sharp, plain = row("N2O", "curve_too_sharp"), row("CH4", "line_suffices")
    assert seal_flags([sharp, row("CO2", "curve_too_sharp")], rules) == BIT["leak_suspected"]
    assert seal_flags([sharp, plain], rules) == 0
    assert seal_flags([sharp], rules) == 0
    bad = row("CH4", "line_suffices", "flat_line")
    assert seal_flags([sharp, row("CO2", "curve_too_sharp"), bad], rules) == BIT["leak_suspected"]


def test_ambient_of_a_gas_that_nobody_measures(make_station: Make) -> None:
    with pytest.raises(StationFileError, match=r"closure\.ambient\.CH4: no analyzer measures it"):
        two_gases(make_station(), "ambient = { CH4 = 1900.0 }")
