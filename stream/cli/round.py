"""``lidstream round``: plan a round of sampling by hand."""

import argparse
from datetime import date, datetime
from pathlib import Path

from stream.cli.values import out_folder, station_argument
from stream.errors import CommandError


def add(verbs: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Its arguments and help."""
    parser = verbs.add_parser(
        "round", help="plan a round of sampling by hand: sheet, labels, and a table to fill in"
    )
    station_argument(parser)
    parser.add_argument("--day", required=True, metavar="YYYY-MM-DD", help="day of the round")
    parser.add_argument("--start", default="10:00", metavar="HH:MM", help="first lid (10:00)")
    parser.add_argument("--people", type=_people, default=1, help="who share the chambers (1)")
    parser.add_argument(
        "--chamber", action="append", default=[], metavar="ID", help="only this one; repeatable"
    )
    parser.add_argument("--out", type=Path, default=Path(), metavar="DIR", help="where to write")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Do it; 0 done, 1 the work failed."""
    from stream.manual.sheet import plan_round, write_round
    from stream.station import load_station

    file = load_station(arguments.station)
    try:
        day = date.fromisoformat(arguments.day)
    except ValueError:
        raise CommandError(f"--day: {arguments.day!r} is not a day like 2026-06-15") from None
    try:
        start = datetime.strptime(arguments.start, "%H:%M").time()  # noqa: DTZ007 - a wall clock
    except ValueError:
        raise CommandError(f"--start: {arguments.start!r} is not a time like 10:00") from None
    folder = out_folder(arguments)
    plan = plan_round(file.station, day, start, tuple(arguments.chamber), arguments.people)
    table, sheet = write_round(file.station, plan, folder)
    print(f"{plan.sentence()}\n{sheet}: print it\n{table}: fill it in, and bring it by replay")
    return 0


def _people(text: str) -> int:
    if not text.isdigit() or not 1 <= int(text) <= 100:
        raise argparse.ArgumentTypeError(f"{text!r} is not a number of people from 1 to 100")
    return int(text)
