"""``lidstream propose``: lag, flushing and dead band as stored records show them."""

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


def add(verbs: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Its arguments and help."""
    parser = verbs.add_parser(
        "propose", help="lag, flushing and dead band as stored records show them; sets nothing"
    )
    station_argument(parser)
    parser.add_argument("--out", type=Path, default=Path(), metavar="DIR", help="for the pictures")
    period_options(parser)
    database_option(parser)
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Do it; 0 done, 1 the work failed."""
    from stream.compute.propose import propose
    from stream.report.pictures.proposal import draw_proposal
    from stream.station import load_station

    file = load_station(arguments.station)
    folder = out_folder(arguments)
    first, stop = period_of(arguments, file.station.station.timezone)
    for proposal in propose(file, database_of(arguments, file), first, stop):
        print("\n".join(proposal.sentences()))
        picture = folder / f"edge-{proposal.analyzer}-{proposal.gas}.png"
        draw_proposal(proposal, picture)
        print(f"  {picture}")
    print("Nothing was changed: write what convinces you into the station file, then reprocess.")
    return 0
