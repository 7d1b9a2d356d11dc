"""Each thing that grows is added in one place: a flag, a kind of note, an alert, a column, a
view and a source are added to a copy of the package, and all the rest takes them from there.
"""

import csv
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import h5py
import pytest
from page_served import WORD
from small import own_line_stream, station_text, write_log

import stream

ADDED = (
    (
        "science/quality/flags_lid.py",
        "GAPS: Final = (\n",
        "GAPS: Final = (\n"
        '    Flag("badger", MISSING, "A badger sat on it.", "It was seen.", "Wait."),\n',
    ),
    (
        "note_kinds.py",
        'NoteKind("harvest", event=True, mark="h"),\n',
        'NoteKind("harvest", event=True, mark="h"),\n'
        '        NoteKind("grazing", "head/ha", "cattle let in", event=True, mark="c"),\n',
    ),
    ("alert_rules.py", "RULES: Final = {\n", 'RULES: Final = {\n    "quiet": "it is quiet",\n'),
    (
        "alerts/conditions.py",
        "\n\nOF_RECORDS: Final[dict[str, Callable[[RecordsNow], Iterator[Condition]]]] = {\n",
        '\n\ndef quiet(_: RecordsNow) -> Iterator[Condition]:\n    """Nothing is to be heard."""\n'
        '    yield Condition("quiet", "station", "wrong", "Nothing is to be heard.")\n'
        "\n\nOF_RECORDS: Final[dict[str, Callable[[RecordsNow], Iterator[Condition]]]] = {\n"
        '    "quiet": quiet,\n',
    ),
    (
        "columns.py",
        '    number("flux_nmol_m2_s", FLUX,',
        '    number("fit_se_nmol_m2_s", FLUX, "error of the fit", "What the fit leaves."),\n'
        '    number("flux_nmol_m2_s", FLUX,',
    ),
    ("columns.py", '"noise_ratio", "calibration_gain"', '"noise_ratio", "fit_se_nmol_m2_s"'),
    ("web/views/__init__.py", "import (\n", "import (\n    moon,\n"),
    ("web/views/__init__.py", "VIEWS: Final = (", "VIEWS: Final = (moon, "),
    (
        "station/sources.py",
        "AnySource = ",
        'class Metronome(Model):\n    """Beats."""\n\n    kind: Literal["metronome"]\n'
        '    path: str = ""\n    shown_name: str = "metronome"\n\n\nAnySource = Metronome | ',
    ),
    (
        "service/intakes.py",
        "\n\nINTAKES: Final[dict[type, Callable[[Wiring, int, Any], Intake]]] = {\n",
        "\n\nfrom stream.ingest import metronome\nfrom stream.station.sources import Metronome\n"
        "\n\nINTAKES: Final[dict[type, Callable[[Wiring, int, Any], Intake]]] = {\n"
        "    Metronome: lambda wiring, index, source: Intake(\n"
        '        "metronome", lambda stop, beat: metronome.run(wiring.inbox, index, stop)\n'
        "    ),\n",
    ),
)
"""Module, what stands there, and what is to stand there."""
NEW = {
    "web/views/moon.py": """\
from starlette.responses import PlainTextResponse
from starlette.routing import Route

ROUTES = [Route("/moon", lambda request: PlainTextResponse("waning"))]
""",
    "ingest/metronome.py": """\
import numpy as np

from stream.ingest.batches import tidy


def run(inbox, index, stop):
    from stream.service.inbox import Read

    times = 1_770_000_000_000_000 + np.arange(60) * 1_000_000
    beats = {"n2o": 331.0 + np.arange(60) % 2}
    inbox.put(Read(index, [(tidy("metronome", times, beats, np.arange(60)), None)]))
    stop.wait()
""",
}
LOOK = """\
import contextlib, json, sys
from contextlib import closing
from pathlib import Path
from inside import Inside
from page_client import alone
from stream.cli.command import main
from stream.alerts.conditions import Computer, conditions
from stream.science.quality.flags import bits_of, words
from stream.station import load_station
from stream.store import open_store
from stream.store.journal.journal import Journal
from stream.store.station_data import StationData

with contextlib.redirect_stdout(sys.stderr):
    for verb, *more in (
        ["check"],
        ["replay", "log.csv"],
        ["note", "eight of them", "--kind", "grazing", "--amount", "8"],
        ["export", "fluxes", "--out", "fluxes.csv"],
        ["export", "fluxes", "--out", "fluxes.nc"],
    ):
        assert main([verb, "station.toml", *more]) == 0, verb
file = load_station(Path("station.toml"))
found = {"flag": words(bits_of(["badger", "few_points"]))}
with closing(open_store(file.database_url)) as store:
    now = conditions(StationData.over(file, store), 1_770_000_000_000_000, 0, Computer(9e9))
    found["alerts"] = [(c.rule, c.text) for c in now]
with alone(file, file.database_url) as someone:
    found["moon"] = someone.ask("GET", "/moon")[:2]
    someone.sign_in()
    found["log"] = someone.ask("GET", "/log")[1]
    url = "sqlite:///beats.db"
with Inside(Path("metronome.toml"), url) as inside:
    def beats():
        with closing(open_store(url)) as store:
            return Journal(store, "small").extent().get("n2o", (0, 0, 0))[2]
    inside.until(beats)
    found["beats"] = beats()
print(json.dumps(found))
"""


