"""The steps of a piece as a page of text."""

from __future__ import annotations

import textwrap
from datetime import datetime

from curewatch.cli.output import Page
from curewatch.cli.texts.dates import date
from curewatch.studio import wording
from curewatch.studio.care.varnish_air import air_caveat
from curewatch.views.care import StepOut, StepsOut

NOW = ("safe", "worth checking")
SIGNS = {"done": "[x]", "safe": "[ ]", "worth checking": "[?]", "not yet": " . ", "over": " - ", "waits": " . "}


def text(found: StepsOut, now: datetime, page: Page) -> str:
    """The steps, the next ones with their caution."""
    rows = [page.bold(f"{found.piece}: the steps after its pour")]
    for line in found.steps:
        state = line.state
        air = air_caveat(found.air_against) if line.needs_varnish_air and state in NOW else ""
        head = f"{SIGNS[state]} {line.step:<10} {line.title}: {_when(line, now, air)}."
        rows += textwrap.wrap(head, page.width, subsequent_indent=" " * 15)
        if state in NOW:
            rows += _wrapped(line.caution, page)
    if any(line.needs_varnish_air and line.done_at is None for line in found.steps):
        rows += ["", *textwrap.wrap(_air(found, now), page.width)]
    undone = [step for step in found.history if step.undone_at]
    rows += [f"Taken back: {step.step}, written down {date(step.recorded_at, now)}." for step in undone]
    ending = "Dates are estimates: [?] is worth checking, [ ] safe to assume. The label on the tin goes before them."
    return "\n".join([*rows, "", *textwrap.wrap(ending, page.width)])


def _wrapped(said: str, page: Page) -> list[str]:
    indent = " " * 15
    return textwrap.wrap(said, page.width, initial_indent=indent, subsequent_indent=indent)


def _when(line: StepOut, now: datetime, air: str) -> str:
    """Its earliest date with how sure that is, what in the `air` is against it, and what it waits for."""
    if line.done_at is not None:
        early = ", before it was safe to" if line.done_too_early else ""
        return f"done {date(line.done_at, now)}{early}"
    if line.state == "over":
        return "its time has passed"
    after = f"{air}, once {', '.join(line.waits_for)} is done" if line.waits_for else air
    if line.safe_at is not None:
        even = line.worth_checking_at
        if line.safe_at <= now:
            return f"may be done from now on{after}"
        checking = "" if even is None or even == line.safe_at else f", worth checking {date(even, now)}"
        return f"safe {date(line.safe_at, now)}{checking}{after}"
    if line.worth_checking_at is not None:
        return f"worth checking {date(line.worth_checking_at, now)}; no safe date ({line.reason}){after}"
    return f"no date: {line.reason}{after}"


def _air(found: StepsOut, now: datetime) -> str:
    wants = f"Coats want {found.air_wanted}."
    if found.air_against is None:
        return f"{wants} The room's air is not known."
    age = wording.age(found.air_read_at, now)
    stands = f"{' and '.join(found.air_against)}" if found.air_against else "good"
    said = f"{wants} The room, read {age}: {stands}."
    window = found.next_good_air
    if window is None:
        return f"{said} No good spell is foreseen in the next two days once a coat may be due."
    odds = "" if window.sure else ", at even odds"
    return f"{said} Next good: {date(window.begins_at, now)} to {window.ends_at:%a %H:%M}{odds}."
