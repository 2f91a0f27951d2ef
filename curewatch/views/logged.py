"""What was logged, as it is shown, with what takes it back."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Literal

from pydantic import Field

from curewatch.views.base import RequestModel, View


class Undo(RequestModel):
    """What takes back something that was logged: to be sent to /undo as it was given."""

    done: Literal["pour", "gone", "move", "reading", "found", "step", "acknowledge", "cleared"]
    of: Annotated[list[Annotated[str, Field(min_length=1, max_length=100)]], Field(min_length=1, max_length=50)]


class LoggedOut(View):
    piece: str | None
    notes: list[str]
    undo: Undo | None = Field(None, description="null: it cannot be taken back")


class LoggedBefore(View):
    at: datetime
    text: str
    undo: Undo
