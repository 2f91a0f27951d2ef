"""What is deployed: pins with hashes, the notices of what is installed with it, and what the service is kept from."""

from __future__ import annotations

import hashlib
import re
import subprocess
import sys
import tomllib
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
PINS = (ROOT / "deploy" / "constraints.txt").read_text(encoding="utf-8")
UNIT = (ROOT / "deploy" / "curewatch.service").read_text(encoding="utf-8")


def canonical(name: str) -> str:
    """PEP 503."""
    return re.sub(r"[-_.]+", "-", name).lower()


def pinned(text: str) -> dict[str, str]:
    return {canonical(name): version for name, version in re.findall(r"^([\w.-]+)==(\S+)", text, re.M)}


def test_every_pin_names_the_very_files_that_are_taken() -> None:
    lines = [line for line in PINS.replace("\\\n", " ").splitlines() if line and not line.startswith("#")]
    assert len(lines) > 90
    for line in lines:
        assert re.fullmatch(r"[\w.-]+==[\w.+]+( +--hash=sha256:[0-9a-f]{64})+", line), line[:80]


def test_every_group_is_closed_in_itself() -> None:
    """What pyproject asks for is pinned in the group that deploy/_venv.sh cuts off for it."""
    asked = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    run = pinned(PINS.split("# To check it")[0])
    test = pinned(PINS.split("# To fuzz it")[0])
    extras = asked["optional-dependencies"]
    lists = ((asked["dependencies"], run), (extras["services"], run), (extras["test"], test))
    for wanted, pins in (*lists, (extras["postgresql"], pinned(PINS.split("# To keep the store in PostgreSQL")[1]))):
        names = {canonical(re.split(r"[<>=!~;\[ ]", one)[0]) for one in wanted}
        assert names <= pins.keys()
    told = {
        one.rpartition(" ")[2] for one in asked["classifiers"] if one.startswith("Programming Language :: Python :: 3.")
    }
    assert min(told, key=lambda one: int(one[2:])) == asked["requires-python"].removeprefix(">=") == "3.11"
    assert "setuptools" in run, "what builds it is a pin, too"
    script = (ROOT / "deploy" / "_venv.sh").read_text(encoding="utf-8")
    assert "--require-hashes" in script
    assert "/^# To check it/" in script
    assert "/^# To fuzz it/" in script


def test_the_notices_name_all_that_comes_with_the_wheel_and_go_with_it() -> None:
    notices = (ROOT / "deploy" / "NOTICES.md").read_text(encoding="utf-8")
    told = {canonical(name): (version, licence) for name, version, licence in
            re.findall(r"^\| ([\w.-]+) \| (\d\S*) \| (.+?) \|", notices, re.M)}  # fmt: skip
    run = pinned(PINS.split("# To run it")[1].split("# To check it")[0])
    assert {name: version for name, (version, _) in told.items()} == run
    assert not [name for name, (_, licence) in told.items() if licence == "not said"]
    carried = (ROOT / "curewatch" / "web" / "static" / "idiomorph.min.js").read_bytes()
    assert hashlib.sha256(carried).hexdigest() in notices, "as its makers publish it"
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert project["license-files"] == ["deploy/LICENSE", "deploy/NOTICES.md"]
    assert project["license"] == "MIT"
    assert (ROOT / "deploy" / "LICENSE").read_text(encoding="utf-8").startswith("MIT License\n")


def test_the_notices_are_made_of_what_is_installed() -> None:
    made = subprocess.run(
        [sys.executable, ROOT / "deploy" / "_notices.py"], capture_output=True, text=True, check=True, timeout=60
    )
    assert made.stdout == (ROOT / "deploy" / "NOTICES.md").read_text(encoding="utf-8")


def test_the_service_is_kept_from_what_it_has_no_use_for() -> None:
    said: dict[str, list[str]] = {}
    for name, value in re.findall(r"^(\w+)=(.*)$", UNIT, re.M):
        said.setdefault(name, []).append(value)
    for name in ("PrivateMounts", "PrivateTmp", "PrivateDevices", "PrivateUsers", "NoNewPrivileges", "ProtectHome"):
        assert said[name] == ["yes"], name
    assert said["ProtectSystem"] == ["strict"]
    assert said["UMask"] == ["0077"]
    high, most = (int(said[name][0].removesuffix("M")) for name in ("MemoryHigh", "MemoryMax"))
    assert high < most <= 1024
    # the page's password, tokens and secrets come from the manager; a name without a path may be missing
    assert {"curewatch.page", "curewatch.webhook", "curewatch.broker", "curewatch.mail"} <= set(said["LoadCredential"])
    assert not any(":" in one for one in said["LoadCredential"])
    installer = (ROOT / "curewatch" / "daemon" / "service.py").read_text(encoding="utf-8")
    assert "service install" in UNIT.split("[Unit]")[0]
    assert "--require-hashes" in installer, "and what its first lines name installs what is pinned"


def test_the_audit_is_no_part_of_the_check() -> None:
    check = (ROOT / "deploy" / "check").read_text(encoding="utf-8")
    assert "audit" not in check.replace("--no-audit", "")
    assert "pip-audit" in (ROOT / "deploy" / "audit").read_text(encoding="utf-8")
