"""A file that `curewatch export` wrote, back to what it tells."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from curewatch.desk.transfer.importing import ExportedFacts, facts_from_json
from curewatch.intake.errors import BadInput
from curewatch.intake.files.input_file import read_whole
from curewatch.intake.files.part_intake_tables_csv import parse_tables
from curewatch.intake.files.part_intake_zipped import is_zip

MAX_BYTES = 2**30
"""A gigabyte: twenty sensors' readings of a year."""
_FILE = "the path of a file that `curewatch export` wrote"


def read_export(path: str | Path, *, field: str = "FILE") -> ExportedFacts:
    """What the file at `path` tells, JSON or a ZIP of CSV files by its content. BadInput or FactError where it is none.

    What is wrong with its readings shows only as they are gone through.
    """
    content = read_whole(path, MAX_BYTES, wanted=_FILE, field=field)
    if is_zip(content):
        return parse_tables(content, str(path), field=field)
    return facts_from_json(parse_export(content, str(path), field=field))


def parse_export(content: bytes, name: str, *, field: str = "FILE") -> dict[str, Any]:
    """The object in the text of such a file, called `name` in what is said of it."""
    try:
        found = json.loads(content, parse_constant=_no_number)
    except json.JSONDecodeError as problem:
        where = f"which is broken in line {problem.lineno}, column {problem.colno} ({problem.msg})"
        raise BadInput(field, name, _FILE, where) from None
    except (UnicodeDecodeError, RecursionError, ValueError) as problem:
        raise BadInput(field, name, _FILE, f"which is no JSON text ({type(problem).__name__})") from None
    if not isinstance(found, dict):
        raise BadInput(field, name, _FILE, f"which holds a {type(found).__name__}")
    return found


def _no_number(text: str) -> float:
    raise ValueError(f"{text} is no number in JSON")
