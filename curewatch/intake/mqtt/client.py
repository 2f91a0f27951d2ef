"""A paho client set up from the settings, and its outcomes in plain words."""

from __future__ import annotations

import logging
import socket
import ssl
from collections.abc import Sequence

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from curewatch.records.errors import InputError
from curewatch.settings import BrokerSettings

CONNECT_TIMEOUT_S = 5.0
RECONNECT_S = (1, 60)
"""Shortest and longest wait between tries [s]; paho doubles it in between."""
SESSION_EXPIRY_S = 7 * 24 * 3600
"""How long an MQTT 5 broker keeps our session (3.1.1 has no say in it)."""
RECEIVE_MAXIMUM = 100
"""How many messages an MQTT 5 broker may send ahead of our acknowledgements."""


def make_client(broker: BrokerSettings, client_id: str, *, keep_session: bool) -> Client:
    """A client that is not yet connected. Raises SettingsError or InputError for files that cannot be used."""
    five = broker.protocol == "5"
    client = Client(
        CallbackAPIVersion.VERSION2,
        client_id=client_id,
        clean_session=None if five else not keep_session,
        protocol=MQTTProtocolVersion.MQTTv5 if five else MQTTProtocolVersion.MQTTv311,
        manual_ack=True,
    )
    client.connect_timeout = CONNECT_TIMEOUT_S
    client.reconnect_delay_set(*RECONNECT_S)
    # A callback of ours that raised would end paho's thread while it still says it is connected.
    client.suppress_exceptions = True
    client.enable_logger(_FLAWS)
    if broker.user is not None:
        password = broker.password()
        client.username_pw_set(broker.user, None if password is None else password.get_secret_value())
    if broker.tls:
        try:
            client.tls_set(ca_certs=None if broker.ca_file is None else str(broker.ca_file))
        except (OSError, ssl.SSLError) as error:
            why = error.strerror or "no certificate in it"
            raise InputError("broker.ca_file", str(broker.ca_file), f"a readable PEM file ({why})") from None
    return client


def connect(client: Client, broker: BrokerSettings, *, keep_session: bool) -> None:
    """Have the client's thread connect, and again whenever the connection is lost."""
    try:
        broker.host.encode("idna")  # paho's thread would not survive finding out
    except UnicodeError:
        raise InputError("broker.host", broker.host, "a host name or address") from None
    if broker.protocol == "5":
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]  # paho leaves it untyped
        properties.ReceiveMaximum = RECEIVE_MAXIMUM
        if keep_session:
            properties.SessionExpiryInterval = SESSION_EXPIRY_S
        client.connect_async(
            broker.host,
            broker.port,
            broker.keepalive_s,
            clean_start=not keep_session,
            properties=properties,
        )
    else:
        client.connect_async(broker.host, broker.port, broker.keepalive_s)


def subscribe(client: Client, filters: Sequence[str], *, qos: int = 1) -> int | None:
    """Ask for the filters; the id the answer will bear, or None if the connection is gone again."""
    if client.protocol == MQTTProtocolVersion.MQTTv5:
        _, mid = client.subscribe([(wanted, SubscribeOptions(qos=qos)) for wanted in filters])
    else:
        _, mid = client.subscribe([(wanted, qos) for wanted in filters])
    return mid


def _is_flaw(record: logging.LogRecord) -> bool:
    """Only a flaw of ours caught by paho is news; trouble with the connection is told by the callbacks."""
    return str(record.msg).startswith("Caught exception")


_FLAWS = logging.getLogger(f"{__name__}.flaws")
"""paho's own log. Not its callback: that would put into words, and hand on, two lines for every message."""
_FLAWS.setLevel(logging.ERROR)
_FLAWS.addFilter(_is_flaw)


def unreachable_in_words(error: BaseException | None, broker: BrokerSettings) -> str:
    """Why no connection could be made."""
    place = f"{broker.host}:{broker.port}"
    match error:
        case ssl.SSLCertVerificationError():
            return f"the certificate of the broker {place} is not trusted: {error.verify_message}"
        case ssl.SSLError():
            return f"no TLS connection with the broker {place}: {error.reason or error.strerror}"
        case socket.gaierror():
            return f"the broker's name {broker.host!r} cannot be looked up"
        case ConnectionRefusedError():
            return f"nothing listens at {place}: is the broker running?"
        case TimeoutError():
            return f"the broker {place} cannot be reached within {CONNECT_TIMEOUT_S:g} s"
        case OSError():
            return f"the broker {place} cannot be reached: {error.strerror or type(error).__name__}"
        case _:
            return f"the broker {place} cannot be reached"


def unanswered_in_words(broker: BrokerSettings, within_s: float) -> str:
    """What is said of a broker that takes the connection and then says nothing."""
    return (
        f"the broker {broker.host}:{broker.port} is connected and silent: it has not answered the subscription in "
        f"{within_s:g} s, so nothing is heard"
    )


def refusal_in_words(reason: ReasonCode, broker: BrokerSettings) -> str:
    """Why the broker answered the connection with a refusal."""
    if reason.getName() in ("Bad user name or password", "Not authorized"):
        if broker.user is None:
            return "the broker wants a user and password: set user and password_file in the settings, [broker]"
        return f"the broker refuses the user {broker.user!r} or the password"
    return f"the broker refuses the connection: {reason.getName()}"
