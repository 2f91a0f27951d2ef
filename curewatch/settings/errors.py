"""SettingsError, and how pydantic's findings become sentences for the person who edits the file."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from typing import Any, get_args, get_origin

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo

from curewatch.records.errors import Ending, ForPeople

VALUE_CHARS = 60
UNKNOWN = "extra_forbidden"
"""What pydantic calls a key that no table has."""
PROBLEMS_MOST = 20
"""So many problems of one file are told at once."""
_SECRET = re.compile(r"whsec_|://[^/\s]*@")


class SettingsError(ForPeople, ValueError):
    """Settings that cannot be used. `problems` holds one sentence each; the text is one a line."""

    ending = Ending.BAD_INPUT

    def __init__(self, problems: Iterable[str]) -> None:
        self.problems = tuple(problems)
        super().__init__(self.problems)

    def __str__(self) -> str:
        return "\n".join(self.problems)


def refused(found: ValidationError, root: type[BaseModel], file: str) -> SettingsError:
    """Every finding in words, as one error; of very many, the first."""
    problems = list(problems_of(found, root, file))
    more = len(problems) - PROBLEMS_MOST
    return SettingsError([*problems[:PROBLEMS_MOST], f"{file}: and {more} more"] if more > 0 else problems)


def problems_of(found: ValidationError, root: type[BaseModel], file: str) -> Iterator[str]:
    """One sentence for each finding: file, key, value, what is allowed."""
    for error in found.errors(include_url=False):
        keys = error["loc"]
        model, field = _along(root, keys)
        if error["type"] == UNKNOWN:
            # The value stays out: a password typed where only its file may be named must not reach a log.
            table = f"{dotted(keys[:-1])}: " if keys[:-1] else ""
            yield f"{file}: {table}unknown key {_shown(str(keys[-1]))}{_near(str(keys[-1]), model)}"
            continue
        expected = _expected(error, field)
        key = dotted(keys) or "the file"
        if error["type"] == "missing":
            yield f"{file}: {key}: missing, expected {expected}"
        elif isinstance(error["input"], dict | list):
            yield f"{file}: {key}: expected {expected}"
        else:
            yield f"{file}: {key}: got {_shown(error['input'])}, expected {expected}"


def _expected(error: Any, field: FieldInfo | None) -> str:
    """A validator's own words where it has some, else the key's description, else pydantic's words."""
    if error["type"] == "value_error":
        return str(error["ctx"]["error"])
    if field is not None and field.description:
        return field.description
    return str(error["msg"]).removeprefix("Input should be ")


def _shown(value: Any) -> str:
    """As TOML would write it, shortened; nothing that may carry a secret."""
    if isinstance(value, str) and _SECRET.search(value):
        return "a value that is not repeated here (it may be secret)"
    text = str(value).lower() if isinstance(value, bool) else repr(value)
    return text if len(text) <= VALUE_CHARS else text[: VALUE_CHARS - 2] + "…" + text[-1]


def dotted(keys: tuple[int | str, ...]) -> str:
    """`sensors[2].topic`: entries are counted from 1, as a person counts tables in a file."""
    return "".join(f"[{key + 1}]" if isinstance(key, int) else f".{_key(key)}" for key in keys).removeprefix(".")


def _key(key: str) -> str:
    return key if re.fullmatch(r"[A-Za-z0-9_-]{1,60}", key) else _shown(key)


def _near(key: str, model: type[BaseModel]) -> str:
    from difflib import get_close_matches

    known = sorted(model.model_fields)
    near = get_close_matches(key, known, n=1)
    return f", did you mean {near[0]!r}?" if near else f", expected one of {', '.join(known)}"


def _along(root: type[BaseModel], keys: tuple[int | str, ...]) -> tuple[type[BaseModel], FieldInfo | None]:
    """The innermost model on the way along `keys`, and the field the last of them names there, if any."""
    model, field, is_name = root, None, False
    for key in keys:
        if isinstance(key, int) or is_name:  # a place in an array, or a name people gave
            is_name = False
            continue
        if key not in model.model_fields:
            return model, None
        field = model.model_fields[key]
        is_name = get_origin(field.annotation) is dict
        model = _model_in(field.annotation) or model
    return model, field


def _model_in(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((model for arg in get_args(annotation) if (model := _model_in(arg))), None)
