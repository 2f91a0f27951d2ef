"""Reads the rules of the house out of DEVELOPERS.md and holds code against them; see test_house.py."""

from __future__ import annotations

import ast
import re
import sys
from collections.abc import Iterator
from pathlib import Path, PurePath
from typing import NamedTuple

from tests.import_graph import COMPUTED, Code, circle, floors, importers, imports, places_of_names, read_code, rooms_in

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
BY_ITSELF = "# By itself:"
"""How the first line of a short file with one importer begins that gives its reason."""
IMPURE_CALLS = {"open", "print", "input", "exec", "eval", "breakpoint"}


class House(NamedTuple):
    may_import: dict[str, frozenset[str]]
    """Room to rooms, itself included; `intake/errors` is a room of its own where it has a row of its own."""
    only_in: dict[str, frozenset[str]]
    """Package from outside to the rooms that may import it."""
    may_be_long: dict[str, str]
    """File to the reason why it may pass the limit."""
    limits: dict[str, int]
    one_concept: dict[str, str]
    """Name that several rooms have a module of, to the one concept that it means in each."""


FILE, FUNCTION, ALONE, ROOMS, FLOORS = (
    "lines of a file",
    "lines of a function's body",
    "lines of a file with one importer",
    "rooms of `studio/`",
    "floors of `studio/`",
)


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
    limits = {
        what: int(re.sub(r"at (most|least) ", "", number)) for what, number, *_ in rows(document, "what", "limit")
    }
    for what in (FILE, FUNCTION, ALONE, ROOMS, FLOORS):
        if what not in limits:
            raise ValueError(f"no limit is given for {what}")
    _, _, long_ones = document.partition(f"### Longer than {limits[FILE]} lines\n")
    may_be_long = dict(re.findall(r"^- `([^`]+)`:[ ]*(.*)$", long_ones.partition("\n#")[0], re.MULTILINE))
    one_concept = {
        name: what for names, what in rows(document, "name", "what it is in every room") for name in ticked(names)
    }
    return House(may_import, only_in, may_be_long, limits, one_concept)


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
    """The room of `("intake", "errors", "InputError")`: the longest beginning that has a row."""
    beginnings = ("/".join(parts[:length]) for length in range(len(parts), 0, -1))
    return next((name for name in beginnings if name in house.may_import), None)


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
    if top in house.only_in:
        if house.only_in[top] & {room, room.split("/")[0]}:
            return None
        return f"imports {name}, which is for {', '.join(sorted(house.only_in[top]))} only"
    foreign = top not in sys.stdlib_module_names and top not in PURE_PACKAGES
    if room.split("/")[0] in PURE_ROOMS and (top in IMPURE_MODULES or foreign):
        return f"imports {name}, but {room} is pure"
    return None


def violations(root: Path, house: House) -> list[str]:
    """Everything under root/curewatch that is not as the house says, one sentence each."""
    code = read_code(root)
    found = []
    for name, where in sorted(code.files.items()):
        found += wrong_size(where, code.lines[name], importers(code.imports)[name], house)
        found += [f"{where}:{line} {what}" for line, what in wrong_lines(where, "\n".join(code.lines[name]), house)]
    return found + list(wrong_shape(code, house))


def wrong_size(where: PurePath, lines: list[str], imported_by: set[str], house: House) -> Iterator[str]:
    if len(lines) > house.limits[FILE] and not house.may_be_long.get(str(where)):
        yield f"{where} has {len(lines)} lines, {house.limits[FILE]} are allowed"
    of_a_kind = where.name == "__init__.py" or "migrations" in where.parts
    reason = lines[0].removeprefix(BY_ITSELF).strip() if lines and lines[0].startswith(BY_ITSELF) else ""
    if len(lines) < house.limits[ALONE] and len(imported_by) < 2 and not of_a_kind and not reason:
        one = next(iter(imported_by), "nothing")
        yield f"{where}: {len(lines)} lines, imported by {one} only; move it there, or begin it `{BY_ITSELF} why`"


def wrong_shape(code: Code, house: House) -> Iterator[str]:
    """Circles, the rooms of the studio, and names that stand for several things."""
    studio = rooms_in("curewatch.studio", code.imports)
    if way := circle(code.imports):
        yield f"imports go in a circle: {' > '.join(way)}"
    elif way := circle(studio):
        yield f"the rooms of studio/ go in a circle: {' > '.join(way)}"
    elif floors(studio) > house.limits[FLOORS]:
        yield f"studio/ has {floors(studio)} floors, {house.limits[FLOORS]} are allowed"
    if len(studio) > house.limits[ROOMS]:
        yield f"studio/ has {len(studio)} rooms, {house.limits[ROOMS]} are allowed: {', '.join(sorted(studio))}"
    for name, places in sorted(places_of_names(code.files).items()):
        if len(places) > 1 and name not in house.one_concept:
            yield f"{name} is a module in {', '.join(sorted(places))}: rename, or say what one thing it is in all"


def wrong_lines(where: PurePath, source: str, house: House) -> Iterator[tuple[int, str]]:
    *package, _ = where.parts
    inner = where.with_suffix("").parts[1:]
    if inner == ("__init__",):
        room, house = "", house._replace(may_import={**house.may_import, "": frozenset({"views"})})
    else:
        room = room_of(inner, house) or ""
        if not room:
            yield 1, "stands in no room of the table in DEVELOPERS.md"
            return
    tree = ast.parse(source)
    for line, name in imports(tree, tuple(package)):
        if what := verdict(room, name, house):
            yield line, what
    yield from long_functions(tree, house.limits[FUNCTION] if "migrations" not in inner else sys.maxsize)
    if room.split("/")[0] in PURE_ROOMS:
        for node in ast.walk(tree):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in IMPURE_CALLS:
                yield node.lineno, f"calls {node.func.id}(), but {room} is pure"


def long_functions(tree: ast.AST, most: int) -> Iterator[tuple[int, str]]:
    """Counted are the lines after the docstring: a command's options stand in its signature."""
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            first = node.body[1 if ast.get_docstring(node) is not None and len(node.body) > 1 else 0]
            count = (node.end_lineno or node.lineno) - first.lineno + 1
            if count > most:
                yield node.lineno, f"{node.name}() has {count} lines, {most} are allowed"
