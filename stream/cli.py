"""The command: one thin verb a function."""

import argparse
import sys
from collections.abc import Callable, Sequence
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING

from stream.arguments import build_parser, database_of, day_of, instant, out_folder, stretch
from stream.errors import CommandError, LidstreamError, StationFileError

if TYPE_CHECKING:
    from stream.pipeline.settle import Settled
    from stream.station import StationFile


def main(argv: Sequence[str] | None = None) -> int:
    """Run one verb.

    Returns
    -------
    int
        0 done, 1 the work failed, 2 the input or the command line is wrong.
    """
    parser = build_parser()
    arguments = parser.parse_args(argv)
    try:
        code = VERBS[arguments.verb](arguments)
    except LidstreamError as error:
        for line in str(error).splitlines():
            print(f"lidstream: {line}", file=sys.stderr)
        return error.exit_code
    except BrokenPipeError:
        sys.stderr.close()
        return 1
    except KeyboardInterrupt:
        print("lidstream: stopped; run the same again to go on", file=sys.stderr)
        return 1
    return code


def _check(arguments: argparse.Namespace) -> int:
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


def _admitted(file: "StationFile", url: str) -> None:
    """Say what is wrong with a station file that is worked with all the same.

    Raises
    ------
    StationFileError
        Numbers of it cannot be right, and there is nothing yet that would be interrupted.
    """
    from stream.pipeline.running import admit

    for line in admit(file, url):
        print(f"lidstream: {line}", file=sys.stderr)


def _draft(arguments: argparse.Namespace) -> int:
    from stream.draft.verb import draft

    text, left_out = draft(arguments.files, arguments.out, arguments.id)
    for line in left_out:
        print(f"lidstream: left out: {line}", file=sys.stderr)
    if arguments.out is None:
        print(text, end="")
        return 0
    try:
        arguments.out.write_text(text, encoding="utf-8")
    except OSError as error:
        raise CommandError(f"--out {arguments.out}: cannot be written: {error.strerror}") from None
    print(
        f"{arguments.out}: drafted; answer its questions, which"
        f" `lidstream check {arguments.out}` lists"
    )
    return 0


def _replay(arguments: argparse.Namespace) -> int:
    from stream.pipeline.replay import replay
    from stream.progress import Progress
    from stream.station import load_station

    file = load_station(arguments.station)
    url = database_of(arguments, file)
    _admitted(file, url)
    with Progress() as progress:
        done = replay(file, arguments.files, url, partial=arguments.partial, report=progress)
    print("\n".join([done.sentence(), *done.older(), *done.refusals()]))
    for line in done.not_taken:
        print(f"lidstream: {line}", file=sys.stderr)
    if done.not_taken:
        return 2
    complaints = [] if arguments.allow_refused else done.complaints()
    for line in complaints:
        print(f"lidstream: {line}", file=sys.stderr)
    return 1 if complaints else 0


def _run(arguments: argparse.Namespace) -> int:
    from stream.service.run import run
    from stream.station import load_station

    file = load_station(arguments.station)
    run(file, database_of(arguments, file), clock_is_right=arguments.clock_is_right)
    return 0


def _reprocess(arguments: argparse.Namespace) -> int:
    from stream.pipeline.reprocess import reprocess
    from stream.progress import Progress
    from stream.station import load_station

    file = load_station(arguments.station)
    url = database_of(arguments, file)
    _admitted(file, url)
    first, stop = stretch(arguments, file.station.station.timezone)
    with Progress() as progress:
        done = reprocess(
            file, url, first, stop, workers=arguments.workers, scheduler=arguments.scheduler,
            report=progress,
        )  # fmt: skip
    print(done.sentence())
    return 0


def _export(arguments: argparse.Namespace) -> int:
    from stream.export.verb import export
    from stream.station import load_station

    file = load_station(arguments.station)
    first, stop = stretch(arguments, file.station.station.timezone)
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


def _round(arguments: argparse.Namespace) -> int:
    from stream.export.round_sheet import plan_round, write_round
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


def _propose(arguments: argparse.Namespace) -> int:
    from stream.export.proposal import draw_proposal
    from stream.pipeline.propose import propose
    from stream.station import load_station

    file = load_station(arguments.station)
    folder = out_folder(arguments)
    first, stop = stretch(arguments, file.station.station.timezone)
    for proposal in propose(file, database_of(arguments, file), first, stop):
        print("\n".join(proposal.sentences()))
        picture = folder / f"edge-{proposal.analyzer}-{proposal.gas}.png"
        draw_proposal(proposal, picture)
        print(f"  {picture}")
    print("Nothing was changed: write what convinces you into the station file, then reprocess.")
    return 0


