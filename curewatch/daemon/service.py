"""The daemon as a service of systemd, the machine's or one person's: what somebody would have to type, done and told.

For the machine it is the unit that lies in deploy/, as it is, and a drop-in that says what is another here. For a
person it is that unit without what only the machine's manager can take away from a process.
"""

from __future__ import annotations

import os
import re
import shlex
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Any, NamedTuple

import curewatch
from curewatch.records.errors import ForPeople
from curewatch.settings import Settings, load_settings
from curewatch.settings.loading import SYSTEM_CONFIG, SYSTEM_STORE
from curewatch.settings.values import CREDENTIALS, CREDSTORE
from curewatch.settings.writing import Key, edited, write_whole

NAME = "curewatch"
SYSTEMD_RUNS = Path("/run/systemd/system")
"""There where systemd is the machine's first process: sd_booted(3)."""
HIDDEN = ("/home", "/root", "/run/user", "/tmp", "/var/tmp")
"""What the unit does not let its process see."""
CREDENTIAL_OF = {
    ("broker", "password_file"): "broker",
    ("webhook", "secret_file"): "webhook",
    ("mail", "password_file"): "mail",
    ("services", "addresses_file"): "services",
    ("heartbeat", "url_file"): "heartbeat",
}
"""Secrets that the unit hands over, by the key that names their file."""
OWN = {("web", "password_file"): "page-password", ("web", "key"): "page-key.pem"}
"""What the daemon reads again as it runs, so that a new one counts at once: it lies beside the store."""
PUBLIC = (("web", "certificate"), ("broker", "ca_file"), ("mail", "ca_file"))
_OF_A_PERSON = re.compile(
    r"(Type|NotifyAccess|WatchdogSec|Timeout\w+|Restart\w*|UMask|NoNewPrivileges|Memory\w+|TasksMax|Environment=PYTHON)"
)


class ServiceError(ForPeople):
    """What could not be done, in a sentence."""


class Standing(NamedTuple):
    """How a service stands."""

    for_machine: bool
    installed: bool
    enabled: bool
    active: str
    """systemd's word: active, inactive, failed, …"""
    says: str
    """What the daemon says of itself."""
    lingers: bool | None
    """Whether it runs while its person is logged out; None of the machine's."""
    config: str
    store: str


@dataclass(frozen=True)
class Places:
    """Where everything lies; below another root in tests."""

    for_machine: bool
    root: Path = Path("/")
    home: Path | None = None

    def at(self, path: str | Path) -> Path:
        return self.root / str(path).lstrip("/")

    @property
    def unit(self) -> Path:
        if self.for_machine:
            return self.at("/etc/systemd/system/curewatch.service")
        return (self.home or Path.home()) / ".config/systemd/user/curewatch.service"

    @property
    def drop_in(self) -> Path:
        return self.unit.with_name("curewatch.service.d") / "installed.conf"

    @property
    def program(self) -> Path:
        """Where a copy of the program goes that the service may see."""
        return self.at("/opt/curewatch")

    @property
    def link(self) -> Path:
        return self.at("/usr/local/bin/curewatch")

    @property
    def config(self) -> Path:
        return self.at(SYSTEM_CONFIG)

    @property
    def state(self) -> Path:
        return self.at(SYSTEM_STORE.parent)

    def systemctl(self, *words: str, must: bool = True) -> str:
        return run("systemctl", *(() if self.for_machine else ("--user",)), *words, must=must)

    def standing(self, config: str, store: str) -> Standing:
        shown = self.systemctl("show", NAME, "--property=ActiveState,StatusText,UnitFileState", must=False)
        told = dict(line.split("=", 1) for line in shown.splitlines() if "=" in line)
        lingers = None if self.for_machine else lingering()
        return Standing(
            self.for_machine, self.unit.exists(), told.get("UnitFileState") == "enabled",
            told.get("ActiveState") or "unknown", told.get("StatusText", ""), lingers, config, store,
        )  # fmt: skip


