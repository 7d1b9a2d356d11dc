"""Logs of four chambers with a CO2 sensor in each, written with arithmetic alone.

Each chamber's CO2 rises by its own known slope while its lid is closed, and by nothing else.
"""

import re
import tomllib
from collections import defaultdict
from contextlib import closing
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from stream.cli.command import main
from stream.compute.replay import replay
from stream.station import load_station
from stream.store import open_store
from stream.store.results.readers import Reader

GAS_CONSTANT = 8.314462618
"""[J mol⁻¹ K⁻¹] CODATA 2018, exact."""
IDS = "ABCD"
SLOPES = dict(zip(IDS, (0.05, 0.1, 0.15, 0.2), strict=True))
"""CO2 [umol mol⁻¹ s⁻¹]."""
QUESTION = re.compile(r'("[^"]+"|\w+) = "\? [^"]*"')
ANSWERS = {
    "timezone": '"UTC"', "clock": '"+00:00"', "plot": '"1"', "treatment": '"bare"',
    "position": '"flat"', "height_m": "0.15", "elevation_m": "20.0", "basis": '"dry"',
    "latitude": "55.0", "longitude": "9.0", "breath_test": "2026-06-14",
    "tape_measured": "2026-06-14", "lag_s": "0.0", "CO2": "0.5", "N2O": "0.3",
    "area_m2": "0.25", "extra_volume_m3": "0.0", "positions": "{ flat = 1.0 }",
}  # fmt: skip
START = datetime(2026, 6, 15)  # noqa: DTZ001 - on the wall of the logger


def state_at(chamber: str, second: int) -> int:
    """0 open, 1 closed, 2 moving: closed for seven minutes of each hour, one after another."""
    since = (second - 60 - 900 * IDS.index(chamber)) % 3600
    return 1 if since < 420 else 2 if since >= 3570 else 0


def log(
    path: Path,
    *,
    delimiter: str = ";",
    header: str = "Date;Time;CO2_A [ppm];CO2_B [ppm];CO2_C [ppm];CO2_D [ppm];Lid_A;Lid_B;Lid_C;"
    "Lid_D;Temp_A [degC];Temp_B [degC];Temp_C [degC];Temp_D [degC];Baro [hPa]",
    words: tuple[str, str, str] = ("open", "closed", "moving"),
    step: int = 10,
    hours: int = 6,
    shift: float = 0.0,
    late: int = 0,
) -> Path:
    """Write a log; ``words`` are those of open, closed and moving lids.

    ``shift`` [umol/mol] and ``late`` [s] make it another station's.
    """
    path.parent.mkdir(exist_ok=True)
    lines = [header.replace(";", delimiter)]
    for s in range(0, hours * 3600, step):
        at = START + timedelta(seconds=s)
        noise = (s // step * 7919 % 13 - 6) / 20
        cells = [f"{at:%Y-%m-%d}", f"{at:%H:%M:%S}"]
        for k, chamber in enumerate(IDS):
            since = (s - late - 60 - 900 * k) % 3600
            rise = SLOPES[chamber] * since if since < 420 else 0.0
            cells.append(f"{425 + shift + noise + rise:.2f}")
        cells += [words[state_at(chamber, s - late)] for chamber in IDS]
        cells += ["18.50"] * 4 + ["1000.0"]
        lines.append(delimiter.join(cells))
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def draft(folder: Path) -> tuple[Path, dict]:
    """The drafted file of ``folder/in``, and as TOML."""
    path = folder / "station.toml"
    assert main(["draft", str(folder / "in"), "--out", str(path), "--id", "own"]) == 0
    return path, tomllib.loads(path.read_text(encoding="utf-8"))


def fluxes(path: Path, **answers: str) -> list[dict]:
    """Flux rows, once the questions are answered."""
    known = {**ANSWERS, **answers}
    text = path.read_text(encoding="utf-8")
    text = QUESTION.sub(lambda m: f"{m[1]} = {known[m[1].strip(chr(34))]}", text)
    path.write_text(text, encoding="utf-8")
    file = load_station(path)
    replay(file, [path.parent / "in"], file.database_url)
    with closing(open_store(file.database_url)) as store:
        return list(Reader(store, file.station.id).fluxes())


def true_flux(chamber: str) -> float:
    """Ideal gas: flux = slope · V / A · p / (R · T) [nmol m⁻² s⁻¹], V / A the height of 0.15 m."""
    return SLOPES[chamber] * 1000 * 0.15 * 100_000 / (GAS_CONSTANT * (273.15 + 18.5))


def means(rows: list[dict]) -> dict[str, float]:
    """Mean usable CO2 flux of each chamber."""
    found = defaultdict(list)
    for row in rows:
        if row["gas"] == "CO2" and row["quality"] == 1:
            found[row["chamber"]].append(row["flux_nmol_m2_s"])
    return {chamber: sum(values) / len(values) for chamber, values in found.items()}


def hold_against_the_truth(rows: list[dict]) -> None:
    """Every chamber's mean flux by the ideal gas law."""
    got = means(rows)
    assert len(got) == 4
    for value, chamber in zip(sorted(got.values()), IDS, strict=True):
        assert value == pytest.approx(true_flux(chamber), rel=0.05)
