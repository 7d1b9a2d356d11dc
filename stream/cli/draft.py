"""``lidstream draft``: write a station file from some of the station's files, with questions."""

import argparse
import sys
from pathlib import Path

from stream.errors import CommandError


def add(verbs: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Its arguments and help."""
    parser = verbs.add_parser(
        "draft", help="write a station file from some of the station's files, with questions"
    )
    parser.add_argument("files", nargs="+", type=Path, metavar="FILE", help="files or folders")
    parser.add_argument(
        "--out", type=Path, metavar="PATH", help="station file to write; on the screen without it"
    )
    parser.add_argument("--id", metavar="ID", help="of the station; the folder's name without it")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Do it; 0 done, 1 the work failed."""
    from stream.draft.verb import draft

    text, told = draft(arguments.files, arguments.out, arguments.id)
    for line in told:
        print(f"lidstream: {line}", file=sys.stderr)
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
