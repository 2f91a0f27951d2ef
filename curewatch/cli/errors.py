"""What went wrong, as a sentence on stderr (with --json: an object) and an exit code. Never a traceback."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Mapping
from contextlib import suppress
from typing import Any, NamedTuple

from curewatch.cli.exits import Exit
from curewatch.cli.output import SCHEMA, at_terminal, text_of, write
from curewatch.language import PLAIN, phrase, read_by, reads
from curewatch.records.errors import Field, ForPeople, InputError, said

OTHERWISE: dict[str, tuple[str, ...]] = {
    Field.PIECE: ("piece", "name", "one"),
    Field.RECIPE: ("recipe", "name"),
    Field.HOURS: ("length",),
    Field.SURFACE: ("temperature",),
    Field.FINGER: ("says",),
    Field.ROUND: ("diameter",),
    Field.TRUST: ("which",),
    Field.SHOWS: ("kind",),
    Field.FILE: ("file", "files", "folder"),
}
"""What commands call the parameter that takes a field, where that is not the field's own name."""
TRACEBACK = "CUREWATCH_TRACEBACK"
"""Set in the environment, a failure that nobody foresaw shows where it arose."""


class Complaint(NamedTuple):
    code: int
    message: str
    field: str | None = None
    given: str | None = None
    allowed: str | None = None
    hint: str | None = None
    """A second line for people."""


def complain(error: Exception, *, as_json: bool) -> int:
    """Say on stderr what went wrong; returns the exit code."""
    if not as_json and reads() is PLAIN:  # before the command itself, which knows more
        read_by(at_terminal())
    complaint = complaint_of(error)
    if as_json:
        parts = {"field": complaint.field, "given": complaint.given, "allowed": complaint.allowed}
        line = json.dumps({"schema": SCHEMA, "error": {**parts, "message": complaint.message}})
    else:
        line = f"curewatch: {complaint.message}" + (f"\n{complaint.hint}" if complaint.hint else "")
    if os.environ.get(TRACEBACK) and complaint.code == Exit.FAILED:
        import traceback

        traceback.print_exception(error)
    with suppress(OSError):  # nobody is left to complain to; the exit code still tells
        write(line, sys.stderr)
    return complaint.code


class CommandRefused(Exception):
    """An InputError of a command that has these parameters."""

    def __init__(self, error: InputError, parameters: list[Any], typed: Mapping[str, Any] | None = None) -> None:
        """`typed`: what stood for each parameter; a moment is quoted as it was typed."""
        super().__init__(error)
        self.parameters = {one.name: one for one in parameters}
        self.error = error.quoting((typed or {}).get(error.field))

    def name(self, field: Field) -> str:
        """`--at`, or `NAME` of an argument; a field that the command has no parameter for, by itself."""
        for wanted in OTHERWISE.get(field, (field,)):
            if found := self.parameters.get(wanted):
                longest: str = max(found.opts, key=len)
                return longest if found.param_type_name == "option" else _argument(found, field)
        return field

    def complaint(self) -> Complaint:
        error = self.error
        given = error.given if error.given is None or isinstance(error.given, str) else repr(error.given)
        field, allowed = said(error.field, self.name), said(error.allowed, self.name)
        return Complaint(Exit.BAD_INPUT, error.in_words(self.name), field, given, allowed)


def _argument(found: Any, field: Field) -> str:
    """As the help names it, without the brackets of one that may be left out."""
    return field.upper() if "|" in found.metavar else str(found.metavar).strip("[]…")


def complaint_of(error: Exception) -> Complaint:
    if isinstance(error, InputError):
        error = CommandRefused(error, [])
    if isinstance(error, CommandRefused):
        return error.complaint()
    if isinstance(error, ForPeople):
        return Complaint(Exit[error.ending.name], str(error))
    if hasattr(error, "format_message") and hasattr(error, "exit_code"):
        return _usage(error)
    if isinstance(error, OSError):
        about = f"{error.filename}: " if error.filename else ""
        return Complaint(Exit.FAILED, f"{about}{error.strerror or error}")
    first_line = (str(error).splitlines() or [""])[0]
    return Complaint(
        Exit.FAILED,
        text_of(phrase("this should not have happened: {error}", error=f"{type(error).__name__}: {first_line}")),
        hint=text_of(phrase("With {name}=1 in the environment it shows where.", name=TRACEBACK)),
    )


def _usage(error: Any) -> Complaint:
    """A command line that typer could not read, in its own words.

    Known by its shape: where these classes live has moved between typer's releases.
    """
    option = getattr(error, "option_name", None)
    parameter = getattr(error, "param", None)
    field = option or ("/".join(parameter.opts) if parameter else None)
    near = getattr(error, "possibilities", None)
    context = getattr(error, "ctx", None)
    message, given, allowed = error.format_message(), None, ", ".join(near) if near else None
    if (wanted := getattr(parameter, "help", None)) and message.startswith("Missing"):
        allowed, message = wanted, f"{message.rstrip('.')}: {wanted}"
    checked = getattr(error.__cause__, "errors", None)
    if checked is not None:  # a number out of its range, or none: pydantic knows what was given, and typer lost it
        found = checked()[0]
        allowed = found["msg"].removeprefix("Input should be ").partition(",")[0]
        allowed = allowed if allowed.startswith("a ") else f"a number {allowed}"
        given = str(found["input"])
        message = str(InputError(str(field), given, allowed))
    hint = text_of(
        phrase("What it takes: {command}", command=f"{context.command_path if context else 'curewatch'} --help")
    )
    return Complaint(error.exit_code, message, field=field, given=given, allowed=allowed, hint=hint)