def run(*command: str, must: bool = True, env: Mapping[str, str] | None = None) -> str:
    """What it prints; ServiceError where it `must` end well and does not."""
    try:
        done = subprocess.run(command, capture_output=True, text=True, check=False, env=env)
    except FileNotFoundError:
        raise ServiceError(f"there is no {command[0]} here: only systemd runs this as a service") from None
    if must and done.returncode != 0:
        said = (done.stderr or done.stdout).strip().splitlines() or ["nothing"]
        raise ServiceError(f"`{' '.join(command)}` failed: {said[-1]}")
    return done.stdout


def lingering() -> bool:
    """Whether this person's services run while nobody is logged in."""
    said = run("loginctl", "show-user", str(os.getuid()), "--property=Linger", "--value", must=False)
    return said.strip() == "yes"


def install_for_machine(places: Places, settings: Settings, program: Path | None) -> Iterator[str]:
    """Everything that the unit's first lines tell, a sentence each as it is done; again after an update. Root only."""
    command = program or _copied(places)
    if program is None:
        yield f"The program is in {places.program}."
    if not places.link.exists() or places.link.is_symlink():
        places.link.parent.mkdir(parents=True, exist_ok=True)
        places.link.unlink(missing_ok=True)
        places.link.symlink_to(command)
        yield f"It is called by {places.link}, which as root finds the service's settings and store by itself."
    if not places.config.exists():
        places.config.parent.mkdir(parents=True, exist_ok=True)
        had = settings.file
        write_whole(places.config, had.read_bytes() if had else f'zone = "{settings.zone}"\n'.encode(), mode=0o644)
        yield f"The settings are in {places.config}{f', copied from {had}' if had else ''}."
    else:
        settings = load_settings(places.config)
    yield from _hand_over(places, settings)
    extra = _extra(places, settings, f"ExecStart={_command(command)} run")
    _write(places.unit, unit_text())
    _write(places.drop_in, extra)
    places.systemctl("daemon-reload")


def hand_over_again(places: Places) -> Iterator[str]:
    """After other secrets were written beside the machine's settings: it is handed them, and begins anew with them."""
    if not places.drop_in.exists():
        return
    handed = list(_hand_over(places, load_settings(places.config)))
    if not handed:
        return
    yield from handed
    start = next(line for line in reversed(places.drop_in.read_text().splitlines()) if line.startswith("ExecStart="))
    _write(places.drop_in, _extra(places, load_settings(places.config), start))
    places.systemctl("daemon-reload")
    places.systemctl("try-restart", NAME)
    yield "It is handed what it needs at its start, so it has begun anew."


def begins_by(environ: Mapping[str, str]) -> str:
    """The command that has this daemon start with the machine; empty where systemd began it, or is not here."""
    program = Path(sys.prefix) / "bin" / "curewatch"
    if environ.get("NOTIFY_SOCKET") or not SYSTEMD_RUNS.is_dir() or not program.exists():
        return ""
    return shlex.join(["sudo", str(program), "service", "install"])


def settings_and_store_of(person: str) -> tuple[Path, Path]:
    """Where somebody else keeps theirs, there or not. LookupError for whom nobody knows."""
    import pwd

    home = Path(pwd.getpwnam(person).pw_dir)
    return home / ".config/curewatch/curewatch.toml", home / ".local/share/curewatch/studio.sqlite"


