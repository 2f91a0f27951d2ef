"""The only reader of clocks: wall time, the monotonic clock, and time since boot; and whether wall time is believed.

Three clocks, because each lies in its own way (clock_gettime(2), Linux):

* wall: what people mean, but anyone may set it, forwards or backwards;
* monotonic: never set, but it stands still while the machine sleeps;
* boottime: never set, and it goes on counting through a sleep.

So between two samples the monotonic clock's shortfall against boottime is sleep, and the wall clock's
disagreement with boottime is a step. `judge` does that arithmetic and nothing else. `WatchedClock` believes no leap of
the wall clock that nobody vouches for, whatever date it shows.
"""

from __future__ import annotations

import ctypes
import sys
import threading
import time
from collections.abc import Callable
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

    def boot_id(self) -> str | None:
        """Which start of the machine `boottime` counts from; None if unknown."""
        ...

    def vouched(self) -> datetime | None:
        """The time that something outside vouches for; None where nothing does."""
        ...

    def wait(self, event: threading.Event, timeout: float) -> bool:
        """Block until `event` is set or `timeout` seconds of `monotonic` have passed; True if it is set."""
        ...


class _Timex(ctypes.Structure):
    """struct timex up to its time; all zeros asks and sets nothing (adjtimex(2))."""

    _fields_ = (
        ("modes", ctypes.c_uint),
        *((name, ctypes.c_long) for name in ("offset", "freq", "maxerror", "esterror")),
        ("status", ctypes.c_int),
        *((name, ctypes.c_long) for name in ("constant", "precision", "tolerance", "tv_sec", "tv_usec")),
        ("rest", ctypes.c_byte * 256),
    )


_TIME_ERROR = 5


class SystemClock:
    """The machine's own clocks."""

    def now(self) -> datetime:
        return datetime.now(UTC)

    def monotonic(self) -> float:
        return time.monotonic()

    def boottime(self) -> float:
        # Linux; on macOS it is CLOCK_MONOTONIC that counts sleep (clock_gettime(3) there), on Windows `monotonic` does
        boot = getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC if sys.platform == "darwin" else None)
        return time.monotonic() if boot is None else time.clock_gettime(boot)

    def boot_id(self) -> str | None:
        """proc_sys_kernel(5), Linux."""
        try:
            return Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip() or None
        except (OSError, ValueError):
            return None

    def vouched(self) -> datetime | None:
        """The kernel's own time where a time daemon (NTP, PTP) keeps it: adjtimex(2), Linux, whose answer TIME_ERROR
        says that nobody does. A clock set by hand is nobody's until such a daemon has set it again."""
        try:
            told = _Timex()
            kept = 0 <= ctypes.CDLL(None).adjtimex(ctypes.byref(told)) < _TIME_ERROR
        except (OSError, AttributeError, TypeError):
            return None
        return datetime.fromtimestamp(told.tv_sec, UTC) if kept else None

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


def plausible(now: datetime) -> bool:
    """Whether a wall clock can be believed at all: not before this release, nor decades after it."""
    return RELEASED <= now <= _LAST_BELIEVED


LEAP_S = 300.0
"""A step of the wall clock by more than this [s], either way, is held until it is confirmed. A time daemon that steps
vouches for it at once; what is left are a hand, a battery that fails and a machine that was frozen."""
HELD_AT_MOST_S = 6 * 3600.0
"""A leap that stands is believed once it has stood for as long as it is wide, and after this [s] whatever it is: alarms
wait that long at the most."""
ASKED_EVERY_S = 5.0
UNKNOWN = datetime(1970, 1, 1, tzinfo=UTC)
"""What a clock that is held shows to whoever would decide or date something by it: a time that cannot be."""


class Leap(NamedTuple):
    """A step of the wall clock that nobody has confirmed."""

    shown: datetime
    """By the machine's clock."""
    carried: datetime
    """As it would be had nobody set that."""


class WatchedClock:
    """A clock that shows `UNKNOWN` while its wall time has leapt and nobody vouches for it. For any thread.

    A line is the wall time at the machine's start, as the wall clock has it: it moves when that is set, and only then.
    """

    def __init__(self, clock: Clock) -> None:
        self._clock, self._lock = clock, threading.Lock()
        self._lines: list[datetime] = []
        """Those believed since the start, the present one last: back on an earlier one the leap is over."""
        self._held: tuple[datetime, float] | None = None
        self._asked_at = -ASKED_EVERY_S
        self.witness: Callable[[], tuple[datetime, float] | None] = lambda: None
        """A second source: what time it told last, and when that was [s, boottime]."""
        self.monotonic, self.boottime, self.wait = clock.monotonic, clock.boottime, clock.wait
        self.boot_id, self.vouched = clock.boot_id, clock.vouched

    def now(self) -> datetime:
        with self._lock:
            wall, boottime = self._clock.now(), self._clock.boottime()
            if not plausible(wall):
                return wall
            return wall if self._believes(wall - timedelta(seconds=boottime), boottime) else UNKNOWN

    @property
    def line(self) -> datetime | None:
        """The one believed now; None before any was."""
        with self._lock:
            return self._lines[-1] if self._lines else None

    def carried(self) -> datetime:
        """The time as far as it is believed: carried on from before a leap; whatever is shown where none was."""
        line = self.line
        return self._clock.now() if line is None else line + timedelta(seconds=self._clock.boottime())

    def held(self) -> Leap | None:
        """What is held now."""
        self.now()
        with self._lock:
            if self._held is None:
                return None
            return Leap(
                self._held[0] + timedelta(seconds=self._clock.boottime()),
                self._lines[-1] + timedelta(seconds=self._clock.boottime()),
            )

    def trust(self, line: datetime) -> None:
        """Somebody who knows says that this is the one, and any other was wrong."""
        with self._lock:
            self._lines, self._held = [line], None

    def confirm(self) -> None:
        """What the machine's clock shows now is right."""
        self.trust(self._clock.now() - timedelta(seconds=self._clock.boottime()))

    def _believes(self, line: datetime, boottime: float) -> bool:
        known = next((k for k, one in enumerate(self._lines) if _near(one, line)), None)
        if known is None and self._lines and not self._confirmed(line, boottime):
            return False
        self._held = None
        self._lines = [*self._lines[:known], line]  # what was believed after one that it is back on was wrong
        return True

    def _confirmed(self, line: datetime, boottime: float) -> bool:
        if self._held is None or not _near(self._held[0], line):
            self._held, self._asked_at = (line, boottime), boottime - ASKED_EVERY_S
        wide_s = abs((line - self._lines[-1]).total_seconds())
        if boottime - self._held[1] >= min(wide_s, HELD_AT_MOST_S):
            return True
        if boottime - self._asked_at < ASKED_EVERY_S:
            return False
        self._asked_at = boottime
        vouched, told = self._clock.vouched(), self.witness()
        said = [] if vouched is None else [vouched - timedelta(seconds=boottime)]
        said += [] if told is None else [told[0] - timedelta(seconds=told[1])]
        if any(_near(one, line) for one in said):
            self._lines = []  # who vouches for this one speaks against the others
            return True
        return False


def _near(line: datetime, other: datetime) -> bool:
    return abs((line - other).total_seconds()) <= LEAP_S
