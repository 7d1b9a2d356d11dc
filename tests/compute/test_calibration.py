"""Fluxes in terms of the standards: a wrong or drifting gain is taken out, and told."""

from collections.abc import Callable
from dataclasses import fields, replace

import numpy as np
import pytest
from small import T0, own_line_stream, part, shared_stream, stored

from stream.compute.closures.calibrate import StandardVisits, calibrated
from stream.compute.closures.evaluate import as_lid
from stream.compute.closures.points import Points
from stream.compute.replay import Pipeline
from stream.errors import StationFileError
from stream.ingest.batches import Batch, tidy
from stream.science.flux.calibration import Kind
from stream.science.quality.flags import words
from stream.station import StationFile, load_station
from stream.store import Store
from stream.store.results.readers import Reader
from stream.times import SECOND

Make = Callable[..., StationFile]
OpenParts = Callable[[StationFile, str], tuple[Store, Pipeline]]
Change = Callable[[np.ndarray, np.ndarray], np.ndarray]


def shown(change: Change, seed: int = 1) -> Batch:
    """The shared stream as an analyzer with this response shows it: of seconds and truth."""
    batch = shared_stream(seed=seed)
    columns = {c: batch.values[:, j].copy() for j, c in enumerate(batch.channels)}
    dry = columns["n2o"] / (1 - columns["h2o"] / 1e3)
    columns["n2o"] = change(batch.times / SECOND - T0, dry) * (1 - columns["h2o"] / 1e3)
    return tidy(batch.source, batch.times, columns, batch.lines)


def fluxes(
    file: StationFile, open_parts: OpenParts, url: str, batch: Batch
) -> list[dict[str, object]]:
    store, parts = open_parts(file, url)
    parts.intake.take(batch)
    parts.settlement.settle()
    return [r for r in Reader(store, "small").fluxes() if r["revision"]]


def with_response(file: StationFile, *lines: str) -> StationFile:
    text = file.path.read_text().replace("flush_s = 20.0", "\n".join(["flush_s = 20.0", *lines]))
    file.path.write_text(text)
    return load_station(file.path)


def column(rows: list[dict[str, object]], name: str) -> np.ndarray:
    return np.array([r[name] for r in rows], dtype=float)


TRUE = np.array([0.1, 0.2])
"""Initial slopes of the two chambers [nmol mol⁻¹ s⁻¹]."""


def slopes_over_truth(rows: list[dict[str, object]]) -> np.ndarray:
    truth = np.array([TRUE[int(str(r["chamber"])[1]) - 1] for r in rows])
    return column(rows, "slope_nmol_mol_s") / truth


def test_a_wrong_gain_is_taken_out(
    make_station: Make, open_parts: OpenParts, sqlite_url: str
) -> None:
    """Six per cent too much: the slopes are those of the truth; left alone they are not."""
    file = make_station(shared=True)
    high = shown(lambda t, x: 1.06 * x)
    rows = fluxes(file, open_parts, sqlite_url, high)
    plain = fluxes(file, open_parts, sqlite_url + "2", shown(lambda t, x: x))
    assert len(rows) == len(plain) >= 10
    truth = column(plain, "slope_nmol_mol_s")
    np.testing.assert_allclose(column(rows, "slope_nmol_mol_s"), truth, rtol=1e-3)
    assert np.median(slopes_over_truth(rows)) == pytest.approx(1.0, abs=0.03)
    assert column(rows, "calibration_gain") == pytest.approx(1 / 1.06, rel=1e-3)
    off = with_response(file, 'response = "none"')
    raw = fluxes(off, open_parts, sqlite_url + "3", high)
    assert np.isnan(column(raw, "calibration_gain")).all()
    np.testing.assert_allclose(column(raw, "slope_nmol_mol_s"), 1.06 * truth, rtol=5e-3)


