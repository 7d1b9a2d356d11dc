"""What the station page answers, and to whom."""

import json
import re
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from page_client import Client, alone
from page_served import WORD, Served
from small import own_line_stream

from stream.compute.replay import Pipeline
from stream.report.export import export
from stream.secret import Secret
from stream.station import StationFile
from stream.store import Store, open_store
from stream.store.results.readers import Reader
from stream.store.station_data import StationData
from stream.web.security import Rate, is_token
from stream.web.views.now import plan_of
from stream.web.views.series import thinned

Open = Callable[[StationFile, str], tuple[Store, Pipeline]]


@given(
    y=st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=400),
    steps=st.integers(1, 30),
    gaps=st.lists(st.integers(1, 10_000), min_size=400, max_size=400),
)
def test_thinning_keeps_every_extreme(y: list[float], steps: int, gaps: list[int]) -> None:
    """The first, the last, and of each step of time the least and the greatest."""
    values = np.array(y)
    t = np.cumsum(np.array(gaps[: len(y)], dtype=np.int64))
    kept = thinned(t, values, steps)
    assert (np.diff(kept) > 0).all()
    assert {0, len(y) - 1} <= set(kept.tolist())
    assert len(kept) <= max(4 * steps, 2)
    assert values[kept].min() == values.min()
    assert values[kept].max() == values.max()
    span = max(1, int(t[-1] - t[0]))
    step = np.minimum(((t - t[0]) * float(steps) / span).astype(int), steps - 1)
    for s in set(step.tolist()):
        mine, left = values[step == s], values[kept[step[kept] == s]]
        assert (mine.min(), mine.max()) == (left.min(), left.max())


def test_a_rate() -> None:
    """So many in a while, each client by itself; after the while, again."""
    now = [0.0]
    rate = Rate(3, 60.0, lambda: now[0])
    assert [rate.allows("a") for _ in range(5)] == [True, True, True, False, False]
    assert rate.allows("b")
    now[0] = 60.1
    assert rate.allows("a")


def test_words_and_keys() -> None:
    assert is_token("x", Secret("x"))
    assert not is_token("x", Secret("y"))
    assert not is_token("", None)


def test_every_answer_forbids_what_is_not_ours(served: Served) -> None:
    for path in ("/", "/data/series", "/static/page.css", "/nothing", "/day/2026-06-16"):
        _, headers, _ = served.get(path)
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "frame-ancestors 'none'" in policy
        assert "unsafe" not in policy
        assert headers["x-content-type-options"] == "nosniff"
    for path in ("/", "/series", "/closure/A1/1"):
        body = served.get(path)[2].decode()
        assert not re.search(r'(?:src|href|action)="(?:https?:)?//', body)
        assert "style=" not in body
        assert "onclick" not in body


def test_what_is_not_there(served: Served) -> None:
    for path in ("/nothing", "/closure/A1/1", "/closure/Z/5", "/day/9999-01-01", "/day/x"):
        status, _, body = served.get(path)
        assert (path, status) == (path, 404)
        assert b"Traceback" not in body
    assert served.get("/download?what=everything")[0] == 404
    assert served.get("/static/../app.py")[0] == 404
    status, _, body = served.get("/download?what=fluxes&from=yesterday")
    assert status == 400
    assert b"is not a day" in body


def test_another_host_is_refused(served: Served) -> None:
    """Somebody else's name for this address (DNS rebinding) gets nothing."""
    assert served.get("/", Host="evil.example")[0] == 400


def test_without_signing_in_nobody_writes(served: Served) -> None:
    client = Client(served.base)
    form = {"form": client.word(), "kind": "other", "text": "x", "key": "k"}
    assert client.ask("POST", "/log", form)[0] == 403
    assert client.ask("POST", "/log/1/take-back", form)[0] == 403
    assert client.ask("POST", "/log", {"kind": "other", "text": "x"})[0] == 403


def test_a_form_of_somebody_else_is_refused(served: Served) -> None:
    """Without our word, with another session's, or sent from another page (RFC 6454 origin)."""
    client, other = Client(served.base), Client(served.base)
    assert client.sign_in() == 303
    word = client.word("/log")
    note = {"kind": "other", "text": "x", "key": "somebody else"}
    assert client.ask("POST", "/log", note)[0] == 403
    assert client.ask("POST", "/log", {**note, "form": other.word()})[0] == 403
    wrong = client.ask("POST", "/log", {**note, "form": word}, Origin="http://evil.example")
    assert wrong[0] == 403
    right = client.ask("POST", "/log", {**note, "form": word}, Origin=served.base)
    assert right[0] == 303


def test_the_cookie_is_for_us_alone(served: Served) -> None:
    client = Client(served.base)
    _, _, headers = client.ask("GET", "/sign-in")
    cookie = headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie
    assert WORD not in cookie


