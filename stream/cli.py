"""The command: one thin verb a function."""

import argparse
import sys
from collections.abc import Sequence
from datetime import UTC, date, datetime, time
from pathlib import Path
from typing import NoReturn

from stream import __version__
from stream.errors import CommandError, LidstreamError


class _Parser(argparse.ArgumentParser):
    """Says what is wrong in one line."""

    def error(self, message: str) -> NoReturn:
        self.exit(2, f"{self.prog}: {message}; see {self.prog} --help\n")


def main(argv: Sequence[str] | None = None) -> int:
    """Run one verb.

    Returns
    -------
    int
        0 done, 1 the work failed, 2 the input or the command line is wrong.
    """
    parser = build_parser()
    arguments = parser.parse_args(argv)
    try:
        code: int = arguments.run(arguments)
    except LidstreamError as error:
        for line in str(error).splitlines():
            print(f"lidstream: {line}", file=sys.stderr)
        return error.exit_code
    except BrokenPipeError:
        sys.stderr.close()
        return 1
    except KeyboardInterrupt:
        print("lidstream: stopped; run the same again to go on", file=sys.stderr)
        return 1
    return code


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
    check.set_defaults(run=_check)

    replay = verbs.add_parser(
        "replay", help="take recorded files through the whole path into the database"
    )
    _station(replay)
    replay.add_argument("files", nargs="+", type=Path, metavar="FILE", help="files or folders")
    _database(replay)
    replay.add_argument(
        "--partial", action="store_true", help="go on although a needed channel is in no file"
    )
    replay.set_defaults(run=_replay)

    live = verbs.add_parser("run", help="the unattended service: take records as they come")
    _station(live)
    _database(live)
    live.set_defaults(run=_run)

    again = verbs.add_parser(
        "reprocess", help="work out stored records again under the station file as it is now"
    )
    _station(again)
    _period(again)
    _database(again)
    again.set_defaults(run=_reprocess)

    export = verbs.add_parser("export", help="write results or records to a file")
    _station(export)
    export.add_argument(
        "what",
        choices=("fluxes", "closures", "records", "daily", "field", "season"),
        metavar="WHAT",
        help="fluxes, closures, records, daily, field or season",
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
    export.set_defaults(run=_export)

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
    plan.set_defaults(run=_round)

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
    beside.set_defaults(run=_compare)

    aid = verbs.add_parser(
        "propose", help="lag, flushing and dead band as stored records show them; sets nothing"
    )
    _station(aid)
    aid.add_argument("--out", type=Path, default=Path(), metavar="DIR", help="for the pictures")
    _period(aid)
    _database(aid)
    aid.set_defaults(run=_propose)

    report = verbs.add_parser("report", help="a season on a few pages, as HTML and as PDF")
    _station(report)
    report.add_argument("--from", dest="first", metavar="YYYY-MM-DD", help="the season's start")
    report.add_argument("--to", dest="stop", metavar="YYYY-MM-DD", help="the season's end")
    report.add_argument("--out", type=Path, default=Path(), metavar="DIR", help="where to write")
    _database(report)
    report.set_defaults(run=_report)

    due = verbs.add_parser(
        "due", help="days on which sampling by hand is due, by rain and by what was done"
    )
    _station(due)
    due.add_argument("--from", dest="first", metavar="YYYY-MM-DD", help="the season's start")
    due.add_argument("--to", dest="stop", metavar="YYYY-MM-DD", help="the season's end")
    _database(due)
    due.set_defaults(run=_due)

    demo = verbs.add_parser("demo", help="simulate two stations and run them end to end")
    demo.add_argument(
        "--out", type=Path, default=Path("lidstream-demo"), metavar="DIR", help="where to write"
    )
    demo.add_argument(
        "--days", type=_whole_days, default=3, help="length of the record (default 3)"
    )
    demo.set_defaults(run=_demo)
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


def _check(arguments: argparse.Namespace) -> int:
    from stream.station import load_station

    file = load_station(arguments.station)
    station = file.station
    kinds = ", ".join(f"{a.id} ({'shared' if a.shared else 'own line'})" for a in station.analyzers)
    print(
        f"{arguments.station}: good. Station {station.id}, {len(station.chambers)} chambers,"
        f" analyzers {kinds}, {len(station.channels)} channels, digest {file.digest}"
    )
    return 0


def _replay(arguments: argparse.Namespace) -> int:
    from stream.pipeline.replay import replay
    from stream.progress import Progress
    from stream.station import load_station

    file = load_station(arguments.station)
    url = _url(arguments, file.database_url)
    with Progress() as progress:
        done = replay(file, arguments.files, url, partial=arguments.partial, report=progress)
    print(done.sentence())
    return 0


def _run(arguments: argparse.Namespace) -> int:
    from stream.service.run import run
    from stream.station import load_station

    file = load_station(arguments.station)
    run(file, _url(arguments, file.database_url))
    return 0


def _reprocess(arguments: argparse.Namespace) -> int:
    from stream.pipeline.reprocess import reprocess
    from stream.progress import Progress
    from stream.station import load_station

    file = load_station(arguments.station)
    url = _url(arguments, file.database_url)
    first, stop = _stretch(arguments, file.station.station.timezone)
    with Progress() as progress:
        done = reprocess(file, url, first, stop, report=progress)
    print(done.sentence())
    return 0


def _export(arguments: argparse.Namespace) -> int:
    from stream.export.verb import export
    from stream.station import load_station

    file = load_station(arguments.station)
    first, stop = _stretch(arguments, file.station.station.timezone)
    count = export(
        file,
        arguments.what,
        arguments.out,
        _url(arguments, file.database_url),
        first=first,
        stop=stop,
        gases=tuple(arguments.gas),
        chambers=tuple(arguments.chamber),
        unit=arguments.unit,
        frequency=arguments.frequency,
    )
    print(f"{arguments.out}: {count} rows")
    return 0


def _round(arguments: argparse.Namespace) -> int:
    from stream.export.round_sheet import plan_round, write_round
    from stream.station import load_station

    file = load_station(arguments.station)
    try:
        day = date.fromisoformat(arguments.day)
    except ValueError:
        raise CommandError(f"--day: {arguments.day!r} is not a day like 2026-02-09") from None
    try:
        start = datetime.strptime(arguments.start, "%H:%M").time()  # noqa: DTZ007 - a wall clock
    except ValueError:
        raise CommandError(f"--start: {arguments.start!r} is not a time like 10:00") from None
    folder = _folder(arguments)
    plan = plan_round(file.station, day, start, tuple(arguments.chamber), arguments.people)
    table, sheet = write_round(file.station, plan, folder)
    print(f"{plan.sentence()}\n{sheet}: print it\n{table}: fill it in, and bring it by replay")
    return 0


def _propose(arguments: argparse.Namespace) -> int:
    from stream.export.proposal import draw_proposal
    from stream.pipeline.propose import propose
    from stream.station import load_station

    file = load_station(arguments.station)
    folder = _folder(arguments)
    first, stop = _stretch(arguments, file.station.station.timezone)
    for proposal in propose(file, _url(arguments, file.database_url), first, stop):
        print("\n".join(proposal.sentences()))
        picture = folder / f"edge-{proposal.analyzer}-{proposal.gas}.png"
        draw_proposal(proposal, picture)
        print(f"  {picture}")
    print("Nothing was changed: write what convinces you into the station file, then reprocess.")
    return 0


def _folder(arguments: argparse.Namespace) -> Path:
    out: Path = arguments.out
    if not out.is_dir():
        raise CommandError(f"--out {out}: no such folder; make it first")
    return out


def _compare(arguments: argparse.Namespace) -> int:
    from stream.export.compare import compare
    from stream.station import load_station

    file = load_station(arguments.station)
    first, stop = _stretch(arguments, file.station.station.timezone)
    folder = _folder(arguments)
    if not 0.0 < arguments.within <= 48.0:
        raise CommandError(f"--within: {arguments.within:g} h is not between 0 and 48")
    url = _url(arguments, file.database_url)
    for result in compare(
        file,
        url,
        folder,
        first=first,
        stop=stop,
        within_h=arguments.within,
        gases=tuple(arguments.gas),
    ):
        print(f"{result.sentence()}\n{result.picture}\n{result.table}")
    return 0


def _report(arguments: argparse.Namespace) -> int:
    from stream.export.report import write_report
    from stream.station import load_station

    file = load_station(arguments.station)
    folder = _folder(arguments)
    first, last = _day(arguments.first, "--from"), _day(arguments.stop, "--to")
    for path in write_report(file, _url(arguments, file.database_url), folder, first, last):
        print(path)
    return 0


def _due(arguments: argparse.Namespace) -> int:
    from contextlib import closing

    from stream.field.season import season_calendar
    from stream.field.weather import sampling_due
    from stream.station import load_station
    from stream.store import open_existing
    from stream.store.journal import Journal

    file = load_station(arguments.station)
    days = season_calendar(
        file.station, _day(arguments.first, "--from"), _day(arguments.stop, "--to")
    )
    with closing(open_existing(_url(arguments, file.database_url))) as store:
        journal = Journal(store, file.station.id, file.archive)
        for day, why in sampling_due(file.station, journal, days).items():
            print(f"{day:%Y-%m-%d %a}  {why}")
    return 0


def _day(text: str | None, option: str) -> date | None:
    try:
        return None if text is None else date.fromisoformat(text)
    except ValueError:
        raise CommandError(f"{option}: {text!r} is not a day like 2026-02-09") from None


def _demo(arguments: argparse.Namespace) -> int:
    from stream.demo.run import run_demo

    run_demo(arguments.out, arguments.days)
    return 0


def _url(arguments: argparse.Namespace, default: str) -> str:
    from stream.station import url_beside

    if arguments.database is None:
        return default
    return url_beside(Path.cwd() / "here", arguments.database)


def _stretch(arguments: argparse.Namespace, zone: str) -> tuple[int | None, int | None]:
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
            f"{option}: {text!r} is neither a day like 2026-01-05 nor a time with its offset"
            " like 2026-01-05T06:00:00+10:00"
        )
    return to_micros(moment)


if __name__ == "__main__":
    sys.exit(main())