def test_a_drift_is_taken_out_for_the_most_part(
    make_station: Make, open_parts: OpenParts, sqlite_url: str
) -> None:
    """Four per cent in an hour and a half make a false slope of 2.6e-3 a second on 330; what
    is left of it comes from points after the last standard of their closure, which is held.
    """
    drifting = shown(lambda t, x: (0.97 + 8e-6 * t) * x)
    file = make_station(shared=True)
    plain = fluxes(file, open_parts, sqlite_url, shown(lambda t, x: x))
    rows = fluxes(file, open_parts, sqlite_url + "2", drifting)
    raw = fluxes(with_response(file, 'response = "none"'), open_parts, sqlite_url + "3", drifting)
    truth = column(plain, "slope_nmol_mol_s")
    left = np.abs(column(rows, "slope_nmol_mol_s") - truth)
    false = np.abs(column(raw, "slope_nmol_mol_s") - truth * 0.99)
    assert np.median(false) > 2e-3
    assert np.median(left) < 0.75 * np.median(false)
    assert left.max() < 2.6e-3


def test_the_uncertainty_of_a_standard_reaches_the_flux(
    make_station: Make, open_parts: OpenParts, sqlite_url: str
) -> None:
    """A standard good to 2 % makes no flux better than that, on top of the rest."""
    batch = shown(lambda t, x: x)
    file = make_station(shared=True)
    before = fluxes(file, open_parts, sqlite_url, batch)
    text = file.path.read_text().replace("value = 1000.0", "value = 1000.0\nuncertainty = 20.0")
    file.path.write_text(text)
    after = fluxes(load_station(file.path), open_parts, sqlite_url + "2", batch)
    added = np.sqrt(
        column(after, "flux_se_nmol_m2_s") ** 2 - column(before, "flux_se_nmol_m2_s") ** 2
    )
    np.testing.assert_allclose(added / np.abs(column(after, "flux_nmol_m2_s")), 0.02, rtol=0.01)
    np.testing.assert_allclose(
        column(after, "flux_nmol_m2_s"), column(before, "flux_nmol_m2_s"), rtol=1e-3
    )


def test_two_standards_take_out_an_offset_too(
    make_station: Make, open_parts: OpenParts, sqlite_url: str
) -> None:
    """Port 0 draws ambient air of 330 between closures; here it is a standard as well."""
    file = make_station(shared=True)
    second = '[[analyzers.standards]]\nport = 0\ngas = "N2O"\nvalue = 330.0\n[[chambers]]'
    file.path.write_text(file.path.read_text().replace("[[chambers]]", second, 1))
    file = load_station(file.path)
    rows = fluxes(file, open_parts, sqlite_url, shown(lambda t, x: 25.0 + 1.1 * x))
    assert column(rows, "calibration_gain")[2:] == pytest.approx(1 / 1.1, rel=2e-3)
    starts = column(rows, "start_mole_fraction")[2:]
    np.testing.assert_allclose(starts, 330.0, atol=1.5)
    assert np.median(slopes_over_truth(rows[2:])) == pytest.approx(1.0, abs=0.03)


def test_no_standard_visited(make_station: Make, open_parts: OpenParts, sqlite_url: str) -> None:
    """The valve of the standard's port does not open: as measured, and said."""
    batch = shared_stream()
    columns = {c: batch.values[:, j].copy() for j, c in enumerate(batch.channels)}
    columns["port"][columns["port"] == 9] = 8
    file = make_station(shared=True)
    changed = tidy(batch.source, batch.times, columns, batch.lines)
    for r in fluxes(file, open_parts, sqlite_url, changed):
        assert "calibration_overdue" in str(r["flags"]).split()
        assert r["quality"] == 3
        assert r["flux_nmol_m2_s"] is not None
        assert r["calibration_gain"] is None
    good = fluxes(file, open_parts, sqlite_url + "2", shared_stream())
    assert not any("calibration" in str(r["flags"]) for r in good)


