"""``lidstream summary``: whether a day's data are good, and what to do at the station."""

import argparse
from pathlib import Path

from stream.cli.values import database_of, database_option, day_of, out_folder, station_argument
from stream.errors import CommandError


def add(verbs: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Its arguments and help."""
    parser = verbs.add_parser(
        "summary", help="whether a day's data are good, and what to do at the station"
    )
    station_argument(parser)
    parser.add_argument("--day", metavar="YYYY-MM-DD", help="a day at the station (yesterday)")
    parser.add_argument(
        "--out", type=Path, metavar="DIR", help="write HTML, text and JSON there; else: print text"
    )
    parser.add_argument(
        "--send", action="store_true", help="send it by the ways of the station file as well"
    )
    database_option(parser)
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Do it; 0 done, 1 the work failed."""
    from stream.report.summary.render import as_text, write_summary
    from stream.report.summary.verb import summary_of
    from stream.service.mornings import tell_now
    from stream.station import load_station

    file = load_station(arguments.station)
    folder = None if arguments.out is None else out_folder(arguments)
    summary = summary_of(file, database_of(arguments, file), day_of(arguments.day, "--day"))
    if folder is None:
        print(as_text(summary), end="")
    else:
        for path in write_summary(summary, folder):
            print(path)
    if arguments.send:
        ways = tell_now(file, summary)
        if not ways:
            raise CommandError("--send: the station file has neither [mail] nor summary.topic")
        print(f"sent by {' and '.join(ways)}")
    return 0
