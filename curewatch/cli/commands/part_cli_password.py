"""The command that makes the page's password: it writes a file with nothing but a hash of it."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import Annotated

import typer

from curewatch.cli import options
from curewatch.cli.output import say, say_json


def password(
    ctx: typer.Context,
    file: Annotated[str, typer.Argument(metavar="FILE", help="The file to write; web.password_file names it.")],
    as_json: options.AsJson = False,
) -> None:
    """Set the password of the page: asks for it twice, or reads one line where the input is no terminal."""
    from curewatch.intake.typed import BadInput
    from curewatch.web.access.passwords import hash_of

    typed = _asked() if sys.stdin.isatty() else sys.stdin.readline().rstrip("\r\n")
    try:
        held = hash_of(typed)
    except ValueError as error:
        raise BadInput("the password", f"{len(typed)} characters", str(error)) from None
    path = Path(file).expanduser()
    try:
        _write(path, held)
    except OSError as error:
        raise BadInput("FILE", file, f"a file that can be written ({error.strerror})") from None
    if as_json:
        say_json("password", file=str(path.absolute()))
        return
    say(f"{path} holds a hash of it. In the settings: [web] password_file = {str(path.absolute())!r}")


def _asked() -> str:
    word: str = typer.prompt("Password", hide_input=True, confirmation_prompt="Once more")
    return word


def _write(path: Path, held: str) -> None:
    """For its owner alone, and whole or not at all."""
    new = path.with_name(f".{path.name}.new")
    new.unlink(missing_ok=True)
    handle = os.open(new, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(handle, "w", encoding="ascii") as file:
        file.write(held + "\n")
        file.flush()
        os.fsync(file.fileno())
    new.replace(path)
