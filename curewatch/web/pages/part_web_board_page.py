"""The board, the page that opens first."""

from __future__ import annotations

from typing import Annotated
from urllib.parse import urlencode

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse

from curewatch.web.pages.board import BoardQuery, view
from curewatch.web.pages.logged import just_done
from curewatch.web.part_web_site import Here, page

router = APIRouter(include_in_schema=False)


@router.get("/")
def board(
    request: Request,
    site: Here,
    room: str = "",
    q: str = "",
    ask: str = "",
    by: str = "",
    page_no: int = 1,
    done: str = "",
    of: Annotated[list[str] | None, Query()] = None,
) -> HTMLResponse:
    """Three answers, then every piece on one axis."""
    now = site.clock.now()
    asked = BoardQuery(room=room, text=q[:80], ask=ask, by=by if by in ("room", "place") else "", page=page_no)
    kept = site.boards.look(now)
    seen = view(kept.board(now), asked, site.words(now))

    def link(**changed: object) -> str:
        """The board with something about the question changed."""
        now_asked = {"room": room, "q": q[:80], "ask": ask, "by": asked.by, "page_no": ""} | changed
        query = urlencode({key: value for key, value in now_asked.items() if value})
        return f"/?{query}" if query else "/"

    told = just_done(done, of or [], kept, site.desk)
    return page(request, "board.html", now, mark=kept.mark, view=seen, link=link, done=told)
