"""``lidstream page``: the station page, for a browser."""

import argparse

from stream.cli.values import database_of, database_option, station_argument
from stream.errors import CommandError


def add(verbs: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Its arguments and help."""
    parser = verbs.add_parser("page", help="the station page, for a browser")
    station_argument(parser)
    parser.add_argument("--host", help="address to listen on (the station file's, or 127.0.0.1)")
    parser.add_argument("--port", type=int, help="(the station file's, or 8410)")
    parser.add_argument(
        "--end-sessions", action="store_true", help="sign everybody out, and serve nothing"
    )
    database_option(parser)
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Do it; 0 done, 1 the work failed."""
    import threading

    from stream.station import load_station
    from stream.web.page_in_service import end_sessions, serve_page

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
