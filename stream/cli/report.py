"""``lidstream report``: a season on a few pages, as HTML and as PDF."""

import argparse
from pathlib import Path

from stream.cli.values import database_of, database_option, day_of, out_folder, station_argument


def add(verbs: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Its arguments and help."""
    parser = verbs.add_parser("report", help="a season on a few pages, as HTML and as PDF")
    station_argument(parser)
    parser.add_argument("--from", dest="first", metavar="YYYY-MM-DD", help="the season's start")
    parser.add_argument("--to", dest="stop", metavar="YYYY-MM-DD", help="the season's end")
    parser.add_argument("--out", type=Path, default=Path(), metavar="DIR", help="where to write")
    database_option(parser)
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Do it; 0 done, 1 the work failed."""
    from stream.report.season import write_report
    from stream.station import load_station

    file = load_station(arguments.station)
    folder = out_folder(arguments)
    first, last = day_of(arguments.first, "--from"), day_of(arguments.stop, "--to")
    for path in write_report(file, database_of(arguments, file), folder, first, last):
        print(path)
    return 0
