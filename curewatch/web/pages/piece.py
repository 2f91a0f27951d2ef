"""The steps of one piece after its pour, as its page shows them: what may be done now, and when the rest."""

from __future__ import annotations

from dataclasses import dataclass

from curewatch.desk.commands.aftercare import Steps
from curewatch.studio.care.aftercare import CareStep
from curewatch.studio.care.varnish_air import air_caveat
from curewatch.web.texts import Words

SIGNS = {"done": "✓", "safe": "○", "worth checking": "?", "not yet": "·", "over": "–", "waits": "·"}
NOW = ("safe", "worth checking")


@dataclass(frozen=True)
class StepRow:
    """One step."""

    step: str
    title: str
    state: str
    sign: str
    when: str
    caution: str
    needs_air: bool

    @property
    def is_for_now(self) -> bool:
        return self.state in NOW

    @property
    def is_open(self) -> bool:
        return self.state not in ("done", "over")


@dataclass(frozen=True)
class CareView:
    rows: tuple[StepRow, ...]
    air: str | None
    """What the coats want of the air, how the room stands to it, and when it will next be good."""

    @property
    def now(self) -> list[StepRow]:
        return [row for row in self.rows if row.is_for_now]

    @property
    def later(self) -> list[StepRow]:
        return [row for row in self.rows if row.is_open and not row.is_for_now]

    @property
    def past(self) -> list[StepRow]:
        return [row for row in self.rows if not row.is_open]


def care_view(found: Steps, words: Words) -> CareView:
    rows = tuple(_row(line, found, words) for line in found.lines)
    return CareView(rows, _air(found, words) if any(row.is_open and row.needs_air for row in rows) else None)


def _row(line: CareStep, found: Steps, words: Words) -> StepRow:
    state = line.ready(words.now)
    titles = {one.step: one.title for one in found.lines}
    air = air_caveat(found.against) if line.needs_air and state in NOW else ""
    when = _when(line, state, titles, words, air)
    return StepRow(line.step, line.title, state, SIGNS[state], when, line.caution, line.needs_air)


def _when(line: CareStep, state: str, titles: dict[str, str], words: Words, air: str) -> str:
    """Its earliest date with how sure that is, what in the air is against it, and what it waits for."""
    if line.done is not None:
        return f"done {words.date(line.done.done_at)}{', before it was safe to' if line.done.too_early else ''}"
    if state == "over":
        return "its time has passed"
    after = f", once done: {', '.join(titles[step] for step in line.after)}" if line.after else ""
    advised = f"; better after: {', '.join(titles[step] for step in line.advised)}" if line.advised else ""
    return _odds(line, words) + air + after + advised


def _odds(line: CareStep, words: Words) -> str:
    even, safe = line.odds.even, line.odds.safe
    if safe is not None and safe <= words.now:
        return "may be done from now on"
    if even is None:
        return f"no date: {line.odds.reason or 'not foreseen'}"
    checking = "worth checking now" if even <= words.now else f"worth checking {words.date(even)} (50 %)"
    if safe is None:
        return f"{checking}; no safe date ({line.odds.reason or 'not foreseen'})"
    return f"safe {words.date(safe)} (90 %)" if even == safe else f"{checking}, safe {words.date(safe)} (90 %)"


def _air(found: Steps, words: Words) -> str:
    said = f"Coats want {found.care.air.in_words()}."
    if found.against is None:
        return f"{said} The room's air is not known."
    said += f" The room, read {words.age(found.read_at)}: {' and '.join(found.against) or 'good'}."
    if found.window is None:
        return f"{said} No good spell is foreseen in the next two days once a coat may be due."
    odds = "in nine cases of ten" if found.window.sure else "at even odds"
    begins, ends = words.date(found.window.begins_at), words.date(found.window.ends_at)
    return f"{said} Next good: {begins} to {ends}, {odds}."
