"""Arguments that verbs share, and what they mean."""

import argparse
import sys
from datetime import UTC, date, datetime, time
from pathlib import Path
from typing import TYPE_CHECKING

from stream.errors import CommandError

if TYPE_CHECKING:
    from stream.station import StationFile


def station_argument(parser: argparse.ArgumentParser) -> None:
    """The station file, first of all."""
    parser.add_argument("station", type=Path, metavar="STATION.toml", help="the station file")


def database_option(parser: argparse.ArgumentParser) -> None:
    """``--database``."""
    parser.add_argument("--database", metavar="URL", help="instead of the station file's")


def period_options(parser: argparse.ArgumentParser) -> None:
    """``--from`` and ``--to``."""
    parser.add_argument(
        "--from", dest="first", metavar="TIME", help="a day at the station, or a time with offset"
    )
    parser.add_argument(
        "--to", dest="stop", metavar="TIME", help="up to the end of that day, or that time"
    )


def day_of(text: str | None, option: str) -> date | None:
    """A day of the calendar, as an option gives it."""
    try:
        return None if text is None else date.fromisoformat(text)
    except ValueError:
        raise CommandError(f"{option}: {text!r} is not a day like 2026-06-15") from None


def database_of(arguments: argparse.Namespace, file: "StationFile") -> str:
    """URL of the database: the one that is given, or the station file's."""
    from stream.secret import DatabaseUrl
    from stream.station import url_beside

    if arguments.database is None:
        return file.database_url
    return DatabaseUrl(url_beside(Path.cwd() / "here", arguments.database))


def instant(text: str | None, zone: str, option: str) -> int | None:
    """A time with offset, or one at the station, as microseconds since 1970."""
    from stream.station import read_clock
    from stream.times import to_micros

    if text is None:
        return None
    try:
        when = datetime.fromisoformat(text)
    except ValueError:
        raise CommandError(f"{option}: {text!r} is not a time like 2026-06-15T09:30") from None
    return to_micros(when if when.tzinfo else when.replace(tzinfo=read_clock(zone)))


def period_of(arguments: argparse.Namespace, zone: str) -> tuple[int | None, int | None]:
    """The period that is asked for [µs since 1970], the end excluded."""
    first = _moment(arguments.first, zone, end=False)
    stop = _moment(arguments.stop, zone, end=True)
    if first is not None and stop is not None and not first < stop:
        raise CommandError("--from: must be earlier than --to")
    return first, stop


def _moment(text: str | None, zone: str, *, end: bool) -> int | None:
    """A day at station time, or a time with its offset, as microseconds since 1970."""
    from datetime import timedelta

    from stream.station import read_clock
    from stream.times import to_micros

    if text is None:
        return None
    option = "--to" if end else "--from"
    try:
        if len(text) == 10:
            day = date.fromisoformat(text) + timedelta(days=1 if end else 0)
            return to_micros(datetime.combine(day, time(), read_clock(zone)).astimezone(UTC))
        moment = datetime.fromisoformat(text)
    except ValueError:
        moment = None
    if moment is None or moment.tzinfo is None:
        raise CommandError(
            f"{option}: {text!r} is neither a day like 2026-05-04 nor a time with its offset"
            " like 2026-05-04T06:00:00+02:00"
        )
    return to_micros(moment)


def out_folder(arguments: argparse.Namespace) -> Path:
    """The folder of ``--out``, which must be there."""
    out: Path = arguments.out
    if not out.is_dir():
        raise CommandError(f"--out {out}: no such folder; make it first")
    return out


def admitted(file: "StationFile", url: str) -> None:
    """Say what is wrong with a station file that is worked with all the same.

    Raises
    ------
    StationFileError
        Numbers of it cannot be right, and there is nothing yet that would be interrupted.
    """
    from stream.compute.running import admit

    for line in admit(file, url):
        print(f"lidstream: {line}", file=sys.stderr)
