"""`curewatch listen` and `check` beside a real broker: what is read, what could be, and why nothing is, told apart."""

from __future__ import annotations

import json
import re
import threading
from pathlib import Path
from typing import Any

import pytest
import requests

from curewatch.cli import main
from curewatch.clock import SystemClock
from curewatch.daemon import Daemon
from curewatch.settings import load_settings
from curewatch.store import Store
from tests.shell.parts import Broker, free_port, has_mosquitto, wait_for

pytestmark = pytest.mark.skipif(not has_mosquitto, reason="needs mosquitto")

SENSORS = """
[[sensors]]
id = "good"
room = "Loft"
topic = "shed/loft/air"
battery = "/batt"

[[sensors]]
id = "pointer"
room = "Slipway"
topic = "shed/slip/air"

[[sensors]]
id = "topic"
room = "Sail locker"
topic = "shed/lockre/air"

[[sensors]]
id = "kept back"
room = "Office"
topic = "office/air"
"""
ACL = "user shed\ntopic readwrite shed/#\n\nuser gate\ntopic readwrite #\n"


def publish(broker: Broker) -> None:
    for topic, payload in (
        ("shed/loft/air", '{"temperature": "68 °F", "humidity": "51 %", "batt": "2.7 V"}'),
        ("shed/loft/status", "online"),
        ("shed/slip/air", '{"air": {"temp": 19.5, "rh": 60}}'),
        ("shed/locker/air", '{"temperature": 15.5, "humidity": 70}'),
        ("office/air", '{"temperature": 21, "humidity": 40}'),
    ):
        broker.publish(topic, payload, retain=True)


@pytest.fixture
def broker(tmp_path: Path) -> Any:
    users = {"gate": "ebb and flow", "shed": "slack water"}
    with Broker(tmp_path / "broker", users=users, acl=ACL) as broker:
        (tmp_path / "password").write_text("slack water")
        (tmp_path / "curewatch.toml").write_text(
            f'zone = "Europe/Lisbon"\n[broker]\nhost = "127.0.0.1"\nport = {broker.port}\nuser = "shed"\n'
            f'password_file = "password"\n{SENSORS}\n[web]\nport = {free_port()}\n'
        )
        yield broker


def readings(folder: Path) -> int:
    if not (folder / "studio.sqlite").exists():
        return 0
    with Store.open(folder / "studio.sqlite") as store, store.read() as tx:
        return tx.counts()["readings"]


def said(capsys: pytest.CaptureFixture[str], folder: Path, *words: str) -> dict[str, Any]:
    where = ["--config", str(folder / "curewatch.toml"), "--store", str(folder / "studio.sqlite")]
    main([*where, *words, "--json"])
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    return found


def test_what_comes_is_shown_with_what_is_read_of_it_or_could_be(
    broker: Broker, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    publish(broker)
    found = said(capsys, tmp_path, "listen", "--for", "2")
    topics = {one["topic"]: one for one in found["topics"]}
    assert found["trouble"] is None
    assert set(topics) == {"shed/loft/air", "shed/loft/status", "shed/slip/air", "shed/locker/air"}
    good = topics["shed/loft/air"]
    assert (good["readings"][0]["source"], good["readings"][0]["battery_pct"]) == ("good", 50)
    assert good["readings"][0]["temp_c"] == pytest.approx(20)
    assert topics["shed/loft/status"]["says"] == "online"
    wrong = topics["shed/slip/air"]
    assert "expected a number at /temperature or /humidity" in wrong["refused"]
    assert (wrong["guess"]["temperature"], wrong["guess"]["humidity"]) == ("/air/temp", "/air/rh")
    assert topics["shed/locker/air"]["guess"]["reads"] == "json"
    said_of = "nothing comes on its topic 'shed/lockre/air'; heard are 'shed/locker/air'"
    assert found["unheard"]["topic"].startswith(said_of)
    assert set(found["unheard"]) == {"topic", "kept back"}

    main(["--config", str(tmp_path / "curewatch.toml"), "listen", "--for", "2"])
    text = capsys.readouterr().out
    assert text.startswith(f"Connected to 127.0.0.1:{broker.port}: what comes is shown as it comes.\n")
    assert "good in Loft: 20.0 °C, 51.0 %, battery 50 %" in " ".join(text.split())
    assert 'could be 15.5 °C, 70.0 %: temperature = "/temperature", humidity = "/humidity"' in " ".join(text.split())


def test_a_broker_that_lets_nobody_in_is_told_in_words(
    broker: Broker, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "password").write_text("wrong")
    found = said(capsys, tmp_path, "listen", "--for", "5")
    assert found["trouble"] == "the broker refuses the user 'shed' or the password"


def test_a_broker_that_does_not_run_is_told_with_one_mark_at_its_end(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    port = free_port()
    (tmp_path / "curewatch.toml").write_text(f'zone = "UTC"\n[broker]\nhost = "127.0.0.1"\nport = {port}\n')
    where = ["--config", str(tmp_path / "curewatch.toml"), "--store", str(tmp_path / "studio.sqlite")]
    why = f"nothing listens at 127.0.0.1:{port}: is the broker running?"
    assert main([*where, "listen", "--for", "5"]) == 1
    assert capsys.readouterr().out == f"Nothing can be heard: {why}\n"
    assert main([*where, "check"]) == 1
    assert f" {why} To do: start it there" in capsys.readouterr().out


def test_check_tells_topic_permission_and_pointer_apart_and_quotes_what_came(
    broker: Broker, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """And the daemon's page answers a program what `listen` shows."""
    settings = load_settings(tmp_path / "curewatch.toml")
    daemon = Daemon(settings, str(tmp_path / "studio.sqlite"), SystemClock())
    running = threading.Thread(target=daemon.run)
    running.start()
    try:
        wait_for(lambda: publish(broker) or readings(tmp_path), 30, "the first reading")
        answer = requests.get(f"http://127.0.0.1:{settings.web.port}/api/v1/listening", timeout=20).json()
        shown = said(capsys, tmp_path, "listen", "--for", "1")
        assert (answer["broker"], answer["trouble"], answer["unheard"]) == tuple(
            shown[key] for key in ("broker", "trouble", "unheard")
        )
        by_time = ("at", "times")
        assert [{k: v for k, v in one.items() if k not in by_time} for one in answer["topics"]] == [
            {k: v for k, v in one.items() if k not in by_time} for one in shown["topics"]
        ]
        assert {one["topic"]: bool(one["readings"]) for one in answer["topics"]}["shed/loft/air"]
    finally:
        daemon.stop()
        running.join(20)
    findings = {one["name"]: one for one in said(capsys, tmp_path, "check")["findings"]}
    pointer = findings["sensor pointer"]
    came = r"\d+ of its messages are no readings, the last from 0 min ago: shed/slip/air: got '{\"air\": {\"temp\""
    assert re.match(came, pointer["sentence"]), pointer
    assert 'temperature = "/air/temp", humidity = "/air/rh"' in pointer["do"]
    assert "nothing comes on its topic 'shed/lockre/air'; heard are" in findings["sensor topic"]["sentence"]
    assert findings["sensor good"]["verdict"] == "ok"
    assert "nothing comes on its topic 'office/air'" in findings["sensor kept back"]["sentence"]
