"""``lidstream reprocess``: work out stored records again under the station file as it is now."""

import argparse

from stream.cli.values import (
    admitted,
    database_of,
    database_option,
    period_of,
    period_options,
    station_argument,
)


def add(verbs: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Its arguments and help."""
    parser = verbs.add_parser(
        "reprocess", help="work out stored records again under the station file as it is now"
    )
    station_argument(parser)
    period_options(parser)
    parser.add_argument(
        "--workers", type=_workers, default=1, metavar="N", help="processes to share the work (1)"
    )
    parser.add_argument(
        "--scheduler", metavar="tcp://HOST:PORT", help="of Dask, whose workers do the work"
    )
    database_option(parser)
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Do it; 0 done, 1 the work failed."""
    from stream.compute.reprocess import reprocess
    from stream.progress import Progress
    from stream.station import load_station

    file = load_station(arguments.station)
    url = database_of(arguments, file)
    admitted(file, url)
    first, stop = period_of(arguments, file.station.station.timezone)
    with Progress() as progress:
        done = reprocess(
            file, url, first, stop, workers=arguments.workers, scheduler=arguments.scheduler,
            report=progress,
        )  # fmt: skip
    print(done.sentence())
    return 0


def _workers(text: str) -> int:
    if not text.isdigit() or not 1 <= int(text) <= 256:
        raise argparse.ArgumentTypeError(f"{text!r} is not a number of processes from 1 to 256")
    return int(text)
