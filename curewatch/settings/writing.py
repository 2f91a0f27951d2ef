"""The settings file changed by the program: what people wrote there stays as it is, their comments too.

Nothing is written that could not be read again: the outcome is validated first, and holds the changes and no other.
"""

from __future__ import annotations

import contextlib
import copy
import os
import re
from collections.abc import Mapping
from dataclasses import dataclass
from difflib import unified_diff
from pathlib import Path
from typing import Any

from tomlkit import TOMLDocument, dumps, item, key, parse
from tomlkit.container import Container
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT, Comment, InlineTable, Table, Trivia, Whitespace

from curewatch.settings.errors import SettingsError, dotted
from curewatch.settings.loading import parse_toml, settings_of
from curewatch.settings.settings import Settings

Key = str | tuple[str | int, ...]
"""`"web.host"`; in parts where a name people gave is among them, or an entry's place, which counts from 0:
`("rooms", "Sail locker", "air")`, `("sensors", 2, "topic")`."""
FIRST_LINE = "# Settings of curewatch. What may be left out, and what it then is, the example file tells.\n"
_MARK = "#curewatch-writes-here#"


@dataclass(frozen=True)
class Edit:
    """What the file is to be; `settings` are those that it then holds."""

    file: Path
    old: bytes | None
    """What it held when it was read; None: it was not there."""
    new: bytes
    settings: Settings

    @property
    def difference(self) -> str:
        """The lines that go and come, as `diff -u` shows them; empty where nothing changes."""
        before, after = ((held or b"").decode("utf-8-sig").splitlines() for held in (self.old, self.new))
        return "\n".join(unified_diff(before, after, str(self.file), str(self.file), n=1, lineterm=""))

    @property
    def warnings(self) -> tuple[str, ...]:
        """Keys of the outcome that this version does not know, in a sentence each: they stay, and mean nothing."""
        return self.settings.unknown

    def write(self) -> None:
        """Whole or not at all; SettingsError where the file is another by now, or cannot be written."""
        if _held(self.file) != self.old:
            raise SettingsError([f"{self.file}: somebody else has changed it meanwhile; look at it, then ask again"])
        if self.new == self.old:
            return
        try:
            self.file.parent.mkdir(parents=True, exist_ok=True)
            write_whole(self.file, self.new, mode=0o644)
        except OSError as error:
            raise SettingsError([f"{self.file}: cannot be written: {error.strerror}"]) from None


def edited(file: Path, changes: Mapping[Key, Any]) -> Edit:
    """The file with these changes: a value for each key, a table's as a mapping, a list's as a sequence of such; None
    takes the key out. SettingsError with every problem of the outcome, or where the file is not to be read."""
    old = _held(file)
    text = FIRST_LINE if old is None else old.decode("utf-8-sig", errors="replace").replace("\r\n", "\n")
    wanted = parse_toml(text.encode() if old is None else old, file)
    for given, value in changes.items():
        parts = tuple(given.split(".")) if isinstance(given, str) else given
        _put(wanted, parts, _plain(value))
        try:
            text = _with(text, parts, _plain(value))
        except (TOMLKitError, ValueError, LookupError, TypeError) as error:
            raise SettingsError([f"{file}: {dotted(parts)}: cannot be put there ({error}): write it by hand"]) from None
        if _filled(parse_toml(text.encode(), file)) != _filled(wanted):
            how = "is written in a way that only people can change: put it into a table of its own, then ask again"
            raise SettingsError([f"{file}: {dotted(parts)}: {how}"])
    bom = "utf-8-sig" if old is not None and old.startswith(b"\xef\xbb\xbf") else "utf-8"
    new = (text.replace("\n", "\r\n") if old is not None and b"\r\n" in old else text).encode(bom)
    return Edit(file, old, new, settings_of(parse_toml(new, file), file))