def _copied(places: Places) -> Path:
    """The command of a copy of this program, made of the pinned files, where the service may see it."""
    checkout = Path(curewatch.__file__).resolve().parents[1]
    pins = checkout / "deploy" / "constraints.txt"
    if not pins.exists():  # from a wheel
        if hidden(Path(sys.prefix)):
            better = f"install it elsewhere, as into {places.program}, and call it from there"
            raise ServiceError(f"this program lies in {sys.prefix}, where the machine's service cannot see: {better}")
        return Path(sys.prefix) / "bin" / "curewatch"
    bases = (getattr(sys, "_base_executable", sys.executable), shutil.which("python3", path="/usr/local/bin:/usr/bin"))
    base = next((one for one in bases if one and not hidden(Path(one).resolve()) and _new_enough(one)), None)
    if base is None:
        why = f"the Python of this program is {bases[0]}, where a service of the machine cannot see"
        raise ServiceError(f"{why}: install one for all (Debian: apt-get install python3 python3-venv)")
    run(base, "-m", "venv", "--clear", str(places.program))
    python = str(places.program / "bin" / "python")
    needed = places.program / "pins.txt"
    needed.write_text(pins.read_text(encoding="utf-8").partition("\n# To check it")[0], encoding="utf-8")
    quiet = {**os.environ, "PIP_USER": "0", "PIP_ROOT_USER_ACTION": "ignore", "PIP_DISABLE_PIP_VERSION_CHECK": "1"}
    pip = (python, "-m", "pip", "install", "--quiet", "--no-deps")
    run(*pip, "--require-hashes", "-r", str(needed), env=quiet)
    with tempfile.TemporaryDirectory(prefix="curewatch-") as made:
        # not in the checkout: what root leaves there its owner cannot replace
        for name in ("curewatch", "config", "deploy"):
            leave = shutil.ignore_patterns("__pycache__", "*.so")
            shutil.copytree(checkout / name, Path(made) / name, symlinks=True, ignore=leave)
        for name in ("pyproject.toml", "README.md"):
            shutil.copy(checkout / name, made)
        run(*pip, "--no-build-isolation", made, env=quiet)
    return places.program / "bin" / "curewatch"


def _new_enough(python: str) -> bool:
    return bool(run(python, "-c", "import sys; print('yes' * (sys.version_info >= (3, 11)))", must=False).strip())


def hidden(path: Path) -> bool:
    """Whether the unit keeps its process from seeing it."""
    return any(path.is_relative_to(one) for one in HIDDEN)


def unit_text() -> str:
    return (files("curewatch") / "_config" / "curewatch.service").read_text(encoding="utf-8")


def unit_of_person(command: Path, config: Path | None, store: str) -> str:
    """The unit without what only the machine's manager can take away from a process."""
    own = [line for line in unit_text().splitlines() if _OF_A_PERSON.match(line)]
    where = {"CUREWATCH_CONFIG": config, "CUREWATCH_STORE": store}
    said = [f"Environment={_quoted(f'{name}={value}')}" for name, value in where.items() if value]
    head = (
        "# Written by `curewatch service install`; `curewatch service remove` takes it away.\n[Unit]\n"
        "Description=Watches poured paintings dry\nStartLimitIntervalSec=10min\nStartLimitBurst=10\n\n[Service]\n"
    )
    start = f"ExecStart={_command(command)} run"
    return head + "\n".join([start, *said, *own, "", "[Install]", "WantedBy=default.target", ""])


def _command(program: Path) -> str:
    return _quoted(str(program).replace("$", "$$"))


def _quoted(text: str) -> str:
    """As one word of a unit (systemd.syntax(7), systemd.unit(5))."""
    text = text.replace("%", "%%")
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"' if re.search(r"[\s\"'\\]", text) else text


def install_for_person(places: Places, config: Path | None, store: str, program: Path | None) -> Iterator[str]:
    command = program or Path(sys.prefix) / "bin" / "curewatch"
    _write(places.unit, unit_of_person(command, config, store))
    places.systemctl("daemon-reload")
    yield f"The unit is {places.unit}."


def begin(places: Places) -> None:
    """Have it run now and from every start on; ServiceError with what it says where it does not."""
    places.systemctl("enable", NAME)
    places.systemctl("reset-failed", NAME, must=False)
    try:
        places.systemctl("restart", NAME)
    except ServiceError as error:
        log = "journalctl -u curewatch" if places.for_machine else "journalctl --user -u curewatch"
        raise ServiceError(f"{error}; `{log}` shows what it said") from None


