"""Reads the rules of the house out of DEVELOPERS.md and holds code against them; see test_house.py."""

from __future__ import annotations

import ast
import re
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

LONGEST_FILE = 400

PURE_ROOMS = ("records", "physics", "studio")
"""Values in, values out: no clock, no log, no file, no socket, no chance, nothing of the machine."""
PURE_PACKAGES = {"numpy", "pydantic"}
"""From outside the standard library, all that a pure room needs."""
_IMPURE = """
asyncio builtins ctypes fcntl fileinput getpass glob http importlib io locale logging mmap multiprocessing
os pathlib platform random sched secrets select selectors shelve shutil signal smtplib socket socketserver
sqlite3 ssl subprocess sys syslog tempfile threading time urllib uuid
"""
IMPURE_MODULES = frozenset(_IMPURE.split())
IMPURE_CALLS = {"open", "print", "input", "exec", "eval", "breakpoint"}

COMPUTED = "<a computed name>"


class House(NamedTuple):
    may_import: dict[str, frozenset[str]]
    """Room to rooms, itself included; `intake/errors` is a room of its own where it has a row of its own."""
    only_in: dict[str, frozenset[str]]
    """Package from outside to the rooms that may import it."""
    may_be_long: dict[str, str]
    """File to the reason why it may pass LONGEST_FILE."""


def rows(document: str, *headings: str) -> Iterator[list[str]]:
    """The cells of every row of the table whose header begins with these headings."""
    inside = found = False
    for line in document.splitlines():
        cells = [cell.strip() for cell in line.strip().strip("|").split("|")]
        if cells[: len(headings)] == list(headings):
            inside = found = True
        elif not line.startswith("|"):
            inside = False
        elif inside and set(line) - set("|-: "):
            yield cells
    if not found:
        raise ValueError(f"there is no table headed {' | '.join(headings)}")


def ticked(cell: str) -> list[str]:
    """`store/` and `clock.py` as the rooms `store` and `clock`."""
    return [name.removesuffix("/").removesuffix(".py") for name in re.findall(r"`([^`]+)`", cell)]


def read_house(document: str) -> House:
    floors: dict[str, int] = {}
    wishes: dict[str, str] = {}
    for floor, room, _, may in rows(document, "floor", "room", "what lives there", "may import"):
        for name in ticked(room):
            floors[name], wishes[name] = int(floor), may
    may_import = {room: frozenset({room, *allowed(room, may, floors)}) for room, may in wishes.items()}
    only_in = {
        package: frozenset(ticked(where))
        for packages, where, *_ in rows(document, "from outside", "only in")
        for package in ticked(packages)
    }
    _, _, long_ones = document.partition(f"### Longer than {LONGEST_FILE} lines\n")
    may_be_long = dict(re.findall(r"^- `([^`]+)`:[ ]*(.*)$", long_ones.partition("\n#")[0], re.MULTILINE))
    return House(may_import, only_in, may_be_long)


def allowed(room: str, may: str, floors: dict[str, int]) -> set[str]:
    """What one cell of the table allows; ValueError where it names no room, or one that is not below."""
    below = {other for other, floor in floors.items() if floor < floors[room]}
    if may == "everything below":
        return below
    if re.sub(r"`[^`]+`|[,\s]", "", may) not in ("", "itself", "–"):
        raise ValueError(f"{room} may import {may!r}: rooms, `itself`, `everything below` or – expected")
    named = set(ticked(may))
    if named - below:
        raise ValueError(f"{room} may import {may!r}: {sorted(named - below)} stands on no floor below")
    return named


def room_of(parts: tuple[str, ...], house: House) -> str | None:
    """The room of `("intake", "errors", "BadInput")`: the longest beginning that has a row."""
    beginnings = ("/".join(parts[:length]) for length in range(len(parts), 0, -1))
    return next((name for name in beginnings if name in house.may_import), None)


def imports(tree: ast.AST, package: tuple[str, ...]) -> Iterator[tuple[int, str]]:
    """Line and dotted name of each import, wherever it stands and however it is spelt."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from ((node.lineno, alias.name) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            start = package[: len(package) - node.level + 1] if node.level else ()
            base = ".".join([*start, *([node.module] if node.module else [])])
            yield from ((node.lineno, f"{base}.{alias.name}") for alias in node.names)
        elif isinstance(node, ast.Call) and called(node) in ("import_module", "__import__"):
            known = node.args and isinstance(node.args[0], ast.Constant)
            yield node.lineno, str(node.args[0].value) if known else COMPUTED  # type: ignore[attr-defined]


def called(node: ast.Call) -> str:
    return node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")


def verdict(room: str, name: str, house: House) -> str | None:
    """What is wrong with `room` importing `name`, or None."""
    top, *rest = name.split(".")
    if name == COMPUTED:
        # The commands load each other by name to start fast; anywhere else it would go round this table.
        return None if room == "cli" else "imports by a computed name"
    if top == "curewatch":
        target = room_of(tuple(rest), house)
        fine = target is None or target in house.may_import[room]
        return None if fine else f"imports {name}, which is not for {room}"
    if top in house.only_in and not house.only_in[top] & {room, room.split("/")[0]}:
        return f"imports {name}, which is for {', '.join(sorted(house.only_in[top]))} only"
    foreign = top not in sys.stdlib_module_names and top not in PURE_PACKAGES
    if room.split("/")[0] in PURE_ROOMS and (top in IMPURE_MODULES or foreign):
        return f"imports {name}, but {room} is pure"
    return None


def violations(root: Path, house: House) -> list[str]:
    """Everything under root/curewatch that is not as the house says, one sentence each."""
    found = []
    for file in sorted((root / "curewatch").rglob("*.py")):
        where = file.relative_to(root)
        source = file.read_text(encoding="utf-8")
        length = len(source.splitlines())
        if length > LONGEST_FILE and not house.may_be_long.get(str(where)):
            found.append(f"{where} has {length} lines, {LONGEST_FILE} are allowed")
        found += [f"{where}:{line} {what}" for line, what in wrong_lines(where, source, house)]
    return found


def wrong_lines(where: Path, source: str, house: House) -> Iterator[tuple[int, str]]:
    *package, _ = where.parts
    inner = where.with_suffix("").parts[1:]
    if inner == ("__init__",):
        room, house = "", house._replace(may_import={**house.may_import, "": frozenset()})
    else:
        room = room_of(inner, house) or ""
        if not room:
            yield 1, "stands in no room of the table in DEVELOPERS.md"
            return
    tree = ast.parse(source)
    for line, name in imports(tree, tuple(package)):
        if what := verdict(room, name, house):
            yield line, what
    if room.split("/")[0] in PURE_ROOMS:
        for node in ast.walk(tree):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in IMPURE_CALLS:
                yield node.lineno, f"calls {node.func.id}(), but {room} is pure"
