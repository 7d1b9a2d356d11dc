"""``lidstream demo``: simulate two stations and run them end to end."""

import argparse
from pathlib import Path


def add(verbs: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Its arguments and help."""
    parser = verbs.add_parser("demo", help="simulate two stations and run them end to end")
    parser.add_argument(
        "--out", type=Path, default=Path("lidstream-demo"), metavar="DIR", help="where to write"
    )
    parser.add_argument(
        "--days", type=_whole_days, default=3, help="length of the record (default 3)"
    )
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Do it; 0 done, 1 the work failed."""
    from stream.demo.run import run_demo

    run_demo(arguments.out, arguments.days)
    return 0


def _whole_days(text: str) -> int:
    try:
        days = int(text)
    except ValueError:
        days = 0
    if not 1 <= days <= 366:
        raise argparse.ArgumentTypeError(f"{text!r} is not a number of days from 1 to 366")
    return days
