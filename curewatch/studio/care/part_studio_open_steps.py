"""The step of after-care that is open on a piece today: what the morning's work names."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from curewatch.studio.care.aftercare import CareStep, Step
from curewatch.studio.care.varnish_air import Window
from curewatch.studio.wording import Local, date


@dataclass(frozen=True)
class OpenStep:
    """A step that may safely be done now, and nothing stands before it."""

    line: CareStep
    window: Window | None
    """The next spell of air that is good for it, where it wants such air; None: none is foreseen."""

    @property
    def kind(self) -> str:
        """`wash`, `varnish` (any coat) or `wrap`."""
        return "varnish" if self.line.needs_air else self.line.step


def open_line(lines: Sequence[CareStep], now: datetime) -> CareStep | None:
    """The first of wash, coats and wrap that is safe to do now; None where nothing is.

    Signing and wiring go beside them at any time, and are not told. A coat that was left out before a later one is
    past; silicone never is.
    """
    told = [line for line in lines if line.step in (Step.WASH, Step.WRAP) or line.needs_air]
    done = [at for at, line in enumerate(told) if line.done is not None]
    past = max(done, default=-1)
    for at, line in enumerate(told):
        if (at > past or line.step == Step.WASH) and line.ready(now) == "safe":
            return line
    return None


def open_step_text(step: OpenStep, local: Local, now: datetime) -> str:
    """A sentence or two: what, in what air, with what care."""
    said = f"{step.line.title}."
    if step.line.needs_air:
        window = step.window
        if window is None:
            said += " No good air for it is foreseen in the next two days."
        elif window.begins_at <= now:
            said += f" The air is good for it until {date(window.ends_at, local, now)}."
        else:
            odds = "" if window.sure else ", at even odds"
            same_day = local(window.begins_at).date() == local(window.ends_at).date()
            ends = f"{local(window.ends_at):%H:%M}" if same_day else date(window.ends_at, local, now)
            said += f" Good air for it {date(window.begins_at, local, now)} to {ends}{odds}."
    return f"{said} {step.line.caution}".rstrip()