def test_a_standard_stands_for_a_while_only(
    make_station: Make, open_parts: OpenParts, sqlite_url: str
) -> None:
    """Not visited after the first 900 s: by default its visits stand for six hours."""
    batch = shared_stream()
    columns = {c: batch.values[:, j].copy() for j, c in enumerate(batch.channels)}
    late = (columns["port"] == 9) & (batch.times / SECOND - T0 > 900)
    columns["port"][late] = 8
    changed = tidy(batch.source, batch.times, columns, batch.lines)
    file = make_station(shared=True)
    stands = fluxes(file, open_parts, sqlite_url, changed)
    assert not any("calibration_overdue" in str(r["flags"]) for r in stands)
    short = with_response(file, "standard_hold_s = 1200.0")
    rows = fluxes(short, open_parts, sqlite_url + "2", changed)
    for r in rows:
        after_s = int(str(r["closed_us"])) / SECOND - T0
        # The last visits began within 900 s.
        assert ("calibration_overdue" in str(r["flags"])) == (after_s > 2100), after_s


def test_a_standard_that_wanders_is_said(
    make_station: Make, open_parts: OpenParts, sqlite_url: str
) -> None:
    """Its cylinder runs empty: what it shows falls by a tenth within an hour."""
    batch = shown(lambda t, x: np.where(x > 900, x * (1 - 0.1 * np.clip(t / 3600, 0, 1)), x))
    rows = fluxes(make_station(shared=True), open_parts, sqlite_url, batch)
    flagged = ["calibration_poor" in str(r["flags"]).split() for r in rows]
    assert not flagged[0]
    assert flagged[-1]


