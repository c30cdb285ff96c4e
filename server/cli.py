"""The terminal's door: the command `spareshaft`."""

from __future__ import annotations

import argparse
import math
import os
import sys
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from typing import NoReturn

from server import __version__
from server.settings import DATABASE_NAME, DEFAULT_PORT, default_data_folder
from server.terminal import FAILED, UNUSABLE, CtrlC, complain, plain, say

# what plans and what serves is imported where it is needed: it takes long, and a Ctrl-C is heard meanwhile

OK, INTERRUPTED = 0, 130


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command.

    Args:
        arguments: what follows the command's name; by default the terminal's.

    Returns:
        The exit status.
    """
    words = list(sys.argv[1:] if arguments is None else arguments)
    if not words or (words[0] not in _COMMANDS and words[0] not in ("-h", "--help", "--version")):
        words.insert(0, "serve")
    try:
        asked = _parser().parse_args(words)
        status: int = asked.run(asked)
        sys.stdout.flush()
    except BrokenPipeError:
        complain("whoever was to read the output left before its end.")
    except KeyboardInterrupt:
        complain("stopped.")
        return INTERRUPTED
    except OSError as error:
        complain(f"the output cannot be written: {error.strerror or error}.")
    else:
        return status
    # what is left in the buffer can go nowhere; without this Python would complain once more at its end
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
    return FAILED


def _serve(asked: argparse.Namespace) -> int:
    from server.planning import Refused
    from server.serving import CannotServe, serve
    from server.store.failure import StoreFailure

    if (data := _folder(asked.data)) is None:
        return FAILED
    try:
        serve(data, host=asked.host, port=asked.port, share=asked.share, demo=asked.demo)
    except (CannotServe, StoreFailure) as why:
        complain(str(why))
        return FAILED
    except Refused as refused:
        return refused.status
    return OK


def _plan(asked: argparse.Namespace) -> int:
    from server.plan.workorder import write_workorder
    from server.planning import Refused, planned

    stop = CtrlC(INTERRUPTED)
    try:
        _, order = planned(asked.piece, asked.limit, stop)
    except Refused as refused:
        return refused.status
    sys.stdout.write(write_workorder(order))
    if stop.left_running:  # a way out that does not wait for the solver
        sys.stdout.flush()
        os._exit(OK)
    return OK


def _import(asked: argparse.Namespace) -> int:
    from server.planning import Refused, bring_in
    from server.store.database import Store, StoreFailure

    if (data := _folder(asked.data)) is None:
        return FAILED
    try:
        with closing(Store(data / DATABASE_NAME)) as store:
            brought_in = bring_in(store, asked.piece, asked.limit)
    except StoreFailure as why:
        complain(str(why))
        return FAILED
    except Refused as refused:
        return refused.status
    say(f"{brought_in} It is among the pieces now.")
    return OK


def _folder(name: str) -> Path | None:
    """The data folder, there or not; None, once it has been said that a file stands in its place."""
    folder = Path(name)
    for path in (folder, *folder.parents):
        if path.is_file():
            complain(f"{path}: this is a file; name a folder with --data.")
            return None
    return folder


class _Parser(argparse.ArgumentParser):
    """Complains in one line, made plain."""

    def error(self, message: str) -> NoReturn:
        complain(f"{message}. See {self.prog} --help.")
        sys.exit(UNUSABLE)


def _port(text: str) -> int:
    if not text.isascii() or not text.isdigit() or int(text[:9]) > 65535:
        raise argparse.ArgumentTypeError(f"a port is a number from 0 to 65535, not “{plain(text[:40])}”")
    return int(text)


def _limit(text: str) -> float:
    try:
        seconds = float(text)
    except ValueError:
        seconds = math.nan
    if not 0 < seconds < math.inf:
        raise argparse.ArgumentTypeError(f"a limit is a number of seconds above 0, not “{plain(text[:40])}”")
    return seconds


_HELP = """\
Plan temporary shafts for a shaft drawloom, and be told, one instruction at a time, what to do at it.

