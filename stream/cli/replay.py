"""``lidstream replay``: take recorded files through the whole path into the database."""

import argparse
import sys
from pathlib import Path

from stream.cli.values import admitted, database_of, database_option, station_argument


def add(verbs: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Its arguments and help."""
    parser = verbs.add_parser(
        "replay", help="take recorded files through the whole path into the database"
    )
    station_argument(parser)
    parser.add_argument("files", nargs="+", type=Path, metavar="FILE", help="files or folders")
    database_option(parser)
    parser.add_argument(
        "--partial", action="store_true", help="go on although a needed channel is in no file"
    )
    parser.add_argument(
        "--allow-refused",
        action="store_true",
        help="end with 0 although a file gave nothing or many of its lines were refused",
    )
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Do it; 0 done, 1 the work failed."""
    from stream.compute.replay import replay
    from stream.progress import Progress
    from stream.station import load_station

    file = load_station(arguments.station)
    url = database_of(arguments, file)
    admitted(file, url)
    with Progress() as progress:
        done = replay(file, arguments.files, url, partial=arguments.partial, report=progress)
    unseen = [done.unseen] if done.unseen else []
    print("\n".join([done.sentence(), *done.older(), *done.refusals(), *unseen]))
    for line in done.not_taken:
        print(f"lidstream: {line}", file=sys.stderr)
    if done.not_taken:
        return 2
    complaints = [] if arguments.allow_refused else done.complaints()
    for line in complaints:
        print(f"lidstream: {line}", file=sys.stderr)
    return 1 if complaints else 0