def test_guessing_is_slow(
    make_station: Callable[..., StationFile], sqlite_url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Five tries a minute, right or wrong."""
    monkeypatch.setenv("LIDSTREAM_PAGE_WORD", WORD)
    file = make_station(extra='[page]\ntoken = "${LIDSTREAM_PAGE_WORD}"')
    with alone(file, sqlite_url) as client:
        assert [client.sign_in("no") for _ in range(5)] == [403] * 5
        assert client.sign_in() == 429


def test_without_a_word_in_the_station_file_the_page_is_for_reading(
    make_station: Callable[..., StationFile], sqlite_url: str
) -> None:
    with alone(make_station(), sqlite_url) as client:
        status, text, _ = client.ask("GET", "/log")
        assert status == 200
        assert "For reading only" in text
        assert "<form" not in text
        form = {"form": "x", "name": "x", "token": ""}
        assert client.ask("POST", "/sign-in", form)[0] == 403
        assert client.ask("POST", "/log", form)[0] == 403


def test_an_empty_station_has_every_page(
    make_station: Callable[..., StationFile], sqlite_url: str
) -> None:
    """Before the first record nothing is broken."""
    with alone(make_station(), sqlite_url) as client:
        for path in ("/", "/series", "/coverage", "/faults", "/standards", "/field", "/log"):
            assert (path, client.ask("GET", path)[0]) == (path, 200)
        for path in ("/data/series", "/data/field", "/data/series?by=treatment"):
            assert json.loads(client.ask("GET", path)[1])["series"] == []


def test_the_data_of_a_chart_are_the_stored_fluxes(served: Served) -> None:
    """Every flux of a chamber, to the bit, when there is room; the extremes when there is not."""
    whole = served.data("/data/series?gas=N2O&chamber=A1&steps=500")
    (series,) = whole["series"]  # type: ignore[misc]
    with closing(open_store(served.file.database_url)) as store:
        rows = [
            r
            for r in Reader(store, "vellmark").fluxes()
            if (r["chamber"], r["gas"]) == ("A1", "N2O") and r["flux_nmol_m2_s"] is not None
        ]
    assert series["y"] == [r["flux_nmol_m2_s"] for r in rows]
    assert series["closed_us"] == [r["closed_us"] for r in rows]
    told = [r["flags"] if r["quality"] > 2 else "" for r in rows]
    assert series["flags"] == told
    assert any(told)
    assert whole["full"] == whole["shown"] == len(rows)
    assert [e["kind"] for e in whole["events"]] == ["fertilizer"]  # type: ignore[attr-defined]


def test_treatments_are_daily_means_by_area(served: Served, tmp_path: Path) -> None:
    """The same numbers as the export of the field."""
    import pandas as pd

    out = tmp_path / "field.csv"
    export(served.file, "field", out, served.file.database_url, gases=("CO2",))
    table = pd.read_csv(out)
    table = table[(table["level"] == "treatment") & table["flux_nmol_m2_s"].notna()]
    shown = served.data("/data/series?gas=CO2&by=treatment")["series"]
    assert len(shown) == 2  # type: ignore[arg-type]
    for s in shown:  # type: ignore[attr-defined]
        mine = table[table["treatment"] == s["name"]]["flux_nmol_m2_s"]
        assert len(s["y"]) == 3
        assert s["y"] == pytest.approx(mine.tolist(), rel=1e-12)


def test_refused_lines_are_shown_by_reason(served: Served) -> None:
    """The sample's broken line and its logger's greeting, with what usually lies behind."""
    page = served.get("/faults")[2].decode()
    assert 'aria-label="Refused lines by reason"' in page
    assert "2 lines could not be taken." in page
    assert "likely cause" in page
    assert "a damaged line" in page


def test_a_download_is_the_export(served: Served, tmp_path: Path) -> None:
    status, _, body = served.get("/download?what=fluxes&format=csv&to=2026-06-16")
    out = tmp_path / "fluxes.csv"
    stop = 1_781_647_200_000_000  # the end of 2026-06-16 at the station
    export(served.file, "fluxes", out, served.file.database_url, stop=stop)
    assert status == 200
    assert body == out.read_bytes()


def test_the_plan_is_what_is_stored(
    make_station: Callable[..., StationFile], sqlite_url: str, open_parts: Open
) -> None:
    """Lid, last closure and its age, chamber by chamber."""
    file = make_station()
    store, parts = open_parts(file, sqlite_url)
    batch = own_line_stream()
    parts.intake.take(batch)
    parts.settlement.settle()
    tiles = {t.chamber: t for t in plan_of(StationData.over(file, store)).tiles}
    lid = batch.values[-1, batch.channels.index("lid_2")]
    assert tiles["C2"].lid == {1.0: "closed", 0.0: "open"}[lid]
    last = max(r["closed_us"] for r in Reader(store, "small").closures() if r["chamber"] == "C1")
    assert tiles["C1"].closed_us == last
    assert tiles["C1"].age_min == pytest.approx((batch.times[-1] - last) / 60e6)


def test_a_port_that_is_taken_is_one_line(
    make_station: Callable[..., StationFile], capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit code 2, what and where."""
    import socket

    from stream.cli.command import main

    file = make_station()
    open_store(file.database_url).close()
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        assert main(["page", str(file.path), "--port", str(port)]) == 2
    said = capsys.readouterr().err
    assert said.startswith(f"lidstream: page: 127.0.0.1:{port} cannot be listened on")
    assert said.count("\n") == 1
