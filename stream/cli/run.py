"""``lidstream run``: the unattended service."""

import argparse
import signal
import sys

from stream.cli.values import database_of, database_option, station_argument


def add(verbs: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Its arguments and help."""
    parser = verbs.add_parser("run", help="the unattended service: take records as they come")
    station_argument(parser)
    database_option(parser)
    parser.add_argument(
        "--clock-is-right", action="store_true",
        help="believe this computer's clock, whatever it showed when the service last ran",
    )  # fmt: skip
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Do it; 0 done, 1 the work failed."""
    # Nothing is begun while the code is loaded: who is asked to stop then just ends.
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))

    from stream.service.run import run
    from stream.station import load_station

    file = load_station(arguments.station)
    run(file, database_of(arguments, file), clock_is_right=arguments.clock_is_right)
    return 0
