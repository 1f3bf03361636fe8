"""
The command line: one word of the trade each; parse, call one function, print.

A command is a module here with `add_parser(subparsers)` and a line in COMMANDS. Only the module of the command that was
asked for is imported, so that help answers at once on a slow box.
"""

from __future__ import annotations

import argparse
import codecs
import importlib
import io
import os
import sys
from typing import TYPE_CHECKING, Any, Final

from netaudit import __version__
from netaudit.errors import NetauditError, PlanError

if TYPE_CHECKING:
    from collections.abc import Sequence

# command -> what it is for; the order is the order of a job.
COMMANDS: Final = {
    "draft": "write a first plan: from a few answers, from captures, or from one look around",
    "check": "read a site plan and say what is wrong with it, line by line",
    "dimension": "size the plan: hazards, the ledger of what can run out, what to do",
    "choose": "choose the cheapest equipment that carries the plan",
    "draw": "draw the plan; write the cable and patch schedule",
    "census": "say who is there, from capture files",
    "baseline": "freeze what is there, before anything is changed",
    "cutover": "plan a move, and follow it: who is back, who is missing and what it needs",
    "accept": "prove the network against its plan; write a certificate",
    "run": "watch the site: look, keep, judge, serve metrics",
    "audit": "the ledger beside what was observed, worst first; acknowledge or mute findings",
    "alert": "send a message through each channel of the plan, to see that it arrives",
    "report": "write the weekly report from what was kept, of one site or of all in a store",
    "serve": "show all sites of a central store on one page, read-only",
    "store": "look after the database: check, backup, restore, prune, forget, ship",
    "demo": "run the whole job on an invented site",
}

# What figures are written with and an older terminal may lack: a question mark in place of a minus would hide that something lacks.
_PLAIN: Final = {"−": "-", "\u00a0": " ", "\u202f": " ", "…": "."}

OK, SOMETHING_OVER, WRONG_INPUT, INTERRUPTED = 0, 1, 2, 130


class Layout(argparse.HelpFormatter):
    """Help that is folded to the terminal, but for its example: that is copied, and a line's end would cut it in two."""

    def _fill_text(self, text: str, width: int, indent: str) -> str:
        return text if text.startswith("example: ") else super()._fill_text(text, width, indent)


class _Command(argparse.ArgumentParser):
    """A parser that says in one line what is wrong with a call, and where help is."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:  # noqa: ANN401 - handed on as they are
        """Take the usual layout, unless another is asked for."""
        super().__init__(*args, **{"formatter_class": Layout, **kwargs})

    def error(self, message: str) -> None:  # type: ignore[override]
        """Print one line and end with status 2."""
        sys.stderr.write(f"{self.prog}: {message}; see {self.prog} --help\n")
        raise SystemExit(WRONG_INPUT)


def _layout(prog: str) -> argparse.HelpFormatter:
    """Lay help out on one screen: a line a command."""
    return argparse.RawDescriptionHelpFormatter(prog, max_help_position=18, width=100)


def _parser(wanted: str | None) -> argparse.ArgumentParser:
    """Build the parser, with the whole of the wanted command and a line of each other."""
    parser = _Command(
        prog="netaudit",
        description="Plan, prove and watch the network of a house or a small site.",
        epilog="example: netaudit demo",
        formatter_class=_layout,
    )
    parser.add_argument("--version", action="version", version=f"netaudit {__version__}")
    subparsers = parser.add_subparsers(dest="command", metavar="COMMAND", required=True, parser_class=_Command)
    for name, purpose in COMMANDS.items():
        if name == wanted:
            importlib.import_module(f"netaudit.cli.{name}").add_parser(subparsers)
        else:
            subparsers.add_parser(name, help=purpose)
    return parser


def _plain(error: UnicodeError) -> tuple[str, int]:
    """Give what stands in place of signs that an output can't take: as many, so that tables keep their columns."""
    if not isinstance(error, UnicodeEncodeError):
        raise error
    return "".join(_PLAIN.get(sign, "?") for sign in error.object[error.start : error.end]), error.end


def main(argv: Sequence[str] | None = None) -> int:
    """
    Run one command and give its exit status: 0 all is within, 1 something is over or failed, 2 input or call was wrong.

    Whatever a user can cause ends in one line on standard error, never in a traceback.
    """
    words = list(sys.argv[1:] if argv is None else argv)
    if isinstance(sys.stdout, io.TextIOWrapper):
        # A terminal or locale that has no sign for a letter or a box gets a question mark, not the end of the command.
        codecs.register_error("netaudit.plain", _plain)
        sys.stdout.reconfigure(errors="netaudit.plain")
    args, unknown = _parser(next((word for word in words if not word.startswith("-")), None)).parse_known_args(words)
    if unknown:
        # argparse would name the program alone, whose help knows none of the command's options.
        called = " ".join(("netaudit", args.command, *((args.task,) if "task" in args else ())))
        sys.stderr.write(f"{called}: doesn't know {' '.join(unknown)}; see {called} --help\n")
        return WRONG_INPUT
    try:
        status: int = args.func(args)
        sys.stdout.flush()
    except PlanError as error:
        for fault in (error, *error.more):
            sys.stderr.write(f"{fault}\n")
        return WRONG_INPUT
    except NetauditError as error:
        sys.stderr.write(f"netaudit {args.command}: {error}\n")
        return WRONG_INPUT
    except BrokenPipeError:
        # The reader of a pipe has left; what it wanted it has. The interpreter's last flush must not complain.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return OK
    except OSError as error:
        # A full disk under a redirected output, mostly; each place that writes a file of its own says more.
        where = f"{error.filename}: " if error.filename else ""
        sys.stderr.write(f"netaudit {args.command}: {where}{error.strerror or error}\n")
        return WRONG_INPUT
    except KeyboardInterrupt:
        return INTERRUPTED
    return status
