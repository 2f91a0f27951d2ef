"""The bundled example of a broker: it lets in whom the settings name, comes back when it ends, and is offered only
where it can be had."""

from __future__ import annotations

import json
import socket
import threading
from pathlib import Path

import paho.mqtt.publish as publish
import pytest

from curewatch.cli import main
from curewatch.clock import SystemClock
from curewatch.daemon import example_broker
from curewatch.daemon.example_broker import ExampleBroker
from curewatch.settings import BrokerSettings, load_settings, machine
from tests.shell.parts import free_port, has_mosquitto, wait_for

needs_mosquitto = pytest.mark.skipif(not has_mosquitto, reason="needs mosquitto")


@needs_mosquitto
def test_it_lets_in_one_user_comes_back_and_takes_over_from_a_run_that_was_killed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(example_broker, "AGAIN_AFTER_S", 0.1)
    (tmp_path / "password").write_text("slack water: 7 \u00e0 9")
    broker = BrokerSettings(
        host="127.0.0.1", port=free_port(), user="sensors", password_file=tmp_path / "password", start="here"
    )

    def answers(password: str = "slack water: 7 \u00e0 9") -> bool:
        login = {"username": "sensors", "password": password}
        try:
            socket.create_connection(("127.0.0.1", broker.port), 1).close()
            publish.single("shed/post", "19", hostname="127.0.0.1", port=broker.port, auth=login, qos=1)
        except Exception:  # nobody there, or not let in
            return False
        return True

    first, second = (ExampleBroker(broker, tmp_path / "broker", SystemClock()) for _ in range(2))
    first.start()
    wait_for(answers, 10, "an answer")
    assert not answers("neaps")
    first._process.kill()  # type: ignore[union-attr]
    wait_for(lambda: "the example broker ended (" in caplog.text and answers(), 10, "its coming back")
    first._stopping.set()  # as if its daemon had been killed: the broker lives on
    second.start()
    wait_for(lambda: first._process.poll() is not None and answers(), 10, "the next run's own")  # type: ignore[union-attr]
    second.stop()
    first.stop()
    assert not answers()


def test_setting_up_offers_it_with_a_free_port_and_says_what_is_missing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    config = tmp_path / "studio.toml"
    config.write_text('zone = "UTC"\n')

    def setup(*words: str) -> tuple[int, dict[str, object]]:
        code = main(["--config", str(config), "--store", str(tmp_path / "s.sqlite"), "setup", *words, "--json"])
        said = capsys.readouterr()
        return code, json.loads(said.out or said.err)

    monkeypatch.setattr(machine, "mosquitto", lambda: None)
    code, told = setup("broker", "--answer", "which=house")
    assert code == 2
    assert "there is no mosquitto on this machine: `sudo apt-get install mosquitto`" in json.dumps(told)
    assert "`sudo apt-get install mosquitto`" in json.dumps(setup()[1])
    assert config.read_text() == 'zone = "UTC"\n'
    monkeypatch.setattr(machine, "mosquitto", lambda: "/usr/sbin/mosquitto")
    with socket.socket() as other:  # another broker has the port
        other.bind(("127.0.0.1", 0))
        other.listen()
        taken = other.getsockname()[1]
        code, told = setup("broker", "--answer", "which=here", "--answer", f"port={taken}")
        assert (code, "a port that nobody listens at, such as" in json.dumps(told)) == (2, True)
        assert setup("broker", "--answer", "which=here")[0] == 0
    broker = load_settings(config).broker
    assert broker is not None
    assert (broker.start, broker.host, broker.user, broker.port >= 1883) == ("here", "127.0.0.1", "sensors", True)
    password = broker.password()
    assert setup("broker", "--answer", "which=house")[0] == 0
    again = load_settings(config).broker
    assert again is not None
    assert (again.start, again.port, again.password()) == ("house", broker.port, password), "only who is let in changed"
    assert setup("broker", "--answer", "which=mine", "--answer", "host=shed.local")[0] == 0
    mine = load_settings(config).broker
    assert mine is not None
    assert (mine.start, mine.host) == (None, "shed.local")


@needs_mosquitto
def test_without_its_files_the_watch_goes_on(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    settings = load_settings(None).model_copy(
        update={"broker": BrokerSettings(host="127.0.0.1", port=free_port(), user="sensors",
                                         password_file=tmp_path / "none", start="here")}
    )  # fmt: skip
    with example_broker.example_broker(settings, str(tmp_path / "s.sqlite"), SystemClock()):
        assert not any(one.name == "example broker" for one in threading.enumerate())
    assert "the example broker is not started: " in caplog.text
