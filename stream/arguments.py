"""The command line: verbs, their arguments, and what those mean."""

import argparse
from datetime import UTC, date, datetime, time
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

from stream import __version__
from stream.errors import CommandError

if TYPE_CHECKING:
    from stream.station import StationFile

_NOTE_KINDS = (
    "fertilizer", "irrigation", "rain", "tillage", "harvest", "yield", "height", "moved",
    "flooded", "standard", "bad", "other",
)  # fmt: skip


class _Parser(argparse.ArgumentParser):
    """Says what is wrong in one line."""

    def error(self, message: str) -> NoReturn:
        self.exit(2, f"{self.prog}: {message}; see {self.prog} --help\n")


def build_parser() -> argparse.ArgumentParser:
    """The command line: verbs, their arguments and help."""
    parser = _Parser(
        prog="lidstream",
        description="Records of automatic soil chambers become greenhouse-gas fluxes.",
    )
    parser.add_argument("--version", action="version", version=f"lidstream {__version__}")
    verbs = parser.add_subparsers(dest="verb", metavar="VERB", required=True)

    check = verbs.add_parser("check", help="validate a station file; name every fault at once")
    _station(check)

    draft = verbs.add_parser(
        "draft", help="write a station file from some of the station's files, with questions"
    )
    draft.add_argument("files", nargs="+", type=Path, metavar="FILE", help="files or folders")
    draft.add_argument(
        "--out", type=Path, metavar="PATH", help="station file to write; on the screen without it"
    )
    draft.add_argument("--id", metavar="ID", help="of the station; the folder's name without it")

    replay = verbs.add_parser(
        "replay", help="take recorded files through the whole path into the database"
    )
    _station(replay)
    replay.add_argument("files", nargs="+", type=Path, metavar="FILE", help="files or folders")
    _database(replay)
    replay.add_argument(
        "--partial", action="store_true", help="go on although a needed channel is in no file"
    )
    replay.add_argument(
        "--allow-refused",
        action="store_true",
        help="end with 0 although a file gave nothing or many of its lines were refused",
    )

    live = verbs.add_parser("run", help="the unattended service: take records as they come")
    _station(live)
    _database(live)
    live.add_argument(
        "--clock-is-right", action="store_true",
        help="believe this computer's clock, whatever it showed when the service last ran",
    )  # fmt: skip

    again = verbs.add_parser(
        "reprocess", help="work out stored records again under the station file as it is now"
    )
    _station(again)
    _period(again)
    again.add_argument(
        "--workers", type=_workers, default=1, metavar="N", help="processes to share the work (1)"
    )
    again.add_argument(
        "--scheduler", metavar="tcp://HOST:PORT", help="of Dask, whose workers do the work"
    )
    _database(again)

    export = verbs.add_parser("export", help="write results or records to a file")
    _station(export)
    export.add_argument(
        "what",
        choices=("fluxes", "closures", "records", "daily", "field", "season", "refused"),
        metavar="WHAT",
        help="fluxes, closures, records, daily, field or season; refused: lines not taken",
    )
    export.add_argument(
        "--out", type=Path, required=True, metavar="PATH", help="file to write: .csv, .parquet, .nc"
    )
    _period(export)
    _database(export)
    export.add_argument(
        "--unit", help="of fluxes: 'ug N m-2 h-1', 'g N ha-1 d-1', 'umol m-2 s-1' …"
    )
    export.add_argument("--gas", action="append", default=[], help="only this gas; may be repeated")
    export.add_argument(
        "--chamber", action="append", default=[], help="only this chamber; may be repeated"
    )
    export.add_argument(
        "--frequency", choices=("native", "hourly", "daily"), default="native",
        help="of fluxes: one row a closure, or means over even steps",
    )  # fmt: skip

    plan = verbs.add_parser(
        "round", help="plan a round of sampling by hand: sheet, labels, and a table to fill in"
    )
    _station(plan)
    plan.add_argument("--day", required=True, metavar="YYYY-MM-DD", help="day of the round")
    plan.add_argument("--start", default="10:00", metavar="HH:MM", help="first lid (10:00)")
    plan.add_argument("--people", type=_people, default=1, help="who share the chambers (1)")
    plan.add_argument(
        "--chamber", action="append", default=[], metavar="ID", help="only this one; repeatable"
    )
    plan.add_argument("--out", type=Path, default=Path(), metavar="DIR", help="where to write")

    beside = verbs.add_parser(
        "compare", help="fluxes by hand beside those of automatic chambers on the same place"
    )
    _station(beside)
    beside.add_argument("--out", type=Path, default=Path(), metavar="DIR", help="where to write")
    beside.add_argument(
        "--within", type=float, default=3.0, metavar="HOURS", help="apart in time at most (3)"
    )
    beside.add_argument("--gas", action="append", default=[], help="only this gas; repeatable")
    _period(beside)
    _database(beside)

    aid = verbs.add_parser(
        "propose", help="lag, flushing and dead band as stored records show them; sets nothing"
    )
    _station(aid)
    aid.add_argument("--out", type=Path, default=Path(), metavar="DIR", help="for the pictures")
    _period(aid)
    _database(aid)

    report = verbs.add_parser("report", help="a season on a few pages, as HTML and as PDF")
    _station(report)
    report.add_argument("--from", dest="first", metavar="YYYY-MM-DD", help="the season's start")
    report.add_argument("--to", dest="stop", metavar="YYYY-MM-DD", help="the season's end")
    report.add_argument("--out", type=Path, default=Path(), metavar="DIR", help="where to write")
    _database(report)

    due = verbs.add_parser(
        "due", help="days on which sampling by hand is due, by rain and by what was done"
    )
    _station(due)
    due.add_argument("--from", dest="first", metavar="YYYY-MM-DD", help="the season's start")
    due.add_argument("--to", dest="stop", metavar="YYYY-MM-DD", help="the season's end")
    _database(due)

    note = verbs.add_parser(
        "note", help="the field log: what was done, seen or measured at the station"
    )
    _station(note)
    note.add_argument("text", metavar="TEXT", help="in a few words; why, when taking back")
    note.add_argument("--kind", default="other", help=f"{', '.join(_NOTE_KINDS)} (other)")
    note.add_argument(
        "--at", metavar="TIME", help="a time with offset, or one at the station: 2026-06-15T09:30"
    )
    note.add_argument("--until", metavar="TIME", help="end of a bad period; none: until taken back")
    note.add_argument("--chamber", default="", metavar="ID", help="about this chamber only")
    note.add_argument("--plot", default="", metavar="ID", help="about this plot only")
    note.add_argument("--treatment", default="", metavar="NAME", help="about this treatment only")
    note.add_argument(
        "--amount", type=float, help="fertilizer kg N/ha, water mm, yield t/ha, height m"
    )
    note.add_argument("--by", metavar="NAME", help="who writes (the user of this computer)")
    note.add_argument(
        "--take-back", type=int, metavar="NUMBER", help="let an earlier note no longer hold"
    )
    _database(note)

    daily = verbs.add_parser(
        "summary", help="whether a day's data are good, and what to do at the station"
    )
    _station(daily)
    daily.add_argument("--day", metavar="YYYY-MM-DD", help="a day at the station (yesterday)")
    daily.add_argument(
        "--out", type=Path, metavar="DIR", help="write HTML, text and JSON there; else: print text"
    )
    daily.add_argument(
        "--send", action="store_true", help="send it by the ways of the station file as well"
    )
    _database(daily)

    page = verbs.add_parser("page", help="the station page, for a browser")
    _station(page)
    page.add_argument("--host", help="address to listen on (the station file's, or 127.0.0.1)")
    page.add_argument("--port", type=int, help="(the station file's, or 8410)")
    page.add_argument(
        "--end-sessions", action="store_true", help="sign everybody out, and serve nothing"
    )
    _database(page)

    demo = verbs.add_parser("demo", help="simulate two stations and run them end to end")
    demo.add_argument(
        "--out", type=Path, default=Path("lidstream-demo"), metavar="DIR", help="where to write"
    )
    demo.add_argument(
        "--days", type=_whole_days, default=3, help="length of the record (default 3)"
    )
    return parser


