"""The container's files: what they must not lack, whatever builds and runs them."""

from __future__ import annotations

import ast
import json
import re
from pathlib import Path
from typing import Any

import pytest
import yaml

DEPLOY = Path(__file__).resolve().parents[2] / "deploy"
CONTAINERFILE = re.sub(r"^#.*\n", "", (DEPLOY / "Containerfile").read_text(), flags=re.M).replace("\\\n", " ")
STEPS = re.findall(r"^([A-Z]+) (.*)$", CONTAINERFILE, re.M)
COMPOSE: dict[str, Any] = yaml.safe_load((DEPLOY / "compose.yaml").read_text())


def last(step: str) -> str:
    return [rest for name, rest in STEPS if name == step][-1]


def test_what_runs_is_not_root_builds_nothing_and_takes_pinned_files_only() -> None:
    at = max(n for n, (name, _) in enumerate(STEPS) if name == "FROM")
    user = next(n for n, (name, _) in enumerate(STEPS) if name == "USER")
    assert re.fullmatch(r"[1-9]\d*:[1-9]\d*", last("USER"))
    assert not [rest for name, rest in STEPS[user:] if name in ("RUN", "COPY", "ADD")]
    assert not [rest for name, rest in STEPS[at:] if "apt-get" in rest or "pip " in rest]
    assert not [rest for name, rest in STEPS if name == "ADD"]
    installs = [rest for name, rest in STEPS if "pip install" in rest]
    assert all("--require-hashes" in rest or "--no-build-isolation ." in rest for rest in installs)
    assert all("--no-deps" in rest for rest in installs)
    assert ":" in last("ARG").split("/")[-1]
    assert "latest" not in last("ARG")
    assert (json.loads(last("ENTRYPOINT")), json.loads(last("CMD"))) == (["curewatch"], ["run"])
    assert last("VOLUME") in last("ENV")


def test_the_health_check_is_a_program_that_asks_what_anybody_may() -> None:
    command = json.loads(last("HEALTHCHECK").partition(" CMD ")[2])
    assert command[:2] == ["python3", "-c"]
    assert ast.parse(command[2])
    assert "/healthz" in command[2]


@pytest.mark.parametrize("name", ["curewatch", "broker"])
def test_a_service_of_the_compose_file_has_no_more_than_it_needs(name: str) -> None:
    service = COMPOSE["services"][name]
    assert service["read_only"] is True
    assert not service["user"].startswith(("0", "root"))
    assert (service["cap_drop"], service["security_opt"]) == (["ALL"], ["no-new-privileges:true"])
    assert service.get("privileged", False) is False
    assert not [one for one in service["volumes"] if "docker.sock" in one]
    written = [one.split(":")[0] for one in service["volumes"] if not one.endswith(":ro")]
    assert set(written) <= COMPOSE["volumes"].keys(), "what is kept lies in a volume"
    assert service["mem_limit"]
    assert "build" in service or re.search(r":\d+\.\d+", service["image"]), "a version, not whatever is newest"


def test_they_fit_together() -> None:
    daemon, broker = COMPOSE["services"]["curewatch"], COMPOSE["services"]["broker"]
    assert daemon["user"] == last("USER")
    assert daemon["volumes"] == [f"studio:{last('VOLUME')}"]
    assert daemon["ports"] == [f"{last('EXPOSE')}:{last('EXPOSE')}"]
    assert (DEPLOY / daemon["build"]["context"] / daemon["build"]["dockerfile"]).resolve() == DEPLOY / "Containerfile"
    assert broker["healthcheck"]["test"][-1] == broker["ports"][0].split(":")[1] == "1883"
    conf = dict(
        line.split(" ", 1)
        for line in (DEPLOY.parent / "config" / "mosquitto.conf").read_text().splitlines()
        if line[:1] not in "#"
    )
    assert (conf["allow_anonymous"], conf["listener"]) == ("false", "1883")
    assert conf["password_file"] in " ".join(broker["command"])
    for source in re.findall(r"^COPY (?!--from)(.+) \S+$", CONTAINERFILE, re.M):
        for one in source.split():
            assert (DEPLOY.parent / one).exists(), one
