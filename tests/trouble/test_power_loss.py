"""What a power loss leaves is what was synchronised: the order of writes, as the kernel saw it."""

import re
import shutil
import time
from collections.abc import Callable
from pathlib import Path

from broker import Mosquitto, need
from running import Running, wait
from small import contents, own_line_stream, packs, write_log

TOPIC = "small/records/a"
BATCH = own_line_stream(hours=0.2)


def test_records_are_on_the_disk_before_the_broker_may_forget_them(
    broker: Mosquitto, station: Callable[..., Path], tmp_path: Path, sqlite_url: str
) -> None:
    """Between a message and its PUBACK (MQTT 5, section 3.4: its first byte is 0x40) the
    write-ahead log is written and then synchronised.
    """
    need(shutil.which("strace"), "strace")
    trace = tmp_path / "trace"
    under = (
        "strace", "-D", "-f", "-qq", "-y", "-e", "trace=pwrite64,fdatasync,fsync,sendto,recvfrom",
        "-e", "signal=none", "-o", str(trace),
    )  # fmt: skip
    messages = packs(BATCH, rows=40)[:6]
    with Running(station(broker.source()), sqlite_url, under=under) as running:
        running.wait_for("broker connected")
        for i, payload in enumerate(messages):
            broker.publish(TOPIC, [payload])
            wait(lambda i=i: len(acknowledgements(trace)) > i, 20)
            time.sleep(0.3)
        running.stop(30)
    lines = trace.read_text(errors="replace").splitlines()
    acknowledged = acknowledgements(trace)
    assert len(acknowledged) == len(messages)
    begun = 0
    for at in acknowledged:
        order = [
            "written" if "pwrite64" in line else "synchronised"
            for line in lines[begun:at]
            if "-wal>" in line and ("pwrite64" in line or "fdatasync" in line or "fsync" in line)
        ]
        assert "written" in order
        assert order[-1] == "synchronised" or "synchronised" in order[order.index("written") :]
        begun = at


def acknowledgements(trace: Path) -> list[int]:
    """Lines of a trace in which a PUBACK is sent."""
    if not trace.exists():
        return []
    lines = trace.read_text(errors="replace").splitlines()
    return [i for i, line in enumerate(lines) if re.search(r'sendto\(\d+<[^>]*>, "@\\', line)]


def test_an_archived_day_is_on_the_disk_before_its_blocks_go(
    station: Callable[..., Path], tmp_path: Path, sqlite_url: str
) -> None:
    """File synchronised, named, its folder synchronised, and only then the commit."""
    need(shutil.which("strace"), "strace")
    file = station()
    file.write_text(file.read_text().replace("after_days = 36500", "after_days = 1"))
    write_log(own_line_stream(), tmp_path / "incoming" / "a.csv")
    trace = tmp_path / "trace"
    under = (
        "strace", "-D", "-f", "-qq", "-y", "-e", "trace=pwrite64,fdatasync,fsync,rename,unlink",
        "-e", "signal=none", "-o", str(trace),
    )  # fmt: skip
    archived = False
    while not archived:  # a day that was not settled yet at the first look is so at the next start
        with Running(file, sqlite_url, under=under) as running:
            running.wait_for("running", 60)
            time.sleep(4)
            running.stop(30)
            archived = bool(running.events("archived"))
    lines = trace.read_text(errors="replace").splitlines()
    steps = [
        next(i for i, line in enumerate(lines) if re.search(pattern, line))
        for pattern in (
            r"fsync\(\d+<[^>]*/2026-02-02\.part>",
            r'rename\("[^"]*/2026-02-02\.part"',
            r"fsync\(\d+<[^>]*/small/2026>",
        )
    ]
    assert steps == sorted(steps)
    after = lines[steps[-1] :]
    assert any("pwrite64" in line and "-wal>" in line for line in after)
    assert any("fdatasync" in line and "-wal>" in line for line in after)
    archive = file.parent / "archive"
    assert contents(sqlite_url, archive)["records"]
