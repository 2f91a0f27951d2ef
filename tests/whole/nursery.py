"""Daemons that start quickly: everything is imported once, and each is a fork of that, a process of its own.

    python nursery.py LOG ARGUMENTS OF CUREWATCH…

Reads words from stdin, a line each, and answers each with a line: `start` (the new process's id), `kill` (SIGKILL; how
the process ended, as subprocess counts) and `end` (SIGTERM; the same). What is alive dies with it.
"""

from __future__ import annotations

import os
import signal
import sys


def main(log: str, arguments: list[str]) -> None:
    import curewatch.daemon.page_server
    import curewatch.web.app  # noqa: F401 imported for the forks to have
    from curewatch.cli import app, main

    assert app
    child = 0
    for line in sys.stdin:
        word = line.strip()
        if word == "start":
            child = os.fork()
            if child == 0:
                _live(log, main, arguments)
            print(child, flush=True)
            continue
        os.kill(child, signal.SIGKILL if word == "kill" else signal.SIGTERM)
        print(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), flush=True)
        child = 0
    if child:
        os.kill(child, signal.SIGKILL)


def _live(log: str, main: object, arguments: list[str]) -> None:
    assert callable(main)
    out = os.open(log, os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o600)
    nothing = os.open(os.devnull, os.O_RDONLY)
    for descriptor, number in ((nothing, 0), (out, 1), (out, 2)):
        os.dup2(descriptor, number)
    code = 1
    try:
        code = main(arguments)
    finally:
        sys.stdout.flush()
        os._exit(code)


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2:])