def test_an_analyzer_that_shows_every_standard_alike(
    make_station: Make, open_parts: OpenParts, sqlite_url: str
) -> None:
    """Stuck on one value at both standards: as measured, said, and no end of the service."""
    file = make_station(shared=True)
    second = '[[analyzers.standards]]\nport = 8\ngas = "N2O"\nvalue = 330.0\n[[chambers]]'
    file.path.write_text(file.path.read_text().replace("[[chambers]]", second, 1))
    batch = shared_stream()
    columns = {c: batch.values[:, j].copy() for j, c in enumerate(batch.channels)}
    half = np.flatnonzero(columns["port"] == 9)
    columns["n2o"][half] = 400.0
    columns["port"][half[(half // 15) % 2 == 0]] = 8
    stuck = tidy(batch.source, batch.times, columns, batch.lines)
    for r in fluxes(load_station(file.path), open_parts, sqlite_url, stuck):
        assert "calibration_poor" in str(r["flags"]).split()
        assert r["calibration_gain"] is None
        assert r["flux_nmol_m2_s"] is not None


def test_cut_anywhere_the_calibrated_rows_are_the_same(
    make_station: Make, open_parts: OpenParts, sqlite_url: str
) -> None:
    """To the bit, settled after each piece; a late standard makes a new revision."""
    file = make_station(shared=True)
    batch = shown(lambda t, x: (0.97 + 8e-6 * t) * x)
    whole, _ = open_parts(file, sqlite_url)
    fluxes(file, open_parts, sqlite_url, batch)
    cut, parts = open_parts(file, sqlite_url + "2")
    for first in range(0, len(batch), 171):
        parts.intake.take(part(batch, slice(first, first + 171)))
        parts.settlement.settle()
    assert stored(cut) == stored(whole)
    late_store, late_parts = open_parts(file, sqlite_url + "3")
    standard = batch.values[:, batch.channels.index("port")] == 9
    late = standard & (np.abs(batch.times / SECOND - T0 - 1200) < 150)
    assert late.any()
    late_parts.intake.take(part(batch, ~late))
    late_parts.settlement.settle()
    late_parts.intake.take(part(batch, late))
    assert late_parts.settlement.settle().written["closures", "revised"] > 0
    current = {
        (r["chamber"], r["closed_us"], r["gas"]): r["flux_nmol_m2_s"]
        for r in Reader(late_store, "small").fluxes()
    }
    expected = {
        (r["chamber"], r["closed_us"], r["gas"]): r["flux_nmol_m2_s"]
        for r in Reader(whole, "small").fluxes()
    }
    assert current == expected


def gas_chromatograph(file: StationFile, *lines: str) -> StationFile:
    """The shared station with a detector in place of the laser: areas, one row an injection."""
    text = file.path.read_text()
    injecting = "\n".join(['sampling = "injections"', 'basis = "dry"', "lag_s = 90.0", *lines])
    unit = 'unit = "nmol/mol"'
    standards = ["value = 1000.0", unit]
    for port, value in ((8, 330.0), (7, 600.0)):
        standards += ["[[analyzers.standards]]", f"port = {port}", 'gas = "N2O"']
        standards += [f"value = {value}", unit]
    for old, new in (
        ('"nmol/mol"\nrange = [0.0, 20000.0]', '"count s"'),
        ('basis = "wet"\nwater_channel = "h2o"\nlag_s = 4.0', injecting),
        ("precision = { N2O = 0.3 }", "precision = { N2O = 4.0 }"),
        ("flush_s = 20.0", "flush_s = 0.0"),
        ("value = 1000.0", "\n".join(standards)),
        ("max_duration_s = 1200.0", "max_duration_s = 5400.0"),
    ):
        assert old in text, old
        text = text.replace(old, new)
    file.path.write_text(text)
    return load_station(file.path)


def injections(hours: float = 5.0, *, standards: bool = True) -> Batch:
    """A bent, drifting detector: an injection each 3 min, recorded 90 s after; two lids are
    closed for 48 min of each 75; ports 1 and 2 by turns, standards 7, 8, 9 every 15 min.
    """
    rng = np.random.default_rng(4)
    t = T0 + np.arange(0, round(hours * 3600), 30)
    since = (t - T0 - 600) % 4500
    closed = (since < 2880) & (t >= T0 + 600)
    number = (t - T0 - 90) // 180
    port = np.array([9, 1, 2, 8, 1, 2, 7, 1, 2, 0])[number % 10]
    taken = (t - 90 - T0 - 600) % 4500
    rise = np.where(taken < 2880, -np.expm1(-2e-4 * taken) / 2e-4, 0.0)
    gas = np.select([port == 9, port == 8, port == 7], [1000.0, 330.0, 600.0], 330.0)
    for i in (1, 2):
        gas = np.where(port == i, 330.0 + 0.05 * i * rise, gas)
    area = (8.0 * gas - 1.2e-3 * gas**2) * (1.0 + 3e-6 * (t - T0))
    injected = (t - T0 - 90) % 180 == 0
    area = np.where(injected, area + 4.0 * rng.standard_normal(len(t)), np.nan)
    port = np.where(injected, port, np.nan)
    if not standards:
        port[port > 2] = 0
    columns = {"n2o": area, "port": port.astype(float), "p_air": np.full(len(t), 99.5)}
    for i in (1, 2):
        columns |= {f"lid_{i}": closed.astype(float), f"t_{i}": np.full(len(t), 20.0)}
    return tidy("made.csv", t * SECOND, columns, np.arange(2, len(t) + 2))


def test_peak_areas_on_a_port_selector(
    make_station: Make, open_parts: OpenParts, sqlite_url: str
) -> None:
    """A detector that bends by a seventh and drifts by 5 % in 5 h: slopes as of the truth, with
    three standards and a parabola; with a line the bend is left in, and said.
    """
    file = gas_chromatograph(make_station(shared=True), 'response = "quadratic"')
    rows = fluxes(file, open_parts, sqlite_url, injections())
    assert len(rows) >= 6
    for r in rows:
        truth = 0.05 * int(str(r["chamber"])[1])
        assert 4 <= int(str(r["points"])) <= 5
        assert r["slope_nmol_mol_s"] == pytest.approx(truth, rel=0.12)
        assert r["model"] == "saturating"
        assert abs(r["start_mole_fraction"] - 330.0) < 8.0  # type: ignore[operator]
        assert r["calibration_gain"] == pytest.approx(1 / 7.2, rel=0.12)
        assert "calibration" not in str(r["flags"])
    straight = gas_chromatograph(make_station(shared=True), 'response = "linear"')
    poor = fluxes(straight, open_parts, sqlite_url + "2", injections())
    assert all("calibration_poor" in str(r["flags"]) for r in poor)


def test_peak_areas_without_standards_make_no_flux(
    make_station: Make, open_parts: OpenParts, sqlite_url: str
) -> None:
    file = gas_chromatograph(make_station(shared=True))
    rows = fluxes(file, open_parts, sqlite_url, injections(standards=False))
    assert rows
    for r in rows:
        assert "no_calibration" in str(r["flags"]).split()
        assert (r["quality"], r["flux_nmol_m2_s"], r["points"]) == (9, None, 0)
        assert all(m["flux_nmol_m2_s"] is None for m in r["models"].values())  # type: ignore[attr-defined]


def test_cut_anywhere_peak_areas_are_the_same(
    make_station: Make, open_parts: OpenParts, sqlite_url: str
) -> None:
    """To the bit, with a lag of 90 s after the opening and a wait for the standards."""
    file = gas_chromatograph(make_station(shared=True), "standard_wait_s = 1300.0")
    batch = injections()
    whole, _ = open_parts(file, sqlite_url)
    rows = fluxes(file, open_parts, sqlite_url, batch)
    cut, parts = open_parts(file, sqlite_url + "2")
    for first in range(0, len(batch), 7):
        parts.intake.take(part(batch, slice(first, first + 7)))
        parts.settlement.settle()
    assert stored(cut) == stored(whole)
    assert len(rows) >= 6


def test_waiting_for_the_standard_brackets_the_closure(
    make_station: Make, open_parts: OpenParts, sqlite_url: str
) -> None:
    """With a standard visited once between closures only, a drift of 4 % in 1.5 h is held
    from the visit before; with a wait it is bracketed, and gone.
    """
    batch = shared_stream()
    t = batch.times / SECOND - T0
    columns = {c: batch.values[:, j].copy() for j, c in enumerate(batch.channels)}
    truth = np.where(columns["port"] == 9, 330.0, columns["n2o"] / (1 - columns["h2o"] / 1e3))
    columns["port"][columns["port"] == 9] = 8
    between_closures = (t - 60) % 900 > 740
    columns["port"][between_closures] = 9
    truth = np.where(between_closures, 1000.0, truth)
    columns["n2o"] = (0.97 + 8e-6 * t) * truth * (1 - columns["h2o"] / 1e3)
    drifting = tidy(batch.source, batch.times, columns, batch.lines)
    plain = fluxes(make_station(shared=True), open_parts, sqlite_url, shared_stream())
    file = make_station(shared=True)
    held = fluxes(file, open_parts, sqlite_url + "2", drifting)
    waits = with_response(file, "standard_wait_s = 240.0")
    rows = fluxes(waits, open_parts, sqlite_url + "3", drifting)
    expected = {(r["chamber"], r["closed_us"]): float(str(r["slope_nmol_mol_s"])) for r in plain}

    def off(found: list[dict[str, object]]) -> float:
        apart = [
            abs(
                float(str(r["slope_nmol_mol_s"]))
                - float(str(expected[r["chamber"], r["closed_us"]]))
            )
            for r in found[2:]
        ]
        return float(np.median(apart))

    assert off(held) > 2e-3
    assert off(rows) < 0.2 * off(held)


def test_an_own_line_with_a_channel_that_says_when_a_standard_flows(
    make_station: Make, open_parts: OpenParts, sqlite_url: str
) -> None:
    """Five per cent too much, seen on a standard that flows for a minute between closures."""
    batch = own_line_stream()
    t = batch.times / SECOND - T0
    columns = {c: batch.values[:, j].copy() for j, c in enumerate(batch.channels)}
    flows = np.zeros(len(t))
    flows[((t % 900 > 12) & (t % 900 < 54)) | ((t % 900 > 462) & (t % 900 < 506))] = 9.0
    dry = np.where(flows == 9.0, 1000.0, columns["n2o"] / (1 - columns["h2o"] / 1e3))
    columns["n2o"] = 1.05 * dry * (1 - columns["h2o"] / 1e3)
    columns["calibrating"] = flows
    text = make_station().path.read_text()
    text = text.replace("[channels.p_air]", '[channels.calibrating]\nunit = "1"\n[channels.p_air]')
    more = 'flush_s = 10.0\nstandard_channel = "calibrating"'
    text = text.replace("lag_s = 4.0", f"lag_s = 4.0\n{more}")
    standard = '[[analyzers.standards]]\nport = 9\ngas = "N2O"\nvalue = 1000.0\n[[chambers]]'
    file = make_station()
    file.path.write_text(text.replace("[[chambers]]", standard, 1))
    file = load_station(file.path)
    high = fluxes(file, open_parts, sqlite_url, tidy("made.csv", batch.times, columns, batch.lines))
    plain = fluxes(make_station(), open_parts, sqlite_url + "2", batch)
    assert len(high) == len(plain)
    assert column(high, "calibration_gain") == pytest.approx(1 / 1.05, rel=1e-3)
    np.testing.assert_allclose(
        column(high, "slope_nmol_mol_s"), column(plain, "slope_nmol_mol_s"), rtol=2e-3
    )


def test_a_response_that_its_standards_do_not_bear_is_named(make_station: Make) -> None:
    file = make_station(shared=True)
    with pytest.raises(StationFileError, match=r"response: 'linear' needs 2 standards"):
        with_response(file, 'response = "linear"')


@pytest.mark.parametrize("areas", [False, True])
@pytest.mark.parametrize("kind", ["offset", "factor", "linear", "quadratic"])
def test_many_closures_at_once_are_as_each_by_itself(
    make_station: Make, kind: Kind, areas: bool
) -> None:
    """To the bit and flag by flag: also a single point, standards that are shown alike, that
    wander, that were not visited lately, and a closure without points.
    """
    analyzer = make_station(shared=True).station.analyzers[0]
    rng = np.random.default_rng(11)
    visit = T0 * SECOND + 3600 * SECOND * np.arange(60)
    standards = []
    for level in (300.0, 700.0, 1200.0):
        value = level * (1.01 + 0.001 * np.sin(np.arange(60.0))) + rng.normal(0.0, 0.3, 60)
        value[20:28] = 500.0
        value[40:43] *= 1.2
        value[50] = np.nan
        error = rng.uniform(0.1, 0.4, 60)
        standards.append(
            StandardVisits(level, 0.5, visit, visit + SECOND, visit + SECOND // 2, value, error)
        )
    lids, points = [], []
    for hour, count in enumerate(rng.integers(0, 9, 80).tolist()):
        closed = int(T0 * SECOND + (hour + 0.5) * 3600 * SECOND)
        lids.append(as_lid(closed, closed + 1200 * SECOND))
        t, w = np.sort(rng.uniform(60.0, 1200.0, count)), rng.uniform(0.5, 4.0, count)
        known = hour % 3 > 0
        points.append(Points(t, rng.uniform(320, 900, count), w, known, 1.0, closed, 0.01, 2))
    points[5] = replace(points[5], t=points[4].t[:1], y=points[4].y[:1], w=points[4].w[:1])
    assert {len(p.t) for p in points} >= {0, 1, 8}
    together = calibrated(points, lids, standards, analyzer, kind, areas=areas)
    for p, lid, got in zip(points, lids, together, strict=True):
        (alone,) = calibrated([p], [lid], standards, analyzer, kind, areas=areas)
        assert repr(as_lists(got)) == repr(as_lists(alone))
    flags = {flag for p in together for flag in words(p.flags).split()}
    # A single standard's level is a response whatever is shown.
    lost = "no_calibration" if areas else "calibration_overdue"
    assert flags >= {lost, "calibration_poor"}


def as_lists(points: Points) -> list[object]:
    """Everything that points hold."""
    values = (getattr(points, f.name) for f in fields(points))
    return [v.tolist() if isinstance(v, np.ndarray) else v for v in values]
