"""``lidstream note``: the field log."""

import argparse
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from stream.cli.values import database_of, database_option, instant, station_argument
from stream.note_kinds import OFFERED, TAKEN_BACK

if TYPE_CHECKING:
    from stream.compute.settle import Settled


def add(verbs: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Its arguments and help."""
    parser = verbs.add_parser(
        "note", help="the field log: what was done, seen or measured at the station"
    )
    station_argument(parser)
    parser.add_argument("text", metavar="TEXT", help="in a few words; why, when taking back")
    kinds = ", ".join(kind.name for kind in OFFERED)
    parser.add_argument("--kind", default="other", help=f"{kinds} (other)")
    parser.add_argument(
        "--at", metavar="TIME", help="a time with offset, or one at the station: 2026-06-15T09:30"
    )
    parser.add_argument(
        "--until", metavar="TIME", help="end of a bad period; none: until taken back"
    )
    parser.add_argument("--chamber", default="", metavar="ID", help="about this chamber only")
    parser.add_argument("--plot", default="", metavar="ID", help="about this plot only")
    parser.add_argument("--treatment", default="", metavar="NAME", help="about this treatment only")
    parser.add_argument(
        "--amount", type=float, help="fertilizer kg N/ha, water mm, yield t/ha, height m"
    )
    parser.add_argument("--by", metavar="NAME", help="who writes (the user of this computer)")
    parser.add_argument(
        "--take-back", type=int, metavar="NUMBER", help="let an earlier note no longer hold"
    )
    database_option(parser)
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Do it; 0 done, 1 the work failed."""
    import getpass
    from contextlib import closing

    from stream.compute.apply_notes import take_up
    from stream.notes.write import keep_note
    from stream.station import FieldNote, load_station
    from stream.store import open_store

    file = load_station(arguments.station)
    zone = file.station.station.timezone
    at, until = instant(arguments.at, zone, "--at"), instant(arguments.until, zone, "--until")
    back: int | None = arguments.take_back
    note = FieldNote(
        number=0,
        at_us=int(datetime.now(UTC).timestamp() * 1e6) if at is None else at,
        until_us=until,
        written_us=0,
        kind=arguments.kind if back is None else TAKEN_BACK,
        author=getpass.getuser() if arguments.by is None else arguments.by,
        chamber=arguments.chamber,
        plot=arguments.plot,
        treatment=arguments.treatment,
        amount=arguments.amount,
        text=arguments.text,
        refers=back,
    )
    with closing(open_store(database_of(arguments, file))) as store:
        number = keep_note(store, file.station, note)
        print(f"note {number} kept; {_what_follows(take_up(file, store))}")
    return 0


def _what_follows(settled: "Settled | None") -> str:
    if settled is None:
        return "the running service takes it up"
    return settled.sentence()
