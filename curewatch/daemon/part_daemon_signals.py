"""SIGTERM and SIGINT: the first asks for a graceful end, the second ends the process at once.

Python runs a signal's handler in the main thread between two steps of it, which may hold the very lock the handler
would need to wake it, or be deep in numpy for seconds. So the handlers do nothing. The interpreter also writes each
signal's number into a socket, from whatever thread the signal reached, and a thread of ours listens there.
"""

from __future__ import annotations

import contextlib
import logging
import os
import signal
import socket
import threading
from collections.abc import Callable, Iterator

log = logging.getLogger(__name__)

ENDING = (signal.SIGTERM, signal.SIGINT)
IMMEDIATE = 128
"""A second signal ends the process with this plus its number, as shells count: 143 for SIGTERM, 130 for SIGINT."""


@contextlib.contextmanager
def signal_handlers(stop: Callable[[], object]) -> Iterator[None]:
    """Within the block the first signal calls `stop`, from another thread. Only for the main thread."""
    heard, writing = socket.socketpair()
    writing.setblocking(False)
    thread = threading.Thread(target=_listen, args=(heard, stop), name="signals", daemon=True)
    previous_fd = signal.set_wakeup_fd(writing.fileno(), warn_on_full_buffer=False)
    previous = {number: signal.signal(number, _leave_it_to_the_thread) for number in ENDING}
    thread.start()
    try:
        yield
    finally:
        for number, handler in previous.items():
            signal.signal(number, handler)
        signal.set_wakeup_fd(previous_fd)
        writing.close()  # ends the thread
        thread.join()
        heard.close()


def _leave_it_to_the_thread(number: int, frame: object) -> None:
    pass


def _listen(heard: socket.socket, stop: Callable[[], object]) -> None:
    signals = 0
    while numbers := heard.recv(16):
        for number in numbers:
            if number not in ENDING:
                continue
            signals += 1
            if signals > 1:
                # What is not committed was never acknowledged, and what is not marked is sent again: nothing is lost.
                log.warning("a second signal: ending at once")
                os._exit(IMMEDIATE + number)
            log.info("%s: finishing what is begun; once more ends at once", signal.Signals(number).name)
            stop()