def remove(places: Places) -> Iterator[str]:
    """Take the service away; what a person logged and set stays."""
    if not places.unit.exists():
        yield f"There is no {places.unit}: nothing was to be removed."
        return
    places.systemctl("disable", "--now", NAME, must=False)
    shutil.rmtree(places.drop_in.parent, ignore_errors=True)
    places.unit.unlink()
    places.systemctl("daemon-reload")
    yield f"It is stopped, and {places.unit} is gone."
    if places.for_machine:
        if places.link.is_symlink():
            places.link.unlink()
        if (places.program / "pins.txt").exists():
            shutil.rmtree(places.program)
            yield f"{places.program} is gone."
        kept = [one for one in (places.config.parent, places.state, places.at(CREDSTORE)) if one.exists()]
        yield f"Settings, store and secrets stay in {', '.join(map(str, kept))}: delete them yourself if you mean it."


def _hand_over(places: Places, settings: Settings) -> Iterator[str]:
    """Have every secret where the service gets it from, and nobody else; the settings then say so."""
    changes: dict[Key, Any] = {}
    if settings.backup.folder is not None and settings.file != places.config:
        changes["backup.folder"] = str(settings.backup.folder)  # it may have been said beside the other file
    for table, key, path in _files_named(settings):
        named = str(table[0]), key
        name = f"person-{int(table[1]) + 1}" if len(table) > 1 else CREDENTIAL_OF.get(named)
        if (own := OWN.get(named)) is not None:
            there, told, mode = places.state / own, SYSTEM_STORE.parent / own, 0o600
        elif named in PUBLIC:
            there, told, mode = places.config.parent / path.name, SYSTEM_CONFIG.parent / path.name, 0o644
        else:
            there, told, mode = places.at(CREDSTORE) / f"{NAME}.{name}", CREDENTIALS / f"{NAME}.{name}", 0o600
        if path == told or not path.is_file():
            continue
        there.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        if path != there:
            write_whole(there, path.read_bytes(), mode=mode)
        changes[(*table, key)] = str(told)
        yield f"{'.'.join(map(str, (*table, key)))} is handed to the service as {told}."
    if changes:
        edited(places.config, changes).write()


def _files_named(settings: Settings) -> Iterator[tuple[tuple[str | int, ...], str, Path]]:
    for table, key in (*CREDENTIAL_OF, *OWN, *PUBLIC):
        if (held := getattr(getattr(settings, table), key, None)) is not None:
            yield (table,), key, held
    for n, person in enumerate(settings.people):
        if person.services_file is not None:
            yield ("people", n), "services_file", person.services_file


def _extra(places: Places, settings: Settings, start: str) -> str:
    """What is another here than in the unit."""
    lines = ["# Written by `curewatch service install`, anew each time.", "[Service]", "ExecStart=", start]
    for n, person in enumerate(settings.people):
        if person.services_file is not None:
            lines.append(f"LoadCredential={NAME}.person-{n + 1}")
    folder = settings.backup.folder
    if folder is not None and not folder.is_relative_to(places.state):
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        _give(places, folder)
        lines.append("# Its backups lie there, and belong to a user that stays: one made at each start may be another.")
        bare = _quoted(str(folder))
        lines += ["ProtectHome=tmpfs", f"BindPaths=-{bare}"] if hidden(folder) else [f"ReadWritePaths=-{bare}"]
    return "\n".join([*lines, ""])


def _give(places: Places, folder: Path) -> None:
    """The folder, with what lies in it, to the service's user, who is made for good where there is none."""
    if places.root == Path("/"):
        if run("getent", "passwd", NAME, must=False) == "":
            run("useradd", "--system", "--no-create-home", "--shell", "/usr/sbin/nologin", NAME)
        shutil.chown(folder, NAME, NAME)
        for one in folder.iterdir():
            shutil.chown(one, NAME, NAME)


def _write(path: Path, text: str) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    write_whole(path, text.encode(), mode=0o644)
