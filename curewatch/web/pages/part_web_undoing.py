"""Whatever was just logged, taken back by one press."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from datetime import datetime
from urllib.parse import quote

from fastapi import APIRouter
from fastapi.responses import RedirectResponse, Response

from curewatch.desk.commands import alarm_care, moves
from curewatch.desk.commands import undoing as slips
from curewatch.intake.typed import BadInput
from curewatch.web.pages.alarms import kind_of
from curewatch.web.part_web_site import Here, Site, Typed, text_of

router = APIRouter(include_in_schema=False)

NEEDS = {"pour": 1, "gone": 1, "move": 1, "reading": 2, "found": 2, "step": 2, "acknowledge": 2, "cleared": 1}
"""By what was logged, how many words name it."""


@router.post("/undo")
def undo(site: Here, form: Typed) -> Response:
    """Take back what was just logged."""
    now, done = site.clock.now(), text_of(form, "done")
    take_back(site, done, [str(one) for one in form.getlist("of")], now)
    piece = text_of(form, "piece")
    if text_of(form, "back") == "lately":
        return RedirectResponse("/lately?done=undone", 303)
    return RedirectResponse(f"/piece/{quote(piece, safe='')}?done=undone" if piece else "/?done=undone", 303)


def take_back(site: Site, done: str, of: Sequence[str], now: datetime) -> None:
    """What `just_done` told, undone. BadInput or FactError where that is no more, or never was."""
    undoing: dict[str, Callable[[], object]] = {
        "pour": lambda: moves.undo_pours(site.desk, [_number(one) for one in of], now),
        "gone": lambda: moves.undo_leaving(site.desk, _number(of[0]), now),
        "move": lambda: moves.undo_move(site.desk, of[0], now),
        "reading": lambda: moves.undo_reading(site.desk, of[0], _instant(of[1]), now),
        "found": lambda: slips.undo_observation(site.desk, of[0], _number(of[1])),
        "acknowledge": lambda: alarm_care.undo_acknowledgement(site.desk, of[0], kind_of(of[1])),
        "cleared": lambda: alarm_care.undo_clearing(site.desk, of[0], now),
        "step": lambda: slips.undo_step(site.desk, of[0], _number(of[1]), now),
    }
    if done not in undoing or len(of) < NEEDS[done]:
        raise BadInput("undo", done, f"something that was just logged: {', '.join(undoing)}")
    undoing[done]()
    site.changed(now)


def _number(text: str) -> int:
    if not re.fullmatch(r"[0-9]{1,15}", text):
        raise BadInput("number", text, "the number of a piece, an observation or a step")
    return int(text)


def _instant(text: str) -> datetime:
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        raise BadInput("time", text, "ISO 8601 with its zone") from None
    if at.tzinfo is None:
        raise BadInput("time", text, "ISO 8601 with its zone")
    return at
