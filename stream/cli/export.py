"""``lidstream export``: write results or records to a file."""

import argparse
from pathlib import Path

from stream.cli.values import (
    database_of,
    database_option,
    period_of,
    period_options,
    station_argument,
)


def add(verbs: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Its arguments and help."""
    parser = verbs.add_parser("export", help="write results or records to a file")
    station_argument(parser)
    parser.add_argument(
        "what",
        choices=("fluxes", "closures", "records", "daily", "field", "season", "refused"),
        metavar="WHAT",
        help="fluxes, closures, records, daily, field or season; refused: lines not taken",
    )
    parser.add_argument(
        "--out", type=Path, required=True, metavar="PATH", help="file to write: .csv, .parquet, .nc"
    )
    period_options(parser)
    database_option(parser)
    parser.add_argument(
        "--unit", help="of fluxes: 'ug N m-2 h-1', 'g N ha-1 d-1', 'umol m-2 s-1' …"
    )
    parser.add_argument("--gas", action="append", default=[], help="only this gas; may be repeated")
    parser.add_argument(
        "--chamber", action="append", default=[], help="only this chamber; may be repeated"
    )
    parser.add_argument(
        "--frequency", choices=("native", "hourly", "daily"), default="native",
        help="of fluxes: one row a closure, or means over even steps",
    )  # fmt: skip
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Do it; 0 done, 1 the work failed."""
    from stream.report.export import export
    from stream.station import load_station

    file = load_station(arguments.station)
    first, stop = period_of(arguments, file.station.station.timezone)
    count = export(
        file,
        arguments.what,
        arguments.out,
        database_of(arguments, file),
        first=first,
        stop=stop,
        gases=tuple(arguments.gas),
        chambers=tuple(arguments.chamber),
        unit=arguments.unit,
        frequency=arguments.frequency,
    )
    print(f"{arguments.out}: {count} rows")
    return 0
