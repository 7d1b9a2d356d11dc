"""``lidstream due``: days on which sampling by hand is due."""

import argparse

from stream.cli.values import database_of, database_option, day_of, station_argument


def add(verbs: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Its arguments and help."""
    parser = verbs.add_parser(
        "due", help="days on which sampling by hand is due, by rain and by what was done"
    )
    station_argument(parser)
    parser.add_argument("--from", dest="first", metavar="YYYY-MM-DD", help="the season's start")
    parser.add_argument("--to", dest="stop", metavar="YYYY-MM-DD", help="the season's end")
    database_option(parser)
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Do it; 0 done, 1 the work failed."""
    from contextlib import closing

    from stream.field.season import season_calendar
    from stream.field.weather import sampling_due
    from stream.station import load_station
    from stream.store import open_existing
    from stream.store.station_data import StationData

    file = load_station(arguments.station)
    first, last = day_of(arguments.first, "--from"), day_of(arguments.stop, "--to")
    if not any(a.sampling == "vials" for a in file.station.analyzers):
        print(
            f"{arguments.station}: this station has no sampling by hand, so nothing is due. For"
            ' manual chambers, give their analyzer sampling = "vials".'
        )
        return 0
    days = season_calendar(file.station, first, last)
    with closing(open_existing(database_of(arguments, file))) as store:
        data = StationData.over(file, store)
        for day, why in sampling_due(data.file.station, data.journal, days).items():
            print(f"{day:%Y-%m-%d %a}  {why}")
    return 0
