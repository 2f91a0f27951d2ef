"""The webhook against a real HTTP server on loopback, its signatures checked by the specification's own package."""

from __future__ import annotations

import base64
import json
import re
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from urllib.parse import unquote

import pytest
from freezegun import freeze_time
from hypothesis import example, given
from hypothesis import strategies as st
from standardwebhooks.webhooks import Webhook as Reference
from standardwebhooks.webhooks import WebhookVerificationError

from curewatch.clock import SystemClock
from curewatch.notify import GiveUp, TryLater, Webhook
from curewatch.notify.channel import Flights, InFlight
from curewatch.notify.http_reply import read_retry_after
from curewatch.notify.webhook import Signer, body_of, id_of
from curewatch.records import Notice
from tests.shell.parts import Answer, HandClock, Receiver, free_port, make_certificates, wait_for

NOW = datetime(2026, 11, 20, 9, 0, tzinfo=UTC)
SECRET = "whsec_" + base64.b64encode(bytes(range(32))).decode()
NOTICE = Notice(
    key="milestone:7:touch_dry:safe",
    kind="milestone",
    created_at=NOW,
    title="“Ebb tide” is touch-dry",
    text="It can be turned – mind the edges.\nHandle from Thursday 14:00.",
    piece_id=7,
    room="sail loft",
    data={"piece": "Ebb tide", "b": 1, "a": 2},
)


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    with Receiver() as running:
        yield running


def webhook(url: str, *, signed: bool = True, timeout_s: float = 2.0) -> Webhook:
    return Webhook(url, SystemClock(), signer=Signer(SECRET) if signed else None, timeout_s=timeout_s)


def refusal(channel: Webhook) -> TryLater:
    with pytest.raises(TryLater) as caught:
        channel.send(NOTICE)
    return caught.value


def test_the_reference_package_accepts_the_signature(receiver: Receiver) -> None:
    webhook(receiver.url).send(NOTICE)
    (request,) = receiver.requests
    body = Reference(SECRET).verify(request.body, request.headers)
    assert request.headers["webhook-id"] == id_of(NOTICE.key)
    assert body["data"]["key"] == NOTICE.key
    assert body["type"] == "curewatch.milestone"
    assert body["timestamp"] == "2026-11-20T09:00:00+00:00"
    assert body["data"]["text"] == NOTICE.text
    assert {"key", "title", "urgent", "piece", "piece_id", "room"} <= body["data"].keys()


def test_the_reference_package_refuses_a_changed_body(receiver: Receiver) -> None:
    webhook(receiver.url).send(NOTICE)
    (request,) = receiver.requests
    with pytest.raises(WebhookVerificationError):
        Reference(SECRET).verify(request.body.replace(b"touch-dry", b"touch-wet"), request.headers)


def test_a_try_after_a_night_is_signed_anew_and_the_first_one_kept_back_counts_no_more(receiver: Receiver) -> None:
    """The reference reads the wall clock itself and allows five minutes (Standard Webhooks, verifying timestamps)."""
    clock, night = HandClock(NOW), timedelta(hours=9)
    channel = Webhook(receiver.url, clock, signer=Signer(SECRET))
    receiver.answers.append(Answer(status=500))
    refusal(channel)
    clock.move(night)
    channel.send(NOTICE)
    first, second = receiver.requests
    with freeze_time(NOW + timedelta(minutes=4)):
        Reference(SECRET).verify(first.body, first.headers)
    with freeze_time(NOW + night):
        Reference(SECRET).verify(second.body, second.headers)
        with pytest.raises(WebhookVerificationError, match="too old"):
            Reference(SECRET).verify(first.body, first.headers)


def test_each_try_sends_the_same_bytes_and_id(receiver: Receiver) -> None:
    """Only then can the receiver tell a repetition; the data's order in memory must not matter."""
    receiver.answers.append(Answer(status=500))
    refusal(webhook(receiver.url))
    again = NOTICE.model_copy(update={"data": {"a": 2, "b": 1, "piece": "Ebb tide"}})
    webhook(receiver.url).send(again)
    first, second = receiver.requests
    assert first.body == second.body
    assert first.headers["webhook-id"] == second.headers["webhook-id"]