Without a command it serves: it opens the pages for a browser on this computer.
"""

_EXAMPLES = """\
examples:
  spareshaft                      open the pages on this computer
  spareshaft --share              open them to a tablet at the loom, with a join code
  spareshaft plan runner.json     print the plan of a piece
  spareshaft import runner.json   plan a piece and put it among the pieces
"""

_SERVE = """\
Open the pages for a browser. The server listens on this computer only. With --share it
opens to the home network: it prints a join code, and a device that has joined once stays
joined.
"""

_SERVE_END = """\
example:
  spareshaft --share --data ~/weaving

exit status:
  0  stopped with Ctrl-C
  1  could not start: the address or the data folder cannot be used
  2  an option is wrong

To make every device join anew, delete the file “secret” in the data folder.
"""

_PLAN = """\
Print how to weave a piece with temporary shafts, as JSON on standard output: every walk to
the back of the loom, every temporary put in and drawn out, every handle to raise, row by
row, in the fewest minutes. A plan that takes longer than a second says on standard error
how far it has come; Ctrl-C then ends the search with the best plan found so far.
"""

_PLAN_END = """\
examples:
  spareshaft plan runner.json > runner.plan.json
  spareshaft plan --limit 60 - < runner.json

exit status:
  0  a plan; after Ctrl-C the best so far, and standard error says so
  1  the output cannot be written
  2  the file cannot be used, or an option is wrong
  3  no plan exists on this loom
  130  stopped with Ctrl-C before there was any plan, or twice
Why is said on standard error.
"""

_IMPORT = """\
Plan a piece and put it among the pieces, as bringing it in on the page does. A server may
be running meanwhile.
"""

_IMPORT_END = """\
example:
  spareshaft import runner.json

exit status:
  0  brought in
  1  the data folder cannot be used
  2  the file cannot be used, or an option is wrong
  3  no plan exists on this loom; the page Pieces, given the same file, finds what would do
  130  stopped with Ctrl-C
Why is said on standard error. Nothing is kept unless it is 0.
"""


def _parser() -> argparse.ArgumentParser:
    raw = argparse.RawDescriptionHelpFormatter
    parser = _Parser(prog="spareshaft", description=_HELP, epilog=_EXAMPLES, formatter_class=raw)
    parser.add_argument("--version", action="version", version=f"spareshaft {__version__}")
    commands = parser.add_subparsers(metavar="COMMAND")

    serve = commands.add_parser(
        "serve",
        help="open the pages (the default)",
        description=_SERVE,
        epilog=_SERVE_END,
        formatter_class=raw,
    )
    serve.add_argument("--host", help="address to listen on (default 127.0.0.1; with --share 0.0.0.0)")
    serve.add_argument(
        "--port", type=_port, default=DEFAULT_PORT, help="port (default %(default)s; 0: any that is free)"
    )
    serve.add_argument("--share", action="store_true", help="let other devices in that know the join code")
    serve.add_argument("--demo", action="store_true", help="put the demo pieces in where there are none yet")
    serve.set_defaults(run=_serve)

    plan_ = commands.add_parser(
        "plan", help="print the plan of a piece", description=_PLAN, epilog=_PLAN_END, formatter_class=raw
    )
    plan_.set_defaults(run=_plan)
    import_ = commands.add_parser(
        "import",
        help="plan a piece and put it among the pieces",
        description=_IMPORT,
        epilog=_IMPORT_END,
        formatter_class=raw,
    )
    import_.set_defaults(run=_import)

    for command in (plan_, import_):
        command.add_argument("piece", metavar="PIECE.json", help="the piece file; - reads standard input")
        command.add_argument(
            "--limit",
            type=_limit,
            default=10.0,
            metavar="SECONDS",
            help="end the search with the best plan found by then (default 10)",
        )
    for command in (serve, import_):
        command.add_argument(
            "--data",
            metavar="FOLDER",
            default=default_data_folder(),
            help="folder with the pieces and their log (default: %(default)s)",
        )
    return parser


_COMMANDS = ("serve", "plan", "import")


if __name__ == "__main__":
    sys.exit(main())
