"""``lidstream check``: validate a station file, and name every fault at once."""

import argparse

from stream.cli.values import station_argument
from stream.errors import StationFileError


def add(verbs: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Its arguments and help."""
    parser = verbs.add_parser("check", help="validate a station file; name every fault at once")
    station_argument(parser)
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Do it; 0 done, 1 the work failed."""
    from stream.station import load_station

    file = load_station(arguments.station)
    if file.refused:
        raise StationFileError([f"{arguments.station}: {line}" for line in file.refused])
    station = file.station
    kinds = ", ".join(f"{a.id} ({'shared' if a.shared else 'own line'})" for a in station.analyzers)
    print(
        f"{arguments.station}: good. Station {station.id}, {len(station.chambers)} chambers,"
        f" analyzers {kinds}, {len(station.channels)} channels, digest {file.digest}"
    )
    if file.questions:
        print(
            "Please check these settings. Correct what is wrong, and add the keys of the others to"
            " checks.confirmed:"
        )
    for line in file.questions:
        print(f"  {line}")
    return 0
