"""The content of a file that somebody named: within a limit, or a ZIP of CSV files that can do no harm."""

from __future__ import annotations

import io
import os
import re
import struct
import zlib
from collections.abc import Collection, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from pathlib import Path
from stat import S_ISREG
from tempfile import TemporaryFile
from typing import IO
from zipfile import ZIP_DEFLATED, ZIP_STORED, BadZipFile, ZipFile, ZipInfo

from curewatch.language import Value, phrase
from curewatch.records.errors import Field, InputError, quoted


def read_whole(path: str | Path, most: int, *, wanted: Value, field: Field) -> bytes:
    """What the file at `path` holds. InputError as by `opened`."""
    with opened(path, most, wanted=wanted, field=field) as file:
        return file.read()


@contextmanager
def opened(path: str | Path, most: int, *, wanted: Value, field: Field) -> Iterator[IO[bytes]]:
    """The file at `path`, in which one can go back: what comes through a pipe is kept in a file meanwhile.

    InputError where it cannot be read, telling what was `wanted`, or has over `most` bytes.
    """
    given = str(path)
    with ExitStack() as held:
        try:
            file: IO[bytes] = held.enter_context(open(path, "rb"))
            if not S_ISREG(os.fstat(file.fileno()).st_mode):
                whole, left = held.enter_context(TemporaryFile()), most + 1
                while left > 0 and (part := file.read(min(left, 2**20))):
                    whole.write(part)
                    left -= len(part)
                whole.seek(0)
                file = whole
            length = file.seek(0, os.SEEK_END)
            file.seek(0)
        except (OSError, ValueError) as problem:
            why = (isinstance(problem, OSError) and problem.strerror) or "no possible path"
            raise InputError(field, given, wanted, phrase("which cannot be read ({why})", why=why)) from None
        if length > most:
            raise InputError(
                field, given, f"a file of at most {most // 1_000_000} MB", f"which is larger than {most} bytes"
            )
        yield file


MOST_UNPACKED = 2**31
"""Two gigabytes: forty sensors' readings of a year. They pass through, and are not held."""
MOST_MEMBERS = 20_000
"""Our own has some twenty and a file for each photo; packers add what their system keeps beside files."""
MOST_PICTURE = 2**20
_PICTURE = re.compile(r"[0-9a-f]{64}")
"""Pictures are called after what they hold."""
_ENTRY = b"PK\x01\x02"
_ENCRYPTED = 0x1
_LEADS_OUT = re.compile(r"^/|//|(^|/)\.\.?/|[\\:]")
_BROKEN = (BadZipFile, zlib.error, EOFError, OSError, NotImplementedError, ValueError, struct.error, IndexError)
"""What zipfile raises over archives that are none, cut short, or of a kind of their own."""


def is_zip(content: bytes) -> bool:
    """Told by its first bytes: a member's header, or an empty archive's end."""
    return content.startswith((b"PK\x03\x04", b"PK\x05\x06"))


def _entries(file: IO[bytes]) -> int:
    """How many there may be: the mark of one can stand in a member, too."""
    file.seek(0)
    count, end = 0, b""
    while part := file.read(2**20):
        count += (end + part).count(_ENTRY)
        end = part[-len(_ENTRY) + 1 :]
    return count


class Zipped:
    """The files of a ZIP, by name. Nothing is ever unpacked to a disk."""

    def __init__(self, file: IO[bytes], name: str, allowed: Collection[str], picture: str) -> None:
        """InputError where it is damaged, locked, too large, or holds what is neither among the `allowed` names nor
        called as a picture with the ending `picture`."""
        self._name, self._picture = name, picture
        if _entries(file) > MOST_MEMBERS:  # looked at first: zipfile would make an object of each
            raise self._bad(name, f"a ZIP of at most {MOST_MEMBERS} files", "which holds more")
        try:
            self._zip = ZipFile(file)
        except _BROKEN as problem:
            raise self._damaged(name, problem) from None
        self._files = self._safe(self._zip.infolist(), allowed)

    def __contains__(self, file: str) -> bool:
        return file in self._files

    def picture(self, file: str) -> bytes | None:
        """What the file holds, as far as a picture may; None where it is not there."""
        if file not in self._files:
            return None
        try:
            with self._zip.open(self._files[file]) as raw:
                return raw.read(MOST_PICTURE)
        except _BROKEN as problem:
            raise self._damaged(file, problem) from None

    @contextmanager
    def open(self, file: str) -> Iterator[io.TextIOWrapper]:
        """Its text, line ends as they are. InputError once it turns out to be damaged, or no UTF-8."""
        try:
            raw = self._zip.open(self._files[file])
        except _BROKEN as problem:
            raise self._damaged(file, problem) from None
        try:
            with raw, io.TextIOWrapper(raw, "utf-8-sig", newline="") as text:
                yield text
        except UnicodeDecodeError:
            raise self._bad(file, "a file that was saved as CSV in UTF-8", "which is not in UTF-8") from None
        except (BadZipFile, zlib.error, EOFError) as problem:  # no more than that: here readers' own errors pass too
            raise self._damaged(file, problem) from None

    def _safe(self, members: list[ZipInfo], allowed: Collection[str]) -> Mapping[str, ZipInfo]:
        files, folders = {}, set()
        for one in members:
            folder, _, file = one.filename.rpartition("/")
            if not file or file.startswith(".") or folder.startswith("__MACOSX"):
                continue  # a folder, or what a system keeps beside its files
            if _LEADS_OUT.search(one.filename):
                raise self._bad(one.filename, "names without a path", "which leads out of the ZIP")
            stem, ending = file[: -len(self._picture)], file[-len(self._picture) :]
            if file not in allowed and not (ending == self._picture and _PICTURE.fullmatch(stem)):
                raise self._bad(one.filename, f"only {', '.join(allowed)}", f"which is in {quoted(self._name)}")
            if file in files:
                raise self._bad(one.filename, "each file once", f"which is twice in {quoted(self._name)}")
            if one.flag_bits & _ENCRYPTED:
                raise self._bad(one.filename, "a ZIP without a password", "which is locked by one")
            if one.compress_type not in (ZIP_STORED, ZIP_DEFLATED):
                raise self._bad(
                    one.filename, "deflate, the usual one", f"which is packed by method {one.compress_type}"
                )
            files[file] = one
            folders.add(folder)
        if len(folders) > 1:
            raise self._bad(max(folders), "all files in one folder, or in none", "which is one folder of several")
        # A file whose header says less than it unpacks to is cut there, and found to be damaged.
        if (size := sum(one.file_size for one in files.values())) > MOST_UNPACKED:
            allowed_size = f"a ZIP that unpacks to at most {MOST_UNPACKED // 1_000_000} MB"
            raise self._bad(self._name, allowed_size, f"which says that it unpacks to {size} bytes")
        return files

    def _damaged(self, what: str, problem: Exception) -> InputError:
        return self._bad(what, "a ZIP of CSV files, as `curewatch export --csv` writes it",
                         f"which is damaged, or no such ZIP ({type(problem).__name__})")  # fmt: skip

    def _bad(self, given: str, allowed: str, why: str) -> InputError:
        return InputError(Field.FILE, given, allowed, why)
