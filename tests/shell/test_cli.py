"""The command itself: help, exit codes, terminals, pipes, and what happens when things break."""

from __future__ import annotations

import json
import os
import pty
import subprocess
import sys
from pathlib import Path

import pytest

from curewatch import __version__
from curewatch.cli import errors, main
from curewatch.cli.app import COMMANDS, load
from curewatch.cli.exits import MEANINGS, Exit
from curewatch.store import AlreadyRunning, CannotOpen, DuplicateName, NewerSchema, StoreError
from curewatch.studio.forecasting.batch import reason_in_words

COMMAND = str(Path(sys.executable).with_name("curewatch"))
PLAIN = ("estimate", "--wet-thickness", "1mm", "--temperature", "21C", "--humidity", "50%", "--members", "4")


def test_help_lists_every_command_and_every_exit_code(capsys: pytest.CaptureFixture[str]) -> None:
    assert main([]) == 0
    bare = capsys.readouterr().out
    assert main(["--help"]) == 0
    out = capsys.readouterr().out
    assert out == bare
    assert "estimate" in out
    for code, meaning in MEANINGS.items():
        assert f"{code.value:>3}  {meaning}" in out
    assert set(MEANINGS) == set(Exit)
    assert max(map(len, out.splitlines())) <= 80


def test_version(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--version"]) == 0
    assert capsys.readouterr().out == f"curewatch {__version__}\n"


def test_the_module_is_the_command() -> None:
    done = subprocess.run([sys.executable, "-m", "curewatch", "--version"], capture_output=True, text=True, timeout=60)
    assert (done.returncode, done.stdout) == (0, f"curewatch {__version__}\n")


def test_help_loads_nothing_heavy() -> None:
    heavy = "numpy", "pydantic", "sqlalchemy", "alembic", "paho", "apscheduler", "requests", "rich"
    code = (
        "import sys; from curewatch.cli import main; assert main(['--help']) == 0; "
        f"assert not set({heavy}) & set(sys.modules), set({heavy}) & set(sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60)
    assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.parametrize("name", COMMANDS)
def test_every_row_of_the_table_names_a_command(name: str) -> None:
    assert (load(name).name, bool(load(name).help)) == (name, True)


@pytest.mark.parametrize(
    ("words", "expected"),
    [("curewatch est", {"estimate"}), ("curewatch estimate --air ", {"still", "draughty", "fan"})],
)
def test_the_shell_completes(words: str, expected: set[str]) -> None:
    environment = os.environ | {
        "_CUREWATCH_COMPLETE": "complete_bash", "COMP_WORDS": words, "COMP_CWORD": str(len(words.split(" ")) - 1),
    }  # fmt: skip
    done = subprocess.run([COMMAND], env=environment, capture_output=True, text=True, timeout=60)
    assert set(done.stdout.split()) == expected


@pytest.mark.parametrize(
    ("typed", "says"),
    [
        (("estimat",), "Did you mean 'estimate'?"),
        (("no[red]such[/red]",), "'no[red]such[/red]'"),
        (("--stroe", "x", "estimate"), "--store"),
        (("estimate", "--wet-thicknes", "1mm"), "--wet-thickness"),
        (("estimate", "--wet-thickness"), "'--wet-thickness' requires an argument"),
        (("estimate", "--json=3"), "'--json' does not take a value"),
        (("estimate", "loft"), "loft"),
        (("--store", "x"), "Missing command"),
    ],
)
def test_a_line_that_cannot_be_read_is_bad_input(
    capsys: pytest.CaptureFixture[str], typed: tuple[str, ...], says: str
) -> None:
    assert main(list(typed)) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert says in err
    assert err.splitlines()[-1].endswith("--help")
    assert "Traceback" not in err


def test_with_json_an_unknown_option_is_an_object(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["estimate", "--wet-thicknes", "1mm", "--json"]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert json.loads(err) == {
        "schema": 2,
        "error": {
            "field": "--wet-thicknes",
            "given": None,
            "allowed": "--wet-thickness",
            "message": "No such option: --wet-thicknes (Possible options: --wet-thickness)",
        },
    }


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (CannotOpen("the store shed.txt is no database"), 2),
        (NewerSchema("the store is newer"), 1),
        (DuplicateName("Heron"), 2),
        (StoreError("the disk is full"), 1),
        (AlreadyRunning("shed.sqlite", 1, None, None), 3),
        (PermissionError(13, "Permission denied", "shed.sqlite"), 1),
        (RuntimeError("[bold]boom[/bold]\nand more"), 1),
        (KeyboardInterrupt(), 130),
    ],
)
def test_what_breaks_inside_ends_with_its_code_and_no_traceback(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, error: BaseException, code: int
) -> None:
    def broken(_question: object) -> None:
        raise error

    monkeypatch.setattr("curewatch.cli.texts.estimate_text.answer", broken)
    assert main([*PLAIN]) == code
    out, err = capsys.readouterr()
    assert out == ""
    assert "Traceback" not in err
    if isinstance(error, Exception):
        assert str(error.args[-1]).splitlines()[0] in err or str(error) in err


def test_a_traceback_is_to_be_had_on_request(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("curewatch.cli.texts.estimate_text.answer", reason_in_words)
    monkeypatch.setenv(errors.TRACEBACK, "1")
    assert main([*PLAIN]) == 1
    assert "Traceback" in capsys.readouterr().err


def test_a_reader_that_leaves_is_no_error() -> None:
    reads, writes = os.pipe()
    os.close(reads)
    try:
        done = subprocess.run([COMMAND, *PLAIN], stdout=writes, stderr=subprocess.PIPE, text=True, timeout=60)
    finally:
        os.close(writes)
    assert (done.returncode, done.stderr) == (Exit.NOBODY_READS, "")


def test_a_full_disk_is_said_once() -> None:
    with open("/dev/full", "w") as full:
        done = subprocess.run([COMMAND, *PLAIN], stdout=full, stderr=subprocess.PIPE, text=True, timeout=60)
    assert done.returncode == 1
    assert done.stderr == "curewatch: the output cannot be written: No space left on device\n"


@pytest.mark.parametrize(("line", "code"), [(f"{' '.join(PLAIN)} >&-", 0), ("estimate --wet-thickness 9m 2>&-", 2)])
def test_closed_outputs_change_no_exit_code(line: str, code: int) -> None:
    done = subprocess.run(["sh", "-c", f"{COMMAND} {line}"], capture_output=True, text=True, timeout=60)
    assert (done.returncode, done.stderr) == (code, "")


def test_an_output_without_unicode_gets_plain_signs() -> None:
    environment = os.environ | {"PYTHONIOENCODING": "ascii"}
    done = subprocess.run([COMMAND, *PLAIN], env=environment, capture_output=True, timeout=60)
    assert done.returncode == 0
    out = done.stdout.decode("ascii")
    assert "100 +*" in out
    assert "\\" not in out


@pytest.mark.parametrize("terminal", [True, False])
@pytest.mark.parametrize(
    ("items", "half"), [("[1, 2], 'Counting [2]'", b"1/2"), ("iter(range(1, 3)), 'Counting [2]', of=2", b"1/2")]
)
def test_long_work_shows_a_terminal_that_it_goes_on_and_a_pipe_nothing(
    tmp_path: Path, items: str, half: bytes, terminal: bool
) -> None:
    """On stderr: what a program reads is stdout."""
    script = f"import time; from curewatch.cli.output import each\nfor k in each({items}): time.sleep(0.3)"
    ours, theirs = pty.openpty()
    with subprocess.Popen(
        [sys.executable, "-c", script], env=os.environ | {"TERM": "xterm", "COLUMNS": "80"}, stdout=subprocess.PIPE,
        stderr=theirs if terminal else subprocess.PIPE,
    ) as process:  # fmt: skip
        os.close(theirs)
        out, err = process.communicate(timeout=60)
        said = bytearray(err or b"")
        while terminal and (chunk := _read(ours)):
            said += chunk
    os.close(ours)
    assert (out, process.returncode) == (b"", 0)
    assert (b"Counting [2]" in said, half in said) == (terminal, terminal)


def on_a_terminal(columns: int, **environment: str) -> str:
    """What the command writes to a terminal that wide."""
    ours, theirs = pty.openpty()
    clean = {key: value for key, value in os.environ.items() if key not in ("NO_COLOR", "COLUMNS")}
    try:
        with subprocess.Popen(
            [COMMAND, *PLAIN],
            env=clean | {"TERM": "xterm", "COLUMNS": str(columns)} | environment,
            stdin=subprocess.DEVNULL,
            stdout=theirs,
            stderr=subprocess.DEVNULL,
        ) as process:
            os.close(theirs)
            written = bytearray()
            while chunk := _read(ours):
                written += chunk
            assert process.wait(60) == 0
    finally:
        os.close(ours)
    return written.decode().replace("\r\n", "\n")


def _read(terminal: int) -> bytes:
    try:
        return os.read(terminal, 65536)
    except OSError:  # Linux's way of saying that the other end is closed
        return b""


def test_colour_is_for_terminals_that_want_it_and_says_nothing_by_itself() -> None:
    colourful, plain = on_a_terminal(80), on_a_terminal(80, NO_COLOR="1")
    assert "\x1b[1m" in colourful
    assert "\x1b" not in plain
    assert colourful.replace("\x1b[1m", "").replace("\x1b[0m", "") == plain
    assert "\x1b" not in on_a_terminal(80, TERM="dumb")


@pytest.mark.parametrize("columns", [60, 80, 200])
def test_a_page_is_as_wide_as_its_terminal_up_to_100(columns: int) -> None:
    widest = max(map(len, on_a_terminal(columns, NO_COLOR="1").splitlines()))
    assert min(columns, 100) - 12 <= widest < columns


@pytest.mark.parametrize("after", [True, False])
@pytest.mark.parametrize("joined", [True, False])
def test_where_things_live_may_be_said_before_or_after_the_command(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], after: bool, joined: bool
) -> None:
    store = tmp_path / "a shed.sqlite"
    where = [f"--store={store}"] if joined else ["--store", str(store)]
    assert main(["board", *where] if after else [*where, "board"]) == 0
    assert store.exists()
    assert "No pieces yet" in capsys.readouterr().out


def test_a_store_in_a_folder_that_is_not_there_is_a_slip_unless_something_is_logged(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    store = tmp_path / "stuido" / "studio.sqlite"
    where = ["--store", str(store)]
    for line in (["board"], ["alarms"], ["names"], ["export"], ["feel", "Heron", "sticky"]):
        assert main([*where, *line]) == 2, line
        assert f"there is no folder {store.parent}" in capsys.readouterr().err
    assert not store.parent.exists()
    assert main([*where, "reading", "--room", "Loft", "--temperature", "19C", "--humidity", "50%"]) == 0
    assert capsys.readouterr().err == f"Note: a new store begins: {store}.\n"
    assert main([*where, "board"]) == 0
    assert capsys.readouterr().err == ""
