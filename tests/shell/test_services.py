"""Push services by address, through the optional library, to a real receiver on loopback."""

from __future__ import annotations

import importlib.util
import json
import subprocess
import sys
from datetime import UTC, datetime

import pytest
from pydantic import SecretStr

from curewatch.language import Reader, Temperature, When, phrase
from curewatch.notify import TryLater
from curewatch.notify.services import Services
from curewatch.records import Notice
from curewatch.settings import SettingsError
from tests.shell.parts import Answer, Receiver, free_port

installed = importlib.util.find_spec("apprise") is not None
with_apprise = pytest.mark.skipif(not installed, reason="the optional package apprise is not installed")
NOTICE = Notice(
    key="alarm/cold/Loft/raised/1",
    kind="alarm",
    created_at=datetime(2026, 11, 20, 15, 5, tzinfo=UTC),
    title="Loft: too cold for wet paint",
    text=phrase(
        "The room was at {temp} ({at}).",
        temp=Temperature(8.5, 1),
        at=When(datetime(2026, 11, 20, 15, 5, tzinfo=UTC), form="time"),
    ),
    room="Loft",
)
SECRET = "k3y-of-the-shed"


def test_without_the_package_the_error_says_how_to_get_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "apprise", None)
    with pytest.raises(SettingsError, match=r'not installed: pip install "curewatch\[services\]"'):
        Services(SecretStr("json://127.0.0.1/x"), name="services:Ada")


def test_the_package_is_not_imported_unless_it_is_used() -> None:
    code = "import sys, curewatch.notify.services; sys.exit('apprise' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False, timeout=60).returncode == 0


@with_apprise
def test_a_notice_reaches_every_address_in_the_readers_units() -> None:
    with Receiver() as one, Receiver() as two:
        lines = "".join(f"json://127.0.0.1:{r.port}/{SECRET}\n" for r in (one, two))
        channel = Services(
            SecretStr(f"# Ada's\n\n{lines}"), name="services:Ada", reader=Reader(temperatures="F", clock=12)
        )
        assert len(channel) == 2
        channel.send(NOTICE)
        for receiver in (one, two):
            (request,) = receiver.requests
            said = json.loads(request.body)
            assert said["title"] == str(NOTICE.title)
            assert said["message"] == "The room was at 47.3 °F (3:05 pm)."


@with_apprise
def test_an_address_that_took_it_is_not_told_again_when_another_did_not() -> None:
    with Receiver() as one, Receiver() as two:
        two.answers.append(Answer(status=500))
        lines = "".join(f"json://127.0.0.1:{r.port}/{SECRET}\n" for r in (one, two))
        channel = Services(SecretStr(lines), name="services:Ada")
        with pytest.raises(TryLater, match="1 of 2 push services of 'services:Ada' did not take it"):
            channel.send(NOTICE)
        channel.send(NOTICE)
        assert (len(one.requests), len(two.requests)) == (1, 2)


@with_apprise
def test_no_address_gets_out(caplog: pytest.LogCaptureFixture) -> None:
    channel = Services(SecretStr(f"json://127.0.0.1:{free_port()}/{SECRET}"), name="services")
    with caplog.at_level(1), pytest.raises(TryLater) as caught:
        channel.send(NOTICE)
    with pytest.raises(SettingsError, match="line 2 is no address of a push service") as unknown:
        Services(SecretStr(f"json://127.0.0.1/x\nnothing://{SECRET}"), name="services")
    with pytest.raises(SettingsError, match="expected addresses of push services"):
        Services(SecretStr("# none yet"), name="services")
    assert SECRET not in caplog.text + repr(caught.value) + repr(unknown.value) + repr(channel.__dict__["_name"])
