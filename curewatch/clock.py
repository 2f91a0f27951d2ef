"""The only reader of clocks: wall time, the monotonic clock, and time since boot.

Three clocks, because each lies in its own way (clock_gettime(2), Linux):

* wall: what people mean, but anyone may set it, forwards or backwards;
* monotonic: never set, but it stands still while the machine sleeps;
* boottime: never set, and it goes on counting through a sleep.

So between two samples the monotonic clock's shortfall against boottime is sleep, and the wall clock's
disagreement with boottime is a step. `judge` does that arithmetic and nothing else.
"""

from __future__ import annotations

import threading
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import NamedTuple, Protocol

RELEASED = datetime(2026, 11, 1, tzinfo=UTC)
"""No true clock that runs this code shows an earlier time. Moved on with each release."""

BELIEVABLE_AHEAD = timedelta(days=20 * 365)
"""How far after RELEASED a wall clock is still believed. A board without a battery clock starts decades off."""

_LAST_BELIEVED = RELEASED + BELIEVABLE_AHEAD

JITTER_S = 1.0
"""Disagreement between two clocks that means nothing [s]: they are read one after the other, and the machine
may be busy in between. No deadline of ours is finer than this."""

SLEW_FRACTION = 500e-6
"""Time daemons correct a small error by running the wall clock up to 500 ppm fast or slow (adjtime(3), and the
limit in RFC 5905 section 11.3); over a long interval that adds up without being a step."""


class Clock(Protocol):
    """What the shell is handed instead of reading clocks itself."""

    def now(self) -> datetime:
        """The wall clock, as aware UTC."""
        ...

    def monotonic(self) -> float:
        """Seconds that are never set and do not count sleep [s]."""
        ...

    def boottime(self) -> float:
        """Seconds that are never set and do count sleep [s]; equal to monotonic where the system has no such clock."""
        ...

    def wait(self, event: threading.Event, timeout: float) -> bool:
        """Block until `event` is set or `timeout` seconds of `monotonic` have passed; True if it is set."""
        ...


class SystemClock:
    """The machine's own clocks."""

    def now(self) -> datetime:
        return datetime.now(UTC)

    def monotonic(self) -> float:
        return time.monotonic()

    def boottime(self) -> float:
        boot = getattr(time, "CLOCK_BOOTTIME", None)  # Linux only
        return time.monotonic() if boot is None else time.clock_gettime(boot)

    def wait(self, event: threading.Event, timeout: float) -> bool:
        return event.wait(max(0.0, timeout))


class Sample(NamedTuple):
    """The three clocks, read together."""

    wall: datetime
    monotonic: float
    boottime: float


class Passage(NamedTuple):
    """What happened between two samples."""

    slept_s: float
    """How much of it the machine slept [s]; 0 if it did not."""
    stepped_s: float
    """How far somebody set the wall clock, forwards positive [s]; 0 if nobody did."""

    @property
    def slept(self) -> bool:
        return self.slept_s > 0

    @property
    def stepped(self) -> bool:
        return self.stepped_s != 0


def sample(clock: Clock) -> Sample:
    """Read the three clocks, one right after the other."""
    return Sample(clock.now(), clock.monotonic(), clock.boottime())


def judge(before: Sample, after: Sample) -> Passage:
    """Tell a sleep from a step of the wall clock.

    Where the system has no boottime clock (or a virtual machine was paused, which stops all but the wall clock), a
    sleep looks like a step forwards. That errs on the safe side: a step makes the daemon plan anew.

    Raises ValueError if the samples come in the wrong order, which the boottime clock shows beyond doubt.
    """
    elapsed = after.boottime - before.boottime
    if elapsed < 0:
        raise ValueError(f"the later sample has boottime {after.boottime}, before the earlier one's {before.boottime}")
    slept = elapsed - (after.monotonic - before.monotonic)
    stepped = (after.wall - before.wall).total_seconds() - elapsed
    return Passage(
        slept_s=slept if slept > JITTER_S else 0.0,
        stepped_s=stepped if abs(stepped) > JITTER_S + SLEW_FRACTION * elapsed else 0.0,
    )


def boot_id() -> str | None:
    """Which start of the machine this is (proc_sys_kernel(5), Linux): `boottime` counts from it. None if unknown."""
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip() or None
    except (OSError, ValueError):
        return None


def plausible(now: datetime) -> bool:
    """Whether a wall clock can be believed at all: not before this release, nor decades after it."""
    return RELEASED <= now <= _LAST_BELIEVED
