"""The committed samples: small, whole, and what the generator makes."""

import gzip
from pathlib import Path

from stream.demo.scenario import own_line, shared_analyzer
from stream.demo.write import write_station
from stream.station import load_station

SAMPLES = Path(__file__).parent.parent / "sample_streams"


def test_samples_are_what_the_generator_makes(tmp_path: Path) -> None:
    """Text files byte for byte; logs by their unpacked bytes, since packers differ."""
    for scenario in (own_line(), shared_analyzer()):
        write_station(scenario, tmp_path / scenario.id)
        made = sorted(p for p in (tmp_path / scenario.id).rglob("*") if p.is_file())
        kept = SAMPLES / scenario.id
        assert [p.relative_to(tmp_path / scenario.id) for p in made] == sorted(
            p.relative_to(kept)
            for p in kept.rglob("*")
            if p.is_file() and ".db" not in p.name and p.parent.name != "export"
        )
        for path in made:
            other = kept / path.relative_to(tmp_path / scenario.id)
            if path.suffix == ".gz":
                assert gzip.decompress(path.read_bytes()) == gzip.decompress(other.read_bytes())
            else:
                assert path.read_bytes() == other.read_bytes()


def test_samples_hold_what_they_promise() -> None:
    """Both kinds of station, twelve chambers, two treatments, three positions, a few MB."""
    kinds = set()
    for folder in ("vellmark", "serravale"):
        station = load_station(SAMPLES / folder / "station.toml").station
        kinds.add(station.analyzers[0].shared)
        assert len(station.chambers) == 12
        assert len({c.treatment for c in station.chambers}) == 2
        assert len({c.position for c in station.chambers}) == 3
    assert kinds == {False, True}
    size = sum(p.stat().st_size for p in SAMPLES.rglob("*.gz"))
    assert size < 8e6
