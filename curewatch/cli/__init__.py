"""The commands, one function each, thin over what lies below; `app.COMMANDS` names them, and loads the one that is
run."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from contextvars import copy_context

from curewatch.cli.exits import Exit


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command line (default: this process's own) and return its exit code. Raises nothing but SystemExit."""
    return copy_context().run(_main, arguments)  # who reads what one line says is nobody's after it


def _main(arguments: Sequence[str] | None) -> int:
    arguments = list(sys.argv[1:] if arguments is None else arguments)
    # before NumPy is there: its matrices are small here, and threads that wait by spinning only burn a board's cores
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    for name in ("stdout", "stderr"):
        if getattr(sys, name) is None:  # closed by whoever called: there is nowhere to write to
            setattr(sys, name, open(os.devnull, "w", encoding="utf-8"))  # noqa: SIM115 it stays open like the real one
    try:
        from curewatch.cli.app import run

        return run(arguments)
    except KeyboardInterrupt:
        return Exit.INTERRUPTED
    except Exception as error:
        from curewatch.cli.errors import complain

        return complain(error, as_json="--json" in arguments)
