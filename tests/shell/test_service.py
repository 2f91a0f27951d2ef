"""`curewatch service`: what it puts where, what the service may read of it, and what stays when it is taken away.

systemctl and its like are stood in for here by a script that writes down what it was asked; a real systemd runs what
is installed in `sh deploy/bench systemd`.
"""

from __future__ import annotations

import configparser
import json
import os
import pwd
import shutil
import subprocess
from pathlib import Path
from unittest import mock

import pytest

from curewatch import handbook
from curewatch.cli import main
from curewatch.daemon import service
from curewatch.daemon.service import Places
from curewatch.settings import load_settings
from curewatch.settings.values import CREDENTIALS, held_at, secret_in
from curewatch.store import Store

needs_root = pytest.mark.skipif(os.geteuid() != 0, reason="a service of the machine is root's")
SETTINGS = """# mine
zone = "Europe/Lisbon"

[broker]
host = "127.0.0.1"
user = "shed"
password_file = "broker-password" # of the shed

[web]
password_file = "page"

[backup]
folder = "copies"

[[people]]
name = "Ada"
services_file = "ada"
"""


@pytest.fixture
def systemd(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """What was asked of it, a line each."""
    asked, bin_ = tmp_path / "asked", tmp_path / "bin"
    bin_.mkdir()
    said = "StatusText=watching\\nUnitFileState=enabled"
    state = f"$(cat {tmp_path}/active || echo active)"
    answer = f'case "$*" in *show-user*) echo no;; *show*) printf "ActiveState={state}\\n{said}\\n";; esac'
    for name in ("systemctl", "loginctl"):
        script = f'#!/bin/sh\necho "{name} $*" >>{asked}\n{answer}\n'
        (bin_ / name).write_text(script)
        (bin_ / name).chmod(0o755)
    monkeypatch.setenv("PATH", f"{bin_}:{os.environ['PATH']}")
    return asked


@pytest.fixture
def places(tmp_path: Path) -> object:
    """A machine below another root; its program is any."""
    root = tmp_path / "root"
    made = "curewatch.cli.commands.service.Places"
    with mock.patch(made, lambda system: Places(system, root, tmp_path / "home")):
        yield Places(True, root, tmp_path / "home")


def curewatch(folder: Path, *words: str, code: int = 0) -> None:
    base = "--config", str(folder / "studio.toml"), "--store", str(folder / "studio.sqlite")
    assert main([*base, *words]) == code


@needs_root
def test_the_machines_service_gets_all_it_reads_and_no_one_else_does(
    tmp_path: Path, systemd: Path, places: Places, capsys: pytest.CaptureFixture[str]
) -> None:
    """Program, settings, secrets, the backups' folder and what was logged so far."""
    (tmp_path / "studio.toml").write_text(SETTINGS)
    for name, secret in (("broker-password", "b"), ("page", "$argon2id$x"), ("ada", "json://127.0.0.1/")):
        (tmp_path / name).write_text(secret)
    curewatch(tmp_path, "reading", "--room", "Loft", "--temperature", "19C", "--humidity", "50%")
    capsys.readouterr()
    curewatch(tmp_path, "service", "install", "--program", "/bin/true")
    said = capsys.readouterr().out
    held = places.config.read_text()
    assert held == SETTINGS.replace('"broker-password"', f'"{CREDENTIALS}/curewatch.broker"').replace(
        '"page"', '"/var/lib/curewatch/page-password"'
    ).replace('"copies"', f'"{tmp_path}/copies"').replace('"ada"', f'"{CREDENTIALS}/curewatch.person-1"')
    for name, secret in (("broker", "b"), ("person-1", "json://127.0.0.1/")):
        kept = places.at(f"/etc/credstore/curewatch.{name}")
        assert (kept.read_text(), kept.stat().st_mode & 0o777) == (secret, 0o600)
        assert f"is handed to the service as {CREDENTIALS}/curewatch.{name}." in said
    assert places.config.stat().st_mode & 0o777 == 0o644
    assert (places.state / "page-password").read_text() == "$argon2id$x"
    assert places.state.stat().st_mode & 0o777 == 0o700
    assert places.unit.read_text() == service.unit_text()
    extra = configparser.RawConfigParser(strict=False, allow_no_value=True)
    extra.optionxform = str  # type: ignore[assignment, method-assign]
    text = places.drop_in.read_text()
    extra.read_string(text)
    assert extra["Service"]["ExecStart"] == "/bin/true run"
    assert "ProtectHome=tmpfs" in text  # the folder lies below /tmp, which the unit hides
    assert f"BindPaths=-{tmp_path}/copies" in text
    assert "LoadCredential=curewatch.person-1" in text
    with Store.open(places.state / "studio.sqlite") as store, store.read() as tx:
        assert [room.name for room in tx.rooms()] == ["Loft"]
    assert systemd.read_text().splitlines()[:4] == [
        "systemctl daemon-reload", "systemctl enable curewatch", "systemctl reset-failed curewatch",
        "systemctl restart curewatch",
    ]  # fmt: skip
    assert "The machine's service is active (watching) and starts with the machine." in said
    assert os.readlink(places.link) == "/bin/true"
    curewatch(tmp_path, "service", "install", "--program", "/bin/true")
    assert "What was logged is backed up in" in capsys.readouterr().out
    curewatch(tmp_path, "service", "remove")
    assert f"{places.unit} is gone" in capsys.readouterr().out
    assert not places.unit.exists()
    assert not places.drop_in.parent.exists()
    assert not places.link.is_symlink()
    assert (places.state / "studio.sqlite").exists()
    assert places.config.exists()


def test_a_persons_service_is_the_unit_without_what_only_the_machine_can_take_away(
    tmp_path: Path, systemd: Path, places: Places, capsys: pytest.CaptureFixture[str]
) -> None:
    (folder := tmp_path / 'my 100% "own"').mkdir()
    (folder / "studio.toml").write_text('zone = "UTC"\n')
    curewatch(folder, "service", "install", "--user", "--program", "/bin/true")
    said = capsys.readouterr().out
    assert "Your service is active (watching) and starts when you log in." in said
    assert "`loginctl enable-linger` lets it go on" in said
    unit = Places(False, places.root, places.home).unit
    assert unit == tmp_path / "home/.config/systemd/user/curewatch.service"
    text = unit.read_text()
    for line in ("Type=notify", "WatchdogSec=10min", "Restart=on-failure", "RestartPreventExitStatus=2 4",
                 "ExecStart=/bin/true run", "WantedBy=default.target", "NoNewPrivileges=yes"):  # fmt: skip
        assert f"\n{line}\n" in text
    assert not [word for word in ("DynamicUser", "Credential", "ProtectSystem", "StateDirectory") if word in text]
    assert '"CUREWATCH_STORE=' in text
    assert '100%% \\"own\\"' in text
    asked = systemd.read_text()
    assert "systemctl --user daemon-reload\nsystemctl --user enable curewatch" in asked
    assert "enable-linger" not in asked
    curewatch(folder, "service", "status", "--user", "--json")
    told = json.loads(capsys.readouterr().out)
    assert (told["active"], told["enabled"], told["lingers"], told["for_machine"]) == ("active", True, False, False)
    if shutil.which("systemd-analyze"):
        assert _verified(unit) == []
    curewatch(folder, "service", "remove", "--user")
    assert not unit.exists()
    curewatch(folder, "service", "remove", "--user")
    assert "nothing was to be removed" in capsys.readouterr().out


@needs_root
def test_sudo_takes_along_what_the_person_set_and_logged_and_leaves_no_second_daemon_on_it(
    tmp_path: Path, systemd: Path, places: Places, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """By the command that README.md and the page name, with no option."""
    home = tmp_path / "ada"
    config, store = home / ".config/curewatch/curewatch.toml", home / ".local/share/curewatch/studio.sqlite"
    config.parent.mkdir(parents=True)
    config.write_text('zone = "Europe/Lisbon" # mine\n')
    user = pwd.struct_passwd(("ada", "x", 1000, 1000, "", str(home), "/bin/sh"))
    monkeypatch.setattr("pwd.getpwnam", {"ada": user}.__getitem__)
    for name in ("CUREWATCH_CONFIG", "CUREWATCH_STORE"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("SUDO_USER", "ada")
    monkeypatch.setenv("HOME", str(tmp_path / "root's"))
    base = ["--config", str(config), "--store", str(store)]
    assert main([*base, "reading", "--room", "Loft", "--temperature", "19C", "--humidity", "50%"]) == 0
    install = ["service", "install", "--program", "/bin/true"]
    systemd.with_name("active").write_text("inactive")
    with Store.open(store) as held, held.lock_for_daemon():
        assert main(install) == 3
    assert "another daemon" in capsys.readouterr().err
    assert not places.config.exists()
    assert main(install) == 0
    said = capsys.readouterr().out
    assert f"What was logged in {store} goes on in {places.state}/studio.sqlite" in said
    assert f"The settings are in {places.config}, copied from {config}." in said
    assert places.config.read_text() == 'zone = "Europe/Lisbon" # mine\n'
    with Store.open(places.state / "studio.sqlite") as taken, taken.read() as tx:
        assert [room.name for room in tx.rooms()] == ["Loft"]
    config.write_text('zone = "UTC"\n')
    assert main(install) == 0, "an update"
    assert "Lisbon" in places.config.read_text()
    monkeypatch.setattr("curewatch.cli.session.SYSTEM_CONFIG", places.config)
    capsys.readouterr()
    assert main([*base, "board"]) == 0
    assert "another" not in capsys.readouterr().err, "who names a store means it"
    monkeypatch.setenv("HOME", str(home))
    assert main(["board"]) == 0
    assert "is another: `sudo curewatch board` means that one." in capsys.readouterr().err


def test_the_program_is_copied_without_a_trace_in_the_checkout(places: Places, monkeypatch: pytest.MonkeyPatch) -> None:
    """A checkout is somebody's: what root built in it they could not replace at their next update."""
    ran: list[tuple[str, ...]] = []

    def run(*command: str, **_: object) -> str:
        ran.append(command)
        if command[1:3] == ("-m", "venv"):
            places.program.mkdir(parents=True)
        if "--no-build-isolation" in command:
            there = Path(command[-1])
            assert (there / "curewatch" / "_config").exists()
            assert {one.name for one in there.iterdir()} >= {"pyproject.toml", "README.md", "deploy"}
        return "yes"

    monkeypatch.setattr(service, "run", run)
    assert service._copied(places) == places.program / "bin" / "curewatch"
    checkout = str(Path(service.__file__).parents[2])
    assert "--no-build-isolation" in ran[-1]
    assert not [word for command in ran for word in command if word == checkout]


def test_a_daemon_in_a_terminal_names_the_command_that_has_it_start_with_the_machine(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "my tools" / "bin").mkdir(parents=True)
    (tmp_path / "my tools" / "bin" / "curewatch").touch()
    monkeypatch.setattr("sys.prefix", str(tmp_path / "my tools"))
    monkeypatch.setattr(service, "SYSTEMD_RUNS", tmp_path)
    assert service.begins_by({}) == f"sudo '{tmp_path}/my tools/bin/curewatch' service install"
    assert service.begins_by({"NOTIFY_SOCKET": "@x"}) == "", "systemd began it"
    monkeypatch.setattr(service, "SYSTEMD_RUNS", tmp_path / "nowhere")
    assert service.begins_by({}) == ""


@needs_root
def test_a_secret_that_root_sets_later_reaches_the_service_too(
    tmp_path: Path, systemd: Path, places: Places, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """`sudo curewatch setup` puts it where root alone reads it, and the service is not root."""
    (tmp_path / "studio.toml").write_text('zone = "UTC"\n')
    curewatch(tmp_path, "service", "install", "--program", "/bin/true")
    module = "curewatch.cli.commands.setup"
    monkeypatch.setattr(f"{module}.SYSTEM_CONFIG", places.config)
    monkeypatch.setattr(f"{module}.Places", lambda for_machine: places)
    asked = len(systemd.read_text().splitlines())
    base = ["--config", str(places.config), "--store", str(places.state / "studio.sqlite"), "setup"]
    answers = [f"--answer={one}" for one in ("host=127.0.0.1", "user=shed", "password=ebb and flow")]
    assert main([*base, "broker", *answers]) == 0
    person = ["--answer=name=Ada", "--answer=push=json://127.0.0.1:9/"]
    assert main([*base, "person", *person]) == 0
    said = capsys.readouterr().out
    for name, secret in (("broker", "ebb and flow"), ("person-1", "json://127.0.0.1:9/")):
        kept = places.at(f"/etc/credstore/curewatch.{name}")
        assert (kept.read_text().strip(), kept.stat().st_mode & 0o777) == (secret, 0o600)
        assert f"{CREDENTIALS}/curewatch.{name}" in places.config.read_text()
    assert [one.name for one in places.config.parent.iterdir()] == ["curewatch.toml"], "a secret lies in one place"
    text = places.drop_in.read_text()
    assert "\nLoadCredential=curewatch.person-1\n" in text
    assert "\nExecStart=/bin/true run\n" in text
    assert systemd.read_text().splitlines()[asked:].count("systemctl try-restart curewatch") == 2
    assert "so it has begun anew" in said


def _verified(unit: Path) -> list[str]:
    """What systemd finds wrong in it; that its folders lie in a test's is none of the unit's faults."""
    done = subprocess.run(["systemd-analyze", "verify", "--man=no", str(unit)], capture_output=True, text=True)
    return [line for line in done.stderr.splitlines() if "curewatch.service:" in line]


def test_what_cannot_be_done_is_said_in_a_sentence(
    tmp_path: Path, places: Places, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "studio.toml").write_text('zone = "UTC"\n')
    curewatch(tmp_path, "service", "install", "--user", "--program", "/nowhere/curewatch", code=2)
    assert "--program: got '/nowhere/curewatch', expected a program that can be run" in capsys.readouterr().err
    monkeypatch.setenv("PATH", str(tmp_path))
    curewatch(tmp_path, "service", "install", "--user", "--program", "/bin/true", code=1)
    assert "there is no systemctl here: only systemd runs this as a service" in capsys.readouterr().err
    monkeypatch.setattr(os, "geteuid", lambda: 1000)
    curewatch(tmp_path, "service", "install", "--system", code=2)
    assert "expected root (sudo) for a service of the machine, or --user" in capsys.readouterr().err


def test_a_credential_is_read_where_root_put_it_by_whoever_is_not_the_service(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from curewatch.settings import values

    monkeypatch.setattr(values, "CREDENTIALS", tmp_path / "handed")
    monkeypatch.setattr(values, "CREDSTORE", tmp_path / "store")
    (tmp_path / "store").mkdir()
    (tmp_path / "store" / "curewatch.broker").write_text("s\n")
    named = tmp_path / "handed" / "curewatch.broker"
    assert secret_in(named, "broker.password_file").get_secret_value() == "s"
    named.parent.mkdir()
    named.write_text("of this start")
    assert held_at(named) == named
    assert held_at(tmp_path / "elsewhere") == tmp_path / "elsewhere"


def test_the_password_goes_where_the_settings_say_or_is_then_said_in_them(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "studio.toml"
    file.write_text("# mine\n")
    monkeypatch.setattr("sys.stdin", mock.Mock(isatty=lambda: False, readline=lambda: "slack water at noon\n"))
    curewatch(tmp_path, "password")
    assert "+password_file = " in capsys.readouterr().out
    first = (tmp_path / "page-password").read_text()
    assert load_settings(file).web.password_file == tmp_path / "page-password"
    held = file.read_text()
    curewatch(tmp_path, "password")
    assert (file.read_text(), (tmp_path / "page-password").read_text() != first) == (held, True)


def test_moving_to_another_machine_is_the_two_commands_that_the_handbook_shows(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    section = handbook.read("service").partition("## Moving")[2].partition("## ")[0]
    here, there = (line.split("#")[0].split()[1:] for line in section.splitlines() if line.startswith("curewatch "))
    boards = []
    for name, command in (("old", here), ("new", there)):
        (folder := tmp_path / name).mkdir()
        (folder / "studio.toml").write_text('zone = "UTC"\n')
        if name == "old":
            curewatch(folder, "reading", "--room", "Loft", "--temperature", "19C", "--humidity", "50%")
            curewatch(folder, "pour", "Low tide", "--room", "Loft", "--wet-thickness", "1mm")
        else:
            shutil.copy(tmp_path / "old" / "studio-moved.sqlite", folder)
        monkeypatch.chdir(folder)
        curewatch(folder, *command)
        capsys.readouterr()
        curewatch(folder, "export")
        told = json.loads(capsys.readouterr().out)
        boards.append({kind: rows for kind, rows in told.items() if isinstance(rows, list)})
    assert boards[0] == boards[1]
    assert boards[0]["pieces"]