def test_without_a_secret_it_sends_unsigned(receiver: Receiver) -> None:
    channel = webhook(receiver.url, signed=False)
    channel.send(NOTICE)
    assert "webhook-signature" not in receiver.requests[0].headers


@pytest.mark.parametrize("status", [200, 201, 202, 204])
def test_2xx_is_delivered(receiver: Receiver, status: int) -> None:
    receiver.answers.append(Answer(status=status, body=b""))
    webhook(receiver.url).send(NOTICE)


def test_410_gives_up(receiver: Receiver) -> None:
    receiver.answers.append(Answer(status=410))
    with pytest.raises(GiveUp, match="410 Gone"):
        webhook(receiver.url).send(NOTICE)


@pytest.mark.parametrize("status", [400, 401, 404, 418, 500, 502, 599])
def test_other_statuses_are_tried_later(receiver: Receiver, status: int) -> None:
    receiver.answers.append(Answer(status=status, headers={"retry-after": "60"}))
    delay = refusal(webhook(receiver.url))
    assert f"answered {status}" in delay.reason
    assert delay.after is None


@pytest.mark.parametrize("status", [429, 503])
def test_retry_after_is_honoured_where_it_is_defined(receiver: Receiver, status: int) -> None:
    receiver.answers.append(Answer(status=status, headers={"retry-after": "120"}))
    assert refusal(webhook(receiver.url)).after == timedelta(seconds=120)


@pytest.mark.parametrize(
    ("value", "after"),
    [
        ("120", timedelta(minutes=2)),
        (" 0 ", timedelta(0)),
        ("Fri, 20 Nov 2026 09:10:00 GMT", timedelta(minutes=10)),
        ("Fri, 20 Nov 2026 08:10:00 GMT", None),
        ("9" * 5000, timedelta(days=365)),
        ("-5", None),
        ("soon", None),
        ("", None),
        (None, None),
    ],
)
def test_retry_after_forms(value: str | None, after: timedelta | None) -> None:
    """RFC 9110 section 10.2.3."""
    assert read_retry_after(value, NOW) == after


@pytest.mark.parametrize("status", [301, 302, 307, 308])
def test_redirects_are_not_followed(receiver: Receiver, status: int) -> None:
    """A signed notice goes nowhere the settings do not name."""
    receiver.answers.append(Answer(status=status, headers={"location": receiver.url}))
    assert "put the new address in the settings" in refusal(webhook(receiver.url)).reason
    assert len(receiver.requests) == 1


def test_nobody_listens() -> None:
    port = free_port()
    assert refusal(webhook(f"http://127.0.0.1:{port}/x")).reason == f"127.0.0.1:{port} refuses connections"


def test_a_receiver_that_says_nothing_is_left_at_the_timeout(receiver: Receiver) -> None:
    receiver.answers.append(Answer(hang=True))
    begun = time.monotonic()
    assert "did not answer within 0.3 s, and is waited for" in refusal(webhook(receiver.url, timeout_s=0.3)).reason
    assert time.monotonic() - begun < 0.9


def test_a_receiver_that_takes_its_time_gets_a_notice_once_whatever_else_is_due(receiver: Receiver) -> None:
    receiver.answers.append(Answer(after_s=1.0))
    channel = webhook(receiver.url, timeout_s=0.2)
    refused = [refusal(channel) for _ in range(5)]
    assert {type(one) for one in refused} == {InFlight}
    channel.send(NOTICE.model_copy(update={"key": "another"}))
    assert len(receiver.requests) == 2
    wait_for(lambda: taken(channel), what="the answer to the first")
    assert len(receiver.requests) == 2


def taken(channel: Webhook) -> bool:
    try:
        channel.send(NOTICE)
    except InFlight:
        return False
    return True


def test_no_more_than_a_few_are_under_way_to_a_receiver_that_hangs(receiver: Receiver) -> None:
    receiver.otherwise = Answer(hang=True)
    channel = webhook(receiver.url, timeout_s=0.05)
    for number in range(10):
        with pytest.raises(InFlight):
            channel.send(NOTICE.model_copy(update={"key": str(number)}))
    assert len(receiver.requests) == Flights.MOST


