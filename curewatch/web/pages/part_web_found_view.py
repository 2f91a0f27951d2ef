"""What was found of a piece, what is believed because of it, and what could be done: as its page shows them."""

from __future__ import annotations

from dataclasses import dataclass

from curewatch.desk.reports.learned import Seen
from curewatch.studio.planning import part_studio_plan_words
from curewatch.studio.planning.planner import Advice
from curewatch.web.pages.logged import finding
from curewatch.web.texts import Words

HOW = {"finger": "finger test", "weighing": "weighing", "surface": "surface temperature"}


@dataclass(frozen=True)
class ObservationRow:
    number: int
    at: str
    how: str
    found: str
    notes: tuple[str, ...]


@dataclass(frozen=True)
class AdviceRow:
    text: str
    caution: str


def observation_rows(seen: list[Seen], words: Words) -> list[ObservationRow]:
    """The newest first."""
    return [
        ObservationRow(
            one.observation.id,
            f"{words.date(one.observation.at)} ({words.age(one.observation.at)})",
            HOW[one.observation.kind.value],
            finding(one.observation),
            one.notes,
        )
        for one in reversed(seen)
    ]


def advice_rows(advice: list[Advice]) -> list[AdviceRow]:
    """What each change of the room would do from now on; only those that would do anything."""
    return [
        AdviceRow(said[0].upper() + said[1:], part_studio_plan_words.caution(one.change) or "")
        for one in advice
        if (said := part_studio_plan_words.advised(one)) is not None
    ]
