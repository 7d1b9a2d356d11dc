"""A service that is killed again and again loses nothing; kills.py does it hundreds of times."""

from pathlib import Path

from kills import kill_and_compare


def test_thirty_kills(database_url: str, tmp_path: Path) -> None:
    """kill -9 at random moments; the kills hit work of every stage."""
    stages = kill_and_compare(tmp_path, database_url, 30, seed=3)
    print(dict(stages))
    assert stages.total() == 30
    assert stages["records committed, not settled"] >= 5
    assert stages["closures stored"] + stages["settled"] >= 1
