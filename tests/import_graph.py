"""Which file of curewatch imports which, and what follows from it: importers, circles, rooms and their floors.

An import counts wherever it stands: in a function and under `TYPE_CHECKING` as well.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator, Mapping
from pathlib import Path, PurePath
from typing import NamedTuple

COMPUTED = "<a computed name>"

Graph = Mapping[str, frozenset[str]]
"""A name to the names it imports; each of them is a key too, none imports itself."""


class Code(NamedTuple):
    """The package as it lies on the disk."""

    files: dict[str, PurePath]
    """Dotted name of a module to its file below the root; a package stands for its `__init__.py`."""
    lines: dict[str, list[str]]
    imports: Graph


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


def read_code(root: Path, *packages: str) -> Code:
    """Every module of these packages, or of curewatch. `from package import module` imports the module."""
    found = [
        file.relative_to(root) for package in packages or ("curewatch",) for file in (root / package).rglob("*.py")
    ]
    files = {dotted(file): file for file in found}
    sources = {name: (root / file).read_text(encoding="utf-8") for name, file in sorted(files.items())}
    graph = {}
    for name, source in sources.items():
        wanted = imports(ast.parse(source), files[name].parts[:-1])
        graph[name] = frozenset(filter(None, (known(target, files) for _, target in wanted))) - {name}
    return Code(files, {name: source.splitlines() for name, source in sources.items()}, graph)


def dotted(file: PurePath) -> str:
    parts = file.with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def known(target: str, files: Mapping[str, PurePath]) -> str | None:
    """The module that `curewatch.records.facts.Reading` is taken from, or None where it is none of ours."""
    while target and target not in files:
        target = target.rpartition(".")[0]
    return target or None


def importers(graph: Graph) -> dict[str, set[str]]:
    return {name: {other for other, wanted in graph.items() if name in wanted} for name in graph}


def circle(graph: Graph) -> list[str]:
    """The shortest way from a name back to itself, both ends told; empty where there is none."""
    rounds = (way_back(name, graph) for name in sorted(graph))
    return min(filter(None, rounds), key=len, default=[])


def way_back(start: str, graph: Graph) -> list[str]:
    came_from: dict[str, str] = {}
    reached = [start]
    for name in reached:
        for wanted in sorted(graph[name]):
            if wanted == start:
                way = [start, name]
                while way[-1] != start:
                    way.append(came_from[way[-1]])
                return way[::-1]
            if wanted not in came_from:
                came_from[wanted] = name
                reached.append(wanted)
    return []


def rooms_in(package: str, graph: Graph) -> dict[str, frozenset[str]]:
    """What a package is made of, sub-packages and single modules, and which of its rooms each of them imports."""
    depth = package.count(".") + 1

    def room(name: str) -> str | None:
        return name.split(".")[depth] if name.startswith(package + ".") else None

    rooms: dict[str, set[str]] = {inside: set() for name in graph if (inside := room(name))}
    for name, wanted in graph.items():
        if inside := room(name):
            rooms[inside] |= {other for target in wanted if (other := room(target)) and other != inside}
    return {inside: frozenset(wanted) for inside, wanted in rooms.items()}


def floors(graph: Graph) -> int:
    """How many floors stand on each other; the graph has no circle."""
    heights: dict[str, int] = {}

    def height(name: str) -> int:
        if name not in heights:
            heights[name] = 1 + max((height(wanted) for wanted in graph[name]), default=0)
        return heights[name]

    return max(map(height, graph), default=0)


def places_of_names(files: Mapping[str, PurePath]) -> dict[str, set[str]]:
    """The last name of a module or package to the folders it occurs in.

    `desk/desk.py` is the room `desk` itself. Migrations and `__main__` are named for Alembic and Python.
    """
    found: dict[str, set[str]] = {}
    for name, file in files.items():
        parent, _, last = name.rpartition(".")
        if parent and parent.rpartition(".")[2] != last and "migrations" not in file.parts and last != "__main__":
            found.setdefault(last, set()).add(parent)
    return found