def test_a_receiver_that_drips_is_left_at_the_deadline(receiver: Receiver) -> None:
    """Each byte starts the read timeout anew; the deadline holds all the same, and it is not sent again before."""
    receiver.answers.extend([Answer(drip=True)] * 2)
    channel = webhook(receiver.url, timeout_s=0.2)
    begun = time.monotonic()
    while isinstance(refused := refusal(channel), InFlight):
        assert len(receiver.requests) == 1
    assert "did not finish its answer within 2.4 s" in refused.reason
    assert time.monotonic() - begun < 4
    assert isinstance(refusal(channel), InFlight)
    assert len(receiver.requests) == 2


def test_a_certificate_nobody_vouches_for(tmp_path: Path) -> None:
    with Receiver(certificates=make_certificates(tmp_path)) as receiver:
        reason = refusal(webhook(receiver.url)).reason
        assert reason.startswith(f"the certificate of 127.0.0.1:{receiver.port} is not trusted")
        assert receiver.requests == []


def test_a_certificate_of_an_authority_the_machine_trusts(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    made = make_certificates(tmp_path)
    monkeypatch.setenv("REQUESTS_CA_BUNDLE", str(made.ca))
    with Receiver(certificates=made) as receiver:
        webhook(receiver.url).send(NOTICE)
        Reference(SECRET).verify(receiver.requests[0].body, receiver.requests[0].headers)


@pytest.mark.parametrize("answer", [Answer(status=500), Answer(status=302), Answer(hang=True)])
def test_errors_never_quote_the_address_or_the_secret(receiver: Receiver, answer: Answer) -> None:
    receiver.answers.append(answer)
    reason = refusal(webhook(f"{receiver.url}/tide-token?code=ebb-code", timeout_s=0.3)).reason
    assert "tide-token" not in reason
    assert "ebb-code" not in reason
    dead = refusal(webhook(f"http://127.0.0.1:{free_port()}/tide-token?code=ebb-code")).reason
    assert "tide-token" not in dead


@given(st.sets(st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=30)))
@example(
    {"piece-1/touch_dry/safe", "piece-1~2Ftouch_dry~2Fsafe", "alarm/cold/Loft 1.5/raised/7", "a\r\nx-evil: 1", "ébb"}
)
def test_ids_are_safe_wherever_they_stand_and_no_two_keys_have_the_same(keys: set[str]) -> None:
    """Unreserved characters of RFC 3986 but the full stop, which the specification's signature scheme bars."""
    ids = [id_of(key) for key in keys]
    assert all(re.fullmatch(r"[A-Za-z0-9_~-]+", one) for one in ids)
    assert {unquote(one.replace("~", "%")) for one in ids} == keys


def test_data_that_is_no_json_is_given_up() -> None:
    with pytest.raises(GiveUp, match="cannot be written as JSON"):
        body_of(NOTICE.model_copy(update={"data": {"at": NOW}}))


def test_the_notice_s_own_fields_win_over_its_data() -> None:
    spoofed = NOTICE.model_copy(update={"data": {"key": "other", "title": "other"}})
    data = json.loads(body_of(spoofed))["data"]
    assert (data["key"], data["title"]) == (NOTICE.key, NOTICE.title)


@pytest.mark.parametrize(
    "secret", ["", "hush", "whsec_", "whsec_!!!", "whsec_" + "A" * 10, "whsec_" + "A" * 100, SECRET.replace("_", "-")]
)
def test_a_secret_that_is_none_is_refused_without_quoting_it(secret: str) -> None:
    with pytest.raises(ValueError, match="a webhook secret is 'whsec_' followed by base64 of 24 to 64 bytes") as caught:
        Signer(secret)
    assert len(secret) < 7 or secret not in str(caught.value)


def test_the_secret_shows_nowhere() -> None:
    assert "whsec" not in repr(Signer(SECRET))


@pytest.mark.parametrize("url", ["ftp://127.0.0.1/", "http:///x", "127.0.0.1", ""])
def test_an_address_that_is_none(url: str) -> None:
    with pytest.raises(ValueError, match="allowed is http"):
        webhook(url)