def _station(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("station", type=Path, metavar="STATION.toml", help="the station file")


def _database(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--database", metavar="URL", help="instead of the station file's")


def _period(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--from", dest="first", metavar="TIME", help="a day at the station, or a time with offset"
    )
    parser.add_argument(
        "--to", dest="stop", metavar="TIME", help="up to the end of that day, or that time"
    )


def _workers(text: str) -> int:
    if not text.isdigit() or not 1 <= int(text) <= 256:
        raise argparse.ArgumentTypeError(f"{text!r} is not a number of processes from 1 to 256")
    return int(text)


def _people(text: str) -> int:
    if not text.isdigit() or not 1 <= int(text) <= 100:
        raise argparse.ArgumentTypeError(f"{text!r} is not a number of people from 1 to 100")
    return int(text)


def _whole_days(text: str) -> int:
    try:
        days = int(text)
    except ValueError:
        days = 0
    if not 1 <= days <= 366:
        raise argparse.ArgumentTypeError(f"{text!r} is not a number of days from 1 to 366")
    return days


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
    from stream.records import to_micros
    from stream.station import read_clock

    if text is None:
        return None
    try:
        when = datetime.fromisoformat(text)
    except ValueError:
        raise CommandError(f"{option}: {text!r} is not a time like 2026-06-15T09:30") from None
    return to_micros(when if when.tzinfo else when.replace(tzinfo=read_clock(zone)))


def stretch(arguments: argparse.Namespace, zone: str) -> tuple[int | None, int | None]:
    """The period that is asked for [µs since 1970], the end excluded."""
    first = _moment(arguments.first, zone, end=False)
    stop = _moment(arguments.stop, zone, end=True)
    if first is not None and stop is not None and not first < stop:
        raise CommandError("--from: must be earlier than --to")
    return first, stop


def _moment(text: str | None, zone: str, *, end: bool) -> int | None:
    """A day at station time, or a time with its offset, as microseconds since 1970."""
    from datetime import timedelta

    from stream.records import to_micros
    from stream.station import read_clock

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