def write_whole(path: Path, content: bytes, *, mode: int = 0o600) -> None:
    """Whole or not at all, and through a link. What is there keeps its mode and owner; what is new gets `mode`, and
    where root makes it, the owner of its folder. Raises OSError."""
    path = path.resolve()
    like = path.stat() if path.exists() else None
    new = path.with_name(f".{path.name}.new")
    new.unlink(missing_ok=True)
    try:
        with os.fdopen(os.open(new, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as file:
            file.write(content)
            if hasattr(os, "fchmod"):  # POSIX
                owner = like or path.parent.stat()
                if os.geteuid() == 0:
                    os.fchown(file.fileno(), owner.st_uid, owner.st_gid)
                os.fchmod(file.fileno(), like.st_mode & 0o7777 if like else mode)
            file.flush()
            os.fsync(file.fileno())
        new.replace(path)
    finally:
        new.unlink(missing_ok=True)
    if os.name == "posix":
        folder = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)


def _held(file: Path) -> bytes | None:
    try:
        return file.read_bytes()
    except FileNotFoundError:
        return None
    except OSError as error:
        raise SettingsError([f"{file}: cannot be read: {error.strerror}"]) from None


def _plain(value: Any) -> Any:
    """As TOML knows it."""
    if isinstance(value, Mapping):
        return {name: _plain(one) for name, one in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(one) for one in value]
    return value if value is None or isinstance(value, bool | int | float) else str(value)


def _filled(tables: Any) -> Any:
    """Without tables that hold nothing: with the last of [rooms."NAME"] goes what held them."""
    if not isinstance(tables, dict):
        return tables
    return {name: inner for name, one in tables.items() if (inner := _filled(one)) != {}}


def _put(tables: Any, parts: tuple[str | int, ...], value: Any) -> None:
    """The change in the tables themselves: what the text has to come to."""
    name, *rest = parts
    known = _has(tables, name)
    if value is None and not known:
        return
    inner = {tuple(rest): value}
    if not rest and isinstance(value, dict):
        inner = {(below,): one for below, one in value.items()}
    if rest or isinstance(value, dict):
        if not known:
            _set(tables, name, [] if rest and isinstance(rest[0], int) else {})
        for way, one in inner.items():
            _put(tables[name], way, one)
    elif value is None or (value == [] and known and any(isinstance(one, dict) for one in tables[name])):
        del tables[name]  # of tables, where none is left, the heading goes too
    else:
        _set(tables, name, copy.deepcopy(value))


def _set(tables: Any, name: str | int, value: Any) -> None:
    if hasattr(tables, "append") and name == len(tables):
        tables.append(value)
    else:
        tables[name] = value


def _with(text: str, parts: tuple[str | int, ...], value: Any) -> str:
    """The text with one change."""
    if isinstance(value, dict):
        for name, one in sorted(value.items(), key=lambda named: isinstance(named[1], dict)):
            text = _with(text, (*parts, name), one)
        return text
    doc = parse(text if text.endswith("\n") or not text else f"{text}\n")
    *way, last = parts
    held = _at(doc, list(parts))
    entries = held if isinstance(held, AoT) else []
    if isinstance(value, list) and (held is entries or (held is None and any(isinstance(one, dict) for one in value))):
        for n in reversed(range(len(value), len(entries))):  # each by itself: what does not change stays as it is
            text = _with(text, (*parts, n), None)
        for n, one in enumerate(value):
            text = _with(text, (*parts, n), _instead(entries[n], one) if n < len(entries) else one)
        return text
    holder = _at(doc, way)
    if value is None:
        return text if holder is None or not _has(holder, last) else _without(doc, holder, last)
    if holder is None:
        return _with_table(doc, way, f"{_key(last)} = {item(value).as_string()}\n")
    if _has(holder, last) or not _is_written_out(holder):
        holder[last] = value
        return dumps(doc)
    body = _body(holder)
    scalars = next((n for n, (_, one) in enumerate(body) if isinstance(one, Table | AoT)), len(body))
    said = re.compile(rf"\s*#\s*{re.escape(str(last))}\s*=")
    for n, (_, one) in enumerate(body[:scalars]):
        if isinstance(one, Comment) and said.match(one.as_string()):
            with contextlib.suppress(TOMLKitError):  # it may be words that only look like it
                line = parse(one.as_string().lstrip().removeprefix("#").lstrip())
                line[str(last)] = value
                body[n] = _mark()
                return dumps(doc).replace(f"{_MARK}\n", dumps(line))
    body.insert(_end(body[:scalars]), _mark())
    return dumps(doc).replace(_MARK, f"{_key(last)} = {item(value).as_string()}")


def _instead(old: Any, new: Any) -> Any:
    """What has to be set so that a table holds this alone."""
    if not isinstance(old, Mapping) or not isinstance(new, dict):
        return new
    return {**dict.fromkeys(old), **{name: _instead(old.get(name), one) for name, one in new.items()}}


def _with_table(doc: TOMLDocument, way: list[str | int], line: str) -> str:
    """The text with a table that was not there, after the last one of those it belongs to."""
    depth = next((n for n in range(len(way) - 1, 0, -1) if _at(doc, way[:n]) is not None), 0)
    block, known = "", _at(doc, way[:depth]) if depth else None
    for n in range(depth + 1, len(way) + 1):
        names = ".".join(_key(part) for part in way[:n] if isinstance(part, str))
        if isinstance(way[n - 1], int):
            block += f"\n[[{names}]]\n"
        elif n == len(way):
            block += f"\n[{names}]\n"
    block += line
    if known is not None and (body := _last_body(known)) is not None:
        body.insert(_end(body), _mark())
        return dumps(doc).replace(f"{_MARK}\n", block)
    return f"{dumps(doc).rstrip()}\n{block}".lstrip("\n")


def _without(doc: TOMLDocument, holder: Any, last: str | int) -> str:
    """The text without a key and the comments that are its own; what heads the next table stays."""
    gone = holder[last]
    if (below := _last_body(gone)) is not None:
        above = gone
        while isinstance(above, AoT) or above.is_super_table():
            above = above[0] if isinstance(above, AoT) else next(iter(above.values()))
        _body(above).insert(0, _mark())  # below its heading
        below.insert(_end(below), _mark())
        before, _, rest = dumps(doc).split(f"{_MARK}\n")
        return before[: before.rfind("\n", 0, -1) + 1] + rest
    if not _is_written_out(holder):
        del holder[last]
        return dumps(doc)
    body = _body(holder)
    begin = next(n for n, (name, _) in enumerate(body) if name is not None and name.key == last)
    end = begin + 1
    while end < len(body) and isinstance(body[end][1], Comment) and body[end][1].trivia.indent:
        end += 1
    del body[begin:end]
    return dumps(doc)


def _at(node: Any, way: list[str | int]) -> Any:
    """What stands there; None where nothing does."""
    for part in way:
        if not _has(node, part):
            return None
        node = node[part]
    return node


def _has(node: Any, part: str | int) -> bool:
    return part < len(node) if isinstance(part, int) else part in node


def _is_written_out(holder: Any) -> bool:
    """Whether its keys stand below its own heading, a line each."""
    return isinstance(holder, TOMLDocument) or (isinstance(holder, Table) and not holder.is_super_table())


def _body(holder: Any) -> list[Any]:
    inner: Container = holder.value if isinstance(holder, Table) else holder
    return inner.body


def _last_body(node: Any) -> list[Any] | None:
    """Where the last line of a table stands, of those below it too; None where it is no table with a heading."""
    if isinstance(node, AoT):
        return _last_body(node[-1])
    if not isinstance(node, Table) or isinstance(node, InlineTable):
        return None
    body = _body(node)
    inner = [one for _, one in body if isinstance(one, Table | AoT)]
    return _last_body(inner[-1]) if inner else body


def _end(body: list[Any]) -> int:
    """The place after a table's last key and the comments that go on below it: at the first empty line. Before any key,
    after the comments it begins with."""
    begin = max((n + 1 for n, (name, _) in enumerate(body) if name is not None), default=0)
    return next((n for n in range(begin, len(body)) if isinstance(body[n][1], Whitespace)), len(body))


def _mark() -> tuple[None, Comment]:
    return None, Comment(Trivia(comment=_MARK, trail="\n"))


def _key(part: str | int) -> str:
    return key(str(part)).as_string()
