"""The command ``countmap``: the groups put together, and how it ends."""

from __future__ import annotations

import sys
import traceback
from typing import NoReturn

import typer

from countmap.cli import (
    annual,
    balance,
    counts,
    days,
    flags,
    plan,
    publish,
    register,
    roads,
    screenlines,
    stations,
    surveys,
    tubes,
    turns,
)
from countmap.errors import CountmapError

REFUSED, FAULT = 1, 3

app = typer.Typer(
    help="Traffic count stations on a road graph: plan coverage, check counts, share results.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    epilog="--debug anywhere adds the traceback of an error.",
)
register.add_to(app)
for name, module in {
    "roads": roads,
    "stations": stations,
    "surveys": surveys,
    "tubes": tubes,
    "days": days,
    "counts": counts,
    "flags": flags,
    "annual": annual,
    "balance": balance,
    "screenlines": screenlines,
    "turns": turns,
    "plan": plan,
    "publish": publish,
}.items():
    app.add_typer(module.app, name=name)


def run() -> NoReturn:
    """Run the command line; every error is one line on stderr.

    Exit codes: 0 done, 1 refused and nothing changed, 2 wrong usage, 3 internal fault, 4 findings
    (only with ``--fail-on-flags``).
    """
    debug = "--debug" in sys.argv
    sys.argv = [word for word in sys.argv if word != "--debug"]
    try:
        app()
    except CountmapError as error:
        _end(str(error), REFUSED, debug=debug)
    except BrokenPipeError:
        sys.stderr.close()
        sys.exit(0)
    except OSError as error:
        _end(
            f"{error.filename or 'the system'}: {error.strerror or error}. "
            "Check the path, the rights and the space on the disk",
            REFUSED,
            debug=debug,
        )
    except Exception as error:  # noqa: BLE001  # the last line of defence: one line, never a traceback
        _end(
            f"internal fault: {type(error).__name__}: {error}. Run again with --debug and report it",
            FAULT,
            debug=debug,
        )
    sys.exit(0)


def _end(message: str, code: int, *, debug: bool) -> NoReturn:
    if debug:
        traceback.print_exc()
    sys.stderr.write("countmap: " + " ".join(message.split()) + "\n")
    sys.exit(code)


if __name__ == "__main__":
    run()