@pytest.fixture(scope="module")
def tried(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A station, and the package with all that is added, in a folder."""
    folder = tmp_path_factory.mktemp("added")
    package = folder / "code" / "stream"
    # With the compiled kernels, which know their source by its time.
    shutil.copytree(Path(stream.__file__).parent, package)
    for name, old, new in ADDED:
        text = (package / name).read_text(encoding="utf-8")
        assert text.count(old) == 1, (name, old)
        (package / name).write_text(text.replace(old, new), encoding="utf-8")
    for name, text in NEW.items():
        (package / name).write_text(text, encoding="utf-8")
    page = '[page]\ntoken = "${TOKEN}"\n[alerts]\nrules = ["quiet"]'
    text = station_text(extra=f'{page}\n[database]\nurl = "sqlite:///small.db"')
    (folder / "station.toml").write_text(text, encoding="utf-8")
    beating = text.replace('kind = "folder"\npath = "incoming"', 'kind = "metronome"')
    assert beating != text
    (folder / "metronome.toml").write_text(beating, encoding="utf-8")
    write_log(own_line_stream(), folder / "log.csv")
    return folder


def _run(folder: Path, *arguments: str) -> str:
    support = Path(__file__).parent / "support"
    path = os.pathsep.join([str(folder / "code"), str(support)])
    done = subprocess.run(
        [sys.executable, *arguments],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": path, "TOKEN": WORD},
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_all_the_rest_takes_what_is_added_from_its_one_place(tried: Path) -> None:
    (tried / "look.py").write_text(LOOK, encoding="utf-8")
    found = json.loads(_run(tried, "look.py"))

    # A column: in the file, and with its unit and sentence beside it.
    with (tried / "fluxes.csv").open(encoding="utf-8") as lines:
        rows = list(csv.DictReader(lines))
    pairs = [(r["fit_se_nmol_m2_s"], r["flux_se_nmol_m2_s"]) for r in rows if r["flux_nmol_m2_s"]]
    assert len(pairs) > 5
    assert all(0 < float(of_fit) <= float(of_all) for of_fit, of_all in pairs)
    about = json.loads((tried / "fluxes.datapackage.json").read_text(encoding="utf-8"))
    (field,) = [
        f for f in about["resources"][0]["schema"]["fields"] if f["name"] == "fit_se_nmol_m2_s"
    ]
    assert (field["unit"], field["description"]) == ("nmol m-2 s-1", "What the fit leaves.")

    # A flag: in its place of the order, and in the meanings of files.
    assert found["flag"] == "few_points badger"
    with h5py.File(tried / "fluxes.nc") as file:
        meanings = str(file["flag_bits"].attrs["flag_meanings"])
    assert "badger" in meanings.split()
    # A kind of note: the command has taken it, and the page offers it and shows it.
    assert "cattle let in" in found["log"]
    assert "eight of them" in found["log"]
    # An alert, a view, a source.
    assert found["alerts"] == [["quiet", "Nothing is to be heard."]]
    assert found["moon"] == [200, "waning"]
    assert found["beats"] == 60
