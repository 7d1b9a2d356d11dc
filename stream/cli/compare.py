"""``lidstream compare``: fluxes by hand beside those of automatic chambers on the same place."""

import argparse
from pathlib import Path

from stream.cli.values import (
    database_of,
    database_option,
    out_folder,
    period_of,
    period_options,
    station_argument,
)
from stream.errors import CommandError


def add(verbs: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Its arguments and help."""
    parser = verbs.add_parser(
        "compare", help="fluxes by hand beside those of automatic chambers on the same place"
    )
    station_argument(parser)
    parser.add_argument("--out", type=Path, default=Path(), metavar="DIR", help="where to write")
    parser.add_argument(
        "--within", type=float, default=3.0, metavar="HOURS", help="apart in time at most (3)"
    )
    parser.add_argument("--gas", action="append", default=[], help="only this gas; repeatable")
    period_options(parser)
    database_option(parser)
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Do it; 0 done, 1 the work failed."""
    from stream.report.compare import compare
    from stream.station import load_station

    file = load_station(arguments.station)
    first, stop = period_of(arguments, file.station.station.timezone)
    folder = out_folder(arguments)
    if not 0.0 < arguments.within <= 48.0:
        raise CommandError(f"--within: {arguments.within:g} h is not between 0 and 48")
    url = database_of(arguments, file)
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
