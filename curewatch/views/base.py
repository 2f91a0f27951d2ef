"""What every view shares: the frozen model, moments in the studio's zone, numbers without digits of a unit change."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, tzinfo
from typing import Annotated, Any, get_args, overload

from pydantic import AfterValidator, AwareDatetime, BaseModel, ConfigDict, Field, WithJsonSchema, model_validator

from curewatch.language import Capital, Joined, Message, Value, reads

YEARS = (2000, 2200)


def _sensible(at: datetime) -> datetime:
    if not YEARS[0] <= at.year < YEARS[1]:
        raise ValueError(f"a time between {YEARS[0]} and {YEARS[1]}")
    return at.astimezone(UTC)


MOMENT = {"type": "string", "format": "date-time", "pattern": "^2[01][0-9]{2}-"}
"""A moment within YEARS, in JSON Schema."""
At = Annotated[AwareDatetime, AfterValidator(_sensible), WithJsonSchema(MOMENT)]


class View(BaseModel):
    """Printed alike by the API and by --json. NaN never leaves: it cannot be put in."""

    model_config = ConfigDict(frozen=True, allow_inf_nan=False)

    @model_validator(mode="before")
    @classmethod
    def _sentences(cls, given: Any) -> Any:
        """Sentences that nobody has read yet, as whoever asked reads them."""
        return {name: _read(value) for name, value in given.items()} if isinstance(given, dict) else given


def _read(value: Any) -> Any:
    if isinstance(value, list | tuple):
        return [_read(one) for one in value]
    return reads().read(value) if isinstance(value, Message | Joined | Capital) else value


@overload
def said(words: Value, tz: tzinfo | None = None) -> str: ...
@overload
def said(words: Value | None, tz: tzinfo | None = None) -> str | None: ...
def said(words: Value | None, tz: tzinfo | None = None) -> str | None:
    """As whoever asked reads it; its moments in the studio's zone, where it has some."""
    return None if words is None else (reads() if tz is None else replace(reads(), zone=tz)).read(words)


class RequestModel(BaseModel):
    """What is sent to the API: a name that is misspelt is an error, and so is a yes or no for a number."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    @model_validator(mode="before")
    @classmethod
    def _no_truth_for_a_number(cls, given: Any) -> Any:
        for name, value in given.items() if isinstance(given, dict) else ():
            wanted = cls.model_fields[name].annotation if name in cls.model_fields else bool
            if isinstance(value, bool) and bool not in (wanted, *get_args(wanted)):
                raise ValueError(f"{name} is not told by true or false")
        return given


class Fault(View):
    pointer: str = Field(description="JSON Pointer to what is wrong, its first part body, query or path")
    detail: str


class Problem(View):
    """Why a request was refused (RFC 9457)."""

    type: str = "about:blank"
    title: str = Field(description="Of the status")
    status: int
    detail: str
    field: str | None = Field(None, description="What was given wrongly, by its key")
    given: str | None = Field(None, description="What was given for it; left out where it has to be said and was not")
    allowed: str | None = Field(None, description="What would have been taken")
    errors: list[Fault] | None = Field(None, description="Of a request that is malformed: all that is wrong with it")


@overload
def local(at: datetime, tz: tzinfo) -> datetime: ...
@overload
def local(at: datetime | None, tz: tzinfo) -> datetime | None: ...
def local(at: datetime | None, tz: tzinfo) -> datetime | None:
    """In the studio's zone, to the second."""
    return None if at is None else at.astimezone(tz).replace(microsecond=0)


@overload
def tidy(value: float, digits: int = 10) -> float: ...
@overload
def tidy(value: float | None, digits: int = 10) -> float | None: ...
def tidy(value: float | None, digits: int = 10) -> float | None:
    """To so many digits in all: without the last ones, which come of a change of unit."""
    return None if value is None else float(f"{value:.{digits}g}")


@overload
def rounded(value: float, places: int = 2) -> float: ...
@overload
def rounded(value: float | None, places: int = 2) -> float | None: ...
def rounded(value: float | None, places: int = 2) -> float | None:
    """To so many decimal places, never -0."""
    return None if value is None else round(value, places) + 0.0
