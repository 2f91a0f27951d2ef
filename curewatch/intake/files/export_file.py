"""A JSON value that was told place by place, as rows of path, type and value, put together again."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from curewatch.desk.transfer.part_desk_as_tables import JsonType
from curewatch.intake.files.part_intake_table_cells import ALLOWED, value_in
from curewatch.intake.json_pointer import is_pointer, unescaped


class JsonRow(NamedTuple):
    """What stands at one place."""

    line: int
    path: str
    """From the outermost object on (JSON pointer, RFC 6901)."""
    type: str
    value: str


class UnfitRow(ValueError):
    """A row that fits nowhere: its line, the column that is wrong, what stands there, and what may."""

    def __init__(self, line: int, column: str, given: str, allowed: str) -> None:
        super().__init__(line, column, given, allowed)
        self.line, self.column, self.given, self.allowed = line, column, given, allowed


def object_of(json_rows: Sequence[JsonRow]) -> dict[str, Any]:
    """The object that these places are in. Raises Misplaced.

    Whatever holds others comes before them; the items of an array come in any order.
    """
    inner: dict[str, dict[str, Any]] = {"": {}}  # by path, what each object and array holds by name
    arrays: dict[str, JsonRow] = {}
    for one in json_rows:
        holder, _, name = one.path.rpartition("/")
        if not one.path or not is_pointer(one.path) or holder not in inner:
            raise UnfitRow(one.line, "path", one.path, "a path such as /names/0, after that of what holds it")
        if name in inner[holder]:
            raise UnfitRow(one.line, "path", one.path, "each path once")
        inner[holder][name] = None
        if one.type in (JsonType.ARRAY, JsonType.OBJECT):
            inner[one.path] = {}
            if one.type == JsonType.ARRAY:
                arrays[one.path] = one
        else:
            inner[holder][name] = _scalar(one)
    for path in reversed([*inner][1:]):  # what is held before what holds it; they may be too deep for recursion
        whole = _items(inner[path], arrays[path]) if path in arrays else _members(inner[path])
        holder, _, name = path.rpartition("/")
        inner[holder][name] = whole
    return _members(inner[""])


def _scalar(one: JsonRow) -> Any:
    if one.type == JsonType.NULL:
        if not one.value:
            return None
        raise UnfitRow(one.line, "value", one.value, "nothing")
    holds = _SCALARS.get(one.type)
    if holds is None:
        raise UnfitRow(one.line, "type", one.type, f"one of {', '.join(JsonType)}")
    value = value_in(one.value, holds, ";")  # the comma can only be a decimal one here
    if value is None:
        raise UnfitRow(one.line, "value", one.value, ALLOWED[holds])
    return value


_SCALARS: Mapping[str, type] = {
    JsonType.STRING: str,
    JsonType.INTEGER: int,
    JsonType.NUMBER: float,
    JsonType.BOOLEAN: bool,
}


def _members(held: dict[str, Any]) -> dict[str, Any]:
    return {unescaped(name): value for name, value in held.items()}


def _items(held: dict[str, Any], array: JsonRow) -> list[Any]:
    try:
        return [held[str(index)] for index in range(len(held))]
    except KeyError:
        wanted = f"an array whose places are numbered from {array.path}/0 on"
        raise UnfitRow(array.line, "path", array.path, wanted) from None