def _compare(arguments: argparse.Namespace) -> int:
    from stream.export.compare import compare
    from stream.station import load_station

    file = load_station(arguments.station)
    first, stop = stretch(arguments, file.station.station.timezone)
    folder = out_folder(arguments)
    if not 0.0 < arguments.within <= 48.0:
        raise CommandError(f"--within: {arguments.within:g} h is not between 0 and 48")
    url = database_of(arguments, file)
    for result in compare(
        file,
        url,
        folder,
        first=first,
        stop=stop,
        within_h=arguments.within,
        gases=tuple(arguments.gas),
    ):
        print(f"{result.sentence()}\n{result.picture}\n{result.table}")
    return 0


def _report(arguments: argparse.Namespace) -> int:
    from stream.export.report import write_report
    from stream.station import load_station

    file = load_station(arguments.station)
    folder = out_folder(arguments)
    first, last = day_of(arguments.first, "--from"), day_of(arguments.stop, "--to")
    for path in write_report(file, database_of(arguments, file), folder, first, last):
        print(path)
    return 0


def _due(arguments: argparse.Namespace) -> int:
    from contextlib import closing

    from stream.field.desk import Desk
    from stream.field.season import season_calendar
    from stream.field.weather import sampling_due
    from stream.station import load_station
    from stream.store import open_existing

    file = load_station(arguments.station)
    days = season_calendar(
        file.station, day_of(arguments.first, "--from"), day_of(arguments.stop, "--to")
    )
    with closing(open_existing(database_of(arguments, file))) as store:
        desk = Desk.over(file, store)
        for day, why in sampling_due(desk.file.station, desk.journal, days).items():
            print(f"{day:%Y-%m-%d %a}  {why}")
    return 0


def _note(arguments: argparse.Namespace) -> int:
    import getpass
    from contextlib import closing

    from stream.field.log import keep_note
    from stream.pipeline.note import take_up
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
        kind=arguments.kind if back is None else "taken_back",
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


def _summary(arguments: argparse.Namespace) -> int:
    from stream.service.mornings import tell_now
    from stream.station import load_station
    from stream.summary.render import as_text, write_summary
    from stream.summary.verb import summary_of

    file = load_station(arguments.station)
    folder = None if arguments.out is None else out_folder(arguments)
    summary = summary_of(file, database_of(arguments, file), day_of(arguments.day, "--day"))
    if folder is None:
        print(as_text(summary), end="")
    else:
        for path in write_summary(summary, folder):
            print(path)
    if arguments.send:
        ways = tell_now(file, summary)
        if not ways:
            raise CommandError("--send: the station file has neither [mail] nor summary.topic")
        print(f"sent by {' and '.join(ways)}")
    return 0


def _page(arguments: argparse.Namespace) -> int:
    import threading

    from stream.service.pages import end_sessions, serve_page
    from stream.station import load_station

    file = load_station(arguments.station)
    rules = file.station.page
    if arguments.end_sessions:
        print(end_sessions(file, database_of(arguments, file)))
        return 0
    port = (rules.port or 8410) if arguments.port is None else arguments.port
    if not 0 <= port <= 65535:
        raise CommandError(f"--port: {port} is not a port from 0 to 65535")

    def say(line: str) -> None:
        print(line, flush=True)

    url = database_of(arguments, file)
    serve_page(file, url, arguments.host or rules.host, port, say, threading.Event())
    return 0


def _demo(arguments: argparse.Namespace) -> int:
    from stream.demo.run import run_demo

    run_demo(arguments.out, arguments.days)
    return 0


VERBS: dict[str, Callable[[argparse.Namespace], int]] = {
    "check": _check,
    "draft": _draft,
    "replay": _replay,
    "run": _run,
    "reprocess": _reprocess,
    "export": _export,
    "round": _round,
    "compare": _compare,
    "propose": _propose,
    "report": _report,
    "due": _due,
    "note": _note,
    "summary": _summary,
    "page": _page,
    "demo": _demo,
}


if __name__ == "__main__":
    sys.exit(main())
