"""`curewatch check` and the page: whether it answers where people open it."""

from __future__ import annotations

import json
import socket
import threading
from contextlib import ExitStack
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

import pytest

from curewatch.cli import main
from curewatch.daemon import Daemon, Verdict, look
from curewatch.daemon.machine import page_found
from curewatch.settings import Settings, WebSettings
from curewatch.store import Store
from tests.shell.fault_parts import running
from tests.shell.parts import HandClock, free_port, wait_for
from tests.shell.web_parts import NOW, served


def page_finding(folder: Path, web: WebSettings) -> tuple[Verdict, str]:
    """What it comes to, and what is said with what to do."""
    found = look(Settings(zone="UTC", web=web), str(folder / "studio.sqlite"), HandClock(NOW))
    return next((one.verdict, one.sentence + (one.do and f": {one.do}")) for one in found if one.name == "page")


def test_a_page_that_is_served_answers(tmp_path: Path) -> None:
    with served(tmp_path) as studio, studio.store.lock_for_daemon():
        assert page_finding(tmp_path, studio.web) == (Verdict.OK, f"answers at {studio.url}")


def test_a_page_behind_a_password_answers_too_and_nothing_is_asked_that_needs_it(tmp_path: Path) -> None:
    from curewatch.web.access.credentials import hash_of

    path = tmp_path / "page-password"
    path.write_text(hash_of("slack water at noon"))
    with served(tmp_path, password_file=path) as studio:
        assert page_found(studio.web).trouble is None


def test_a_daemon_whose_page_does_not_answer_is_found_out(tmp_path: Path) -> None:
    web = WebSettings(port=free_port())
    with Store.open(tmp_path / "studio.sqlite") as store, store.lock_for_daemon():
        verdict, said = page_finding(tmp_path, web)
    assert verdict is Verdict.FAIL
    assert f"nothing answers at http://127.0.0.1:{web.port}" in said


def test_a_page_that_another_studio_serves_on_the_port_is_not_taken_for_this_ones(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    (tmp_path / "mine").mkdir()
    with ExitStack() as theirs:
        web = theirs.enter_context(served(tmp_path)).web
        daemon = Daemon(Settings(zone="UTC", web=web), str(tmp_path / "mine" / "studio.sqlite"), HandClock(NOW))
        with running(daemon):
            wait_for(lambda: "ready: " in caplog.text, what="the daemon")
            verdict, said = page_finding(tmp_path / "mine", web)
            assert verdict is Verdict.FAIL
            assert (
                f"port {web.port} is taken by another program: end that one, or name a free port: `web.port = " in said
            )
            theirs.close()
            assert page_finding(tmp_path / "mine", web)[1].endswith("when it began: start the daemon anew")
    caplog.clear()
    with running(Daemon(Settings(zone="UTC", web=web), str(tmp_path / "mine" / "studio.sqlite"), HandClock(NOW))):
        wait_for(lambda: "ready: " in caplog.text, what="the daemon")
        assert page_finding(tmp_path / "mine", web) == (Verdict.OK, f"answers at {web.shown_address}")


def test_without_a_daemon_the_page_is_not_missed(tmp_path: Path) -> None:
    with Store.open(tmp_path / "studio.sqlite"):
        pass
    web = WebSettings(port=free_port())
    assert page_finding(tmp_path, web) == (Verdict.OK, f"will be at {web.shown_address} while the daemon runs")
    assert page_finding(tmp_path, WebSettings(enabled=False))[1].startswith("not served")


def test_another_program_on_the_port_is_told_apart() -> None:
    class Stranger(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self.send_response(200)
            self.end_headers()

        def log_message(self, *_: object) -> None:
            pass

    with HTTPServer(("127.0.0.1", 0), Stranger) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        said = page_found(WebSettings(port=server.server_port)).trouble
        server.shutdown()
    assert said is not None
    assert "something else answers" in said


def test_a_port_that_is_open_but_silent_is_not_waited_for_long() -> None:
    with socket.socket() as silent:
        silent.bind(("127.0.0.1", 0))
        silent.listen()
        said = page_found(WebSettings(port=silent.getsockname()[1])).trouble
    assert said is not None
    assert "not within 3 s" in said


def test_a_key_that_is_not_known_is_told_by_every_command_and_stops_none(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (file := tmp_path / "studio.toml").write_text(f'zone = "UTC"\nglow = 3\n[web]\nport = {free_port()}\n')
    options = "--config", str(file), "--store", str(tmp_path / "studio.sqlite")
    assert main([*options, "reading", "--room", "Loft", "--temperature", "19C", "--humidity", "50%"]) == 0
    said = f"{file}: unknown key 'glow', expected one of aftercare,"
    assert f"Note: {said}" in capsys.readouterr().err.replace("\n", " ")
    assert main([*options, "check"]) == 0
    told = capsys.readouterr()
    assert f"WARN  settings     {said}" in told.out
    assert told.err == ""


def test_what_was_undone_is_not_counted(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """As the board has it."""
    (file := tmp_path / "studio.toml").write_text(f'zone = "UTC"\n[web]\nport = {free_port()}\n')
    options = "--config", str(file), "--store", str(tmp_path / "studio.sqlite")
    for name in ("Heron", "Reed"):
        assert main([*options, "pour", name, "--room", "Loft", "--wet-thickness", "1mm"]) == 0
    assert main([*options, "undo", "Reed"]) == 0
    capsys.readouterr()
    assert main([*options, "board", "--json"]) == 0
    assert len(json.loads(capsys.readouterr().out)["pieces"]) == 1
    assert main([*options, "check"]) == 0
    assert "holds 1 piece, 1 room, 0 readings" in capsys.readouterr().out
