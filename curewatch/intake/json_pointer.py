"""JSON pointers, RFC 6901."""

from __future__ import annotations

import re
from functools import lru_cache

_POINTER = re.compile(r"(?:/(?:[^~/]|~[01])*)*", re.DOTALL)
_INDEX = re.compile(r"0|[1-9][0-9]{0,8}")


def is_pointer(text: str) -> bool:
    """Whether `text` has the form of a pointer (section 3)."""
    return _POINTER.fullmatch(text) is not None


def resolve(document: object, pointer: str) -> object:
    """The value a pointer names within a JSON document; "" is the document itself.

    `~1` stands for `/` and `~0` for `~`; array indices are decimal without leading zeros (section 4).
    Raises KeyError where the pointer names nothing, or is none.
    """
    value = document
    for name in _names(pointer):
        if isinstance(value, dict) and name in value:
            value = value[name]
        elif isinstance(value, list) and _INDEX.fullmatch(name) and int(name) < len(value):
            value = value[int(name)]
        else:
            raise KeyError(pointer)
    return value


@lru_cache(maxsize=256)  # the settings' few pointers are asked for in every message; a failure is not kept
def _names(pointer: str) -> tuple[str, ...]:
    if not is_pointer(pointer):
        raise KeyError(pointer)
    return tuple(map(unescaped, pointer.split("/")[1:]))


def unescaped(token: str) -> str:
    """One name within a pointer, as it is in the document."""
    return token.replace("~1", "/").replace("~0", "~")


def pointer_to(*names: int | str) -> str:
    """The pointer that goes along `names`.

    >>> pointer_to("body", "parts", 0, "a/b")
    '/body/parts/0/a~1b'
    """
    return "".join("/" + str(name).replace("~", "~0").replace("/", "~1") for name in names)
