"""The steps of a piece as JSON and as a page."""

from __future__ import annotations

import textwrap
from datetime import datetime
from zoneinfo import ZoneInfo

from curewatch.cli.output import Page
from curewatch.cli.session import Values, iso
from curewatch.desk.commands.aftercare import Steps
from curewatch.records.workshop import StepDone
from curewatch.studio import wording
from curewatch.studio.care.aftercare import CareStep
from curewatch.studio.care.varnish_air import Window, air_caveat

NOW = ("safe", "worth checking")
SIGNS = {"done": "[x]", "safe": "[ ]", "worth checking": "[?]", "not yet": " . ", "over": " - ", "waits": " . "}


def done_values(tz: ZoneInfo, step: StepDone) -> Values:
    return {
        "step": step.step,
        "done_at": iso(step.done_at, tz),
        "recorded_at": iso(step.recorded_at, tz),
        "too_early": step.too_early,
        "undone_at": iso(step.undone_at, tz),
    }


def values(tz: ZoneInfo, found: Steps, now: datetime) -> Values:
    """What --json prints."""
    return {
        "name": found.history.name,
        "steps": [_line_values(tz, line, now) for line in found.lines],
        "varnish_air": {
            "wants": found.care.air.in_words(),
            "against": None if found.against is None else list(found.against),
            "read_at": iso(found.read_at, tz),
            "next_good": None if found.window is None else _window_values(tz, found.window),
        },
        "history": [done_values(tz, step) for step in found.history.steps],
    }


def _line_values(tz: ZoneInfo, line: CareStep, now: datetime) -> Values:
    return {
        "step": line.step,
        "title": line.title,
        "state": line.ready(now),
        "early_at": iso(line.odds.early, tz),
        "worth_checking_at": iso(line.odds.even, tz),
        "safe_at": iso(line.odds.safe, tz),
        "reason": line.odds.reason,
        "waits_for": list(line.after),
        "better_after": list(line.advised),
        "needs_varnish_air": line.needs_air,
        "caution": line.caution,
        "done_at": iso(line.done.done_at if line.done else None, tz),
    }


def _window_values(tz: ZoneInfo, window: Window) -> Values:
    return {"begins_at": iso(window.begins_at, tz), "ends_at": iso(window.ends_at, tz), "sure": window.sure}


def text(tz: ZoneInfo, found: Steps, now: datetime, page: Page) -> str:
    """The steps, the next ones with their caution."""

    def local(at: datetime) -> datetime:
        return at.astimezone(tz)

    rows = [page.bold(f"{found.history.name}: the steps after its pour")]
    for line in found.lines:
        state = line.ready(now)
        air = air_caveat(found.against) if line.needs_air and state in NOW else ""
        head = f"{SIGNS[state]} {line.step:<10} {line.title}: {_when(line, now, local, air)}."
        rows += textwrap.wrap(head, page.width, subsequent_indent=" " * 15)
        if state in NOW:
            rows += _wrapped(line.caution, page)
    if any(line.needs_air and line.done is None for line in found.lines):
        rows += ["", *textwrap.wrap(_air(found, now, local), page.width)]
    undone = [step for step in found.history.steps if step.undone_at]
    rows += [f"Taken back: {step.step}, written down {_date(step.recorded_at, now, local)}." for step in undone]
    ending = "Dates are estimates: [?] is worth checking, [ ] safe to assume. The label on the tin goes before them."
    return "\n".join([*rows, "", *textwrap.wrap(ending, page.width)])


def _wrapped(said: str, page: Page) -> list[str]:
    indent = " " * 15
    return textwrap.wrap(said, page.width, initial_indent=indent, subsequent_indent=indent)


def _when(line: CareStep, now: datetime, local: wording.Local, air: str) -> str:
    """Its earliest date with how sure that is, what in the `air` is against it, and what it waits for."""
    if line.done is not None:
        early = ", before it was safe to" if line.done.too_early else ""
        return f"done {_date(line.done.done_at, now, local)}{early}"
    if line.ready(now) == "over":
        return "its time has passed"
    after = f"{air}, once {', '.join(line.after)} is done" if line.after else air
    if line.odds.safe is not None:
        even = line.odds.even
        if line.odds.safe <= now:
            return f"may be done from now on{after}"
        checking = "" if even is None or even == line.odds.safe else f", worth checking {_date(even, now, local)}"
        return f"safe {_date(line.odds.safe, now, local)}{checking}{after}"
    if line.odds.even is not None:
        return f"worth checking {_date(line.odds.even, now, local)}; no safe date ({line.odds.reason}){after}"
    return f"no date: {line.odds.reason}{after}"


def _air(found: Steps, now: datetime, local: wording.Local) -> str:
    wants = f"Coats want {found.care.air.in_words()}."
    if found.against is None:
        return f"{wants} The room's air is not known."
    age = wording.age(found.read_at, now)
    stands = f"{' and '.join(found.against)}" if found.against else "good"
    said = f"{wants} The room, read {age}: {stands}."
    window = found.window
    if window is None:
        return f"{said} No good spell is foreseen in the next two days once a coat may be due."
    ends = local(window.ends_at)
    odds = "" if window.sure else ", at even odds"
    return f"{said} Next good: {_date(window.begins_at, now, local)} to {ends:%a %H:%M}{odds}."


def _date(at: datetime, now: datetime, local: wording.Local) -> str:
    return wording.date(at, local, now)
