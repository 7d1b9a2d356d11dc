"""The command: its verbs, and what becomes of their errors."""

import argparse
import sys
from collections.abc import Sequence
from typing import Final, NoReturn

from stream import __version__
from stream.cli import (
    check,
    compare,
    demo,
    draft,
    due,
    export,
    note,
    page,
    propose,
    replay,
    report,
    reprocess,
    round,
    run,
    summary,
)
from stream.errors import LidstreamError

VERBS: Final = (
    check, draft, replay, run, reprocess, export, round, compare, propose, report, due, note,
    summary, page, demo,
)  # fmt: skip
"""In the order of the help."""


class _Parser(argparse.ArgumentParser):
    """Says what is wrong in one line."""

    def error(self, message: str) -> NoReturn:
        self.exit(2, f"{self.prog}: {message}; see {self.prog} --help\n")


def build_parser(first: str = "") -> argparse.ArgumentParser:
    """The command line: verbs, their arguments and help; of one verb alone where the first
    word is its name, which takes a tenth of the time.
    """
    parser = _Parser(
        prog="lidstream",
        description="Records of automatic soil chambers become greenhouse-gas fluxes.",
    )
    parser.add_argument("--version", action="version", version=f"lidstream {__version__}")
    verbs = parser.add_subparsers(dest="verb", metavar="VERB", required=True)
    for verb in [v for v in VERBS if v.__name__ == f"{__package__}.{first}"] or VERBS:
        verb.add(verbs)
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run one verb.

    Returns
    -------
    int
        0 done, 1 the work failed, 2 the input or the command line is wrong.
    """
    words = sys.argv[1:] if argv is None else argv
    arguments = build_parser(*words[:1]).parse_args(words)
    try:
        code: int = arguments.run(arguments)
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
