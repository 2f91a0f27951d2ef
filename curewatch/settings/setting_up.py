"""Setting up, step by step: what is asked, and which settings and files the answers come to. Page and terminal ask the
same; nothing is written in here."""

from __future__ import annotations

import secrets
from base64 import b64encode
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any, Literal, NamedTuple

from curewatch.language import Words, joined, languages, phrase
from curewatch.records.errors import InputError, understood
from curewatch.settings import machine
from curewatch.settings.page import CERTIFICATE, EVERY_ADDRESS, KEY, PAGE_PASSWORD, WebSettings
from curewatch.settings.settings import Settings
from curewatch.settings.values import AIR_SPEEDS_M_S, AIRS
from curewatch.settings.writing import Edit, Key, edited, write_whole

Answers = Mapping[str, str]
BROKER_PASSWORD = "broker-password"


class Question(NamedTuple):
    name: str
    label: Words
    value: str = ""
    """What stands there before anything is typed."""
    kind: Literal["text", "number", "password", "choice"] = "text"
    choices: tuple[tuple[str, Words], ...] = ()
    needed: bool = True
    example: str = ""


@dataclass(frozen=True)
class Change:
    """What the answers come to."""

    settings: Mapping[Key, Any]
    files: Mapping[str, str] = field(default_factory=dict)
    """Secrets, by the name of the file beside the settings that is to hold each."""
    password: str | None = None
    """Of the page, whose file holds only a hash."""
    pair: bool = False
    """A certificate and its key are to be made."""

    def edit(self, file: Path) -> Edit:
        """SettingsError where the outcome could not be used."""
        return edited(file, self.settings)

    def write(self, edit: Edit, hash_of: Callable[[str], str], make_pair: Callable[[Path], object]) -> None:
        """First what the settings name, then they: a cut leaves a file too many, never one too few. OSError."""
        folder = edit.file.parent
        folder.mkdir(parents=True, exist_ok=True)
        for name, secret in self.files.items():
            write_whole(folder / name, f"{secret}\n".encode())
        if self.password is not None:
            write_whole(folder / PAGE_PASSWORD, f"{hash_of(self.password)}\n".encode())
        if self.pair:
            make_pair(folder)
        edit.write()


@dataclass(frozen=True)
class Known:
    """What is known beside the settings."""

    rooms: Sequence[str] = ()
    heard: frozenset[str] = frozenset()
    """Ids of sensors that were ever heard."""
    reached: frozenset[str] = frozenset()
    """Channels through which a test has arrived."""
    phone: bool = False
    """Whether somebody came in from another machine."""


class Step(NamedTuple):
    """`done` and `said` go by what is set and known; `asks` are its questions, `change` what the answers come to."""

    key: str
    title: Words
    why: Words
    done: Callable[[Settings, Known], bool]
    said: Callable[[Settings, Known], Words]
    """What is set, or what is still missing."""
    asks: Callable[[Settings, Known], Sequence[Question]]
    change: Callable[[Settings, Answers], Change]


def _zone_asks(s: Settings, known: Known) -> list[Question]:
    name, measures = phrase("Your name, for what is logged at this machine"), s.reader.measures or "metric"
    tongues = tuple((one, one) for one in languages())
    sizes = (("metric", phrase("cm, g and ml")), ("us", phrase("inches and ounces")))
    clocks, degrees = (("24", phrase("of 24 hours")), ("12", phrase("of 12 hours"))), (("C", "°C"), ("F", "°F"))
    return [
        Question("zone", phrase("Time zone, by its name"), s.zone, example="Europe/Lisbon"),
        Question("by", name, s.by or "", needed=False, example="Ada"),
        Question("language", phrase("Language"), s.reader.language or "en", "choice", tongues),
        Question("temperatures", phrase("Temperatures in"), s.reader.temperatures or "C", "choice", degrees),
        Question("measures", phrase("Sizes and weights in"), measures, "choice", sizes),
        Question("clock", phrase("Clock"), str(s.reader.clock or 24), "choice", clocks),
    ]


def _zone_change(s: Settings, given: Answers) -> Change:
    changes: dict[Key, Any] = {"zone": given["zone"], "by": given.get("by") or None}
    for key, usual in (("language", "en"), ("temperatures", "C"), ("measures", "metric"), ("clock", "24")):
        value = given.get(key) or usual
        if value != str(getattr(s.reader, key) or (usual if key == "language" else "")):  # units bind browsers too
            changes[f"reader.{key}"] = int(value) if key == "clock" else value
    return Change(changes)


def _room_asks(s: Settings, known: Known) -> list[Question]:
    airs = tuple((one, AIRS[one]) for one in AIR_SPEEDS_M_S)
    warm = (("yes", phrase("yes")), ("no", phrase("no, nothing warms it")))
    return [
        Question("room", phrase("A room you pour or dry in"), example="Boat shed"),
        Question("air", phrase("Its air"), "still", "choice", airs),
        Question("heated", phrase("Is it heated?"), "yes", "choice", warm),
    ]


def _room_change(s: Settings, given: Answers) -> Change:
    table: dict[str, Any] = {} if given.get("air", "still") == "still" else {"air": given["air"]}
    table |= {"heated": False} if given.get("heated") == "no" else {}
    return Change({("rooms", given["room"], key): value for key, value in table.items()})


def _broker_asks(s: Settings, known: Known) -> list[Question]:
    b = s.broker
    tls, mine = (("no", phrase("no")), ("yes", phrase("yes, TLS"))), phrase("one that runs")
    here, house = phrase("start the example, here alone"), phrase("start the example, for the house's network too")
    which = (("mine", mine), ("here", here), ("house", house))
    host, password = phrase("Name or address of one that runs"), phrase("Password; left out, the example is given one")
    return [
        Question("which", phrase("Which broker?"), (b and b.start) or "mine", "choice", which),
        Question("host", host, b.host if b else "127.0.0.1", needed=False),
        Question("port", phrase("Port, if not the usual one"), str(b.port) if b else "", "number", needed=False),
        Question("tls", phrase("Encrypted?"), "yes" if b and b.tls else "no", "choice", tls),
        Question("user", phrase("User"), (b.user or "") if b else "", needed=False),
        Question("password", password, "", "password", needed=False),
    ]


def _broker_change(s: Settings, given: Answers) -> Change:
    if given.get("which", "mine") != "mine":
        return _example_change(s, given)
    if not given.get("host"):
        raise InputError("host", None, phrase("the name or address of the broker"))
    port = _number("port", given.get("port") or "1883")
    changes: dict[Key, Any] = {"broker.host": given["host"], "broker.port": port}
    if given.get("tls") == "yes" or (s.broker is not None and s.broker.tls):
        changes["broker.tls"] = given.get("tls") == "yes"
    if s.broker is not None and s.broker.start is not None:
        changes["broker.start"] = None
    user, password = given.get("user") or None, given.get("password")
    changes["broker.user"] = user
    if user is None or password:
        changes["broker.password_file"] = BROKER_PASSWORD if user else None
    return Change(changes, {BROKER_PASSWORD: password} if user and password else {})


def _example_change(s: Settings, given: Answers) -> Change:
    """The daemon starts one itself. Where the usual port is another broker's, the next that is free."""
    if machine.mosquitto() is None:
        raise InputError("which", given["which"], joined(phrase("one that runs"), machine.NO_MOSQUITTO, by="; "))
    before, host = s.broker, "127.0.0.1" if given["which"] == "here" else ""
    port = given.get("port")
    if before is not None and before.start is not None and port in ("", None, str(before.port)):
        number = before.port
    elif (free := machine.free_port(number := _number("port", port or "1883"), host)) != number:
        if port:
            raise InputError("port", port, phrase("a port that nobody listens at, such as {free}", free=free))
        number = free
    changes: dict[Key, Any] = {"broker.host": "127.0.0.1", "broker.port": number, "broker.start": given["which"]}
    changes |= {"broker.user": given.get("user") or "sensors", "broker.password_file": BROKER_PASSWORD}
    if before is not None and (before.tls or before.ca_file):
        changes |= {"broker.tls": None, "broker.ca_file": None}
    password = given.get("password")
    if not password and (before is None or before.start is None):
        password = secrets.token_urlsafe(9)
    return Change(changes, {BROKER_PASSWORD: password} if password else {})


def _broker_said(s: Settings, known: Known) -> Words:
    b = s.broker
    if b is None:
        none = phrase("none: readings are typed")
        return none if machine.mosquitto() else joined(none, machine.NO_MOSQUITTO, by="; ")
    if b.start is None:
        return f"{b.host}:{b.port}"
    at = "".join(machine.addresses()[:1] or machine.names()[:1]) if b.start == "house" else ""
    return phrase(
        "the example runs with the daemon: sensors reach it at {host}, port {port}, as user {user} with the password "
        "in {file}", host=at or b.host, port=b.port, user=b.user or "", file=str(b.password_file),
    )  # fmt: skip


def _sensor_asks(s: Settings, known: Known) -> list[Question]:
    warm, damp = phrase("a bare temperature"), phrase("a bare humidity")
    whats = (("json", phrase("an object (JSON)")), ("temperature", warm), ("humidity", damp))
    return [
        Question("room", phrase("The room it hangs in"), known.rooms[0] if known.rooms else "", example="Boat shed"),
        Question("id", phrase("Your name for it"), example="shed-window"),
        Question("topic", phrase("Its topic"), example="shed/window"),
        Question("reads", phrase("What it sends"), "json", "choice", whats),
        Question("temperature", phrase("Where the temperature stands"), needed=False, example="/air/temp"),
        Question("humidity", phrase("Where the humidity stands"), needed=False, example="/air/hum"),
        Question("time", phrase("Where the time stands, if it tells one"), needed=False, example="/at"),
        Question("battery", phrase("Where its battery stands, if it tells that"), needed=False, example="/cell"),
        Question("unit", phrase("Temperatures come in"), "C", "choice", (("C", "°C"), ("F", "°F"), ("K", "K"))),
    ]


def _sensor_change(s: Settings, given: Answers) -> Change:
    usual = {"reads": "json", "unit": "C", "temperature": "/temperature", "humidity": "/humidity"}
    entry = {key: given[key] for key in ("id", "room", "topic")}
    for key in ("reads", "temperature", "humidity", "time", "battery", "unit"):
        if (value := given.get(key)) and value != usual.get(key):
            entry[key] = value
    return Change({("sensors", len(s.sensors)): entry})


def _person_asks(s: Settings, known: Known) -> list[Question]:
    m = s.mail
    ways = (("starttls", "STARTTLS"), ("tls", phrase("TLS from the first byte")), ("none", phrase("in the clear")))
    push, degrees = phrase("Address of a push service, if there is one"), (("C", "°C"), ("F", "°F"))
    server, quiet = phrase("For mail: the mail server"), phrase("Hours in which only frost may wake, if any")
    return [
        Question("name", phrase("Who is told"), s.by or "", example="Ada"),
        Question("push", push, needed=False, example="json://127.0.0.1:8008/"),
        Question("mail", phrase("Mail address, if by mail"), needed=False, example="ada@shed.example"),
        Question("host", server, m.host if m else "", needed=False, example="mail.shed.example"),
        Question("security", phrase("How it is talked to"), m.security if m else "starttls", "choice", ways),
        Question("port", phrase("Its port, if not the usual one"), str(m.port) if m else "", "number", needed=False),
        Question("user", phrase("Its user"), (m.user or "") if m else "", needed=False),
        Question("password", phrase("Its password"), "", "password", needed=False),
        Question("sender", phrase("The address mail comes from"), m.sender if m else "", needed=False),
        Question("temperatures", phrase("Temperatures in"), s.reader.temperatures or "C", "choice", degrees),
        Question("quiet", quiet, "", needed=False, example="22:00-07:00"),
    ]


def _person_change(s: Settings, given: Answers) -> Change:
    person: dict[str, Any] = {"name": given["name"]}
    changes: dict[Key, Any] = {}
    files: dict[str, str] = {}
    if given.get("push"):
        file = f"push-{len(s.people) + 1}"
        person["services_file"], files[file] = file, given["push"]
    if given.get("mail"):
        person["mail"] = given["mail"]
        port = given.get("port")
        mail = {"host": given.get("host"), "security": given.get("security", "starttls"), "sender": given.get("sender"),
                "port": _number("port", port) if port else None, "user": given.get("user") or None}  # fmt: skip
        changes |= {f"mail.{key}": value for key, value in mail.items() if value or s.mail is not None}
        if given.get("user") and given.get("password"):
            changes["mail.password_file"], files["mail-password"] = "mail-password", given["password"]
    usual = {"quiet": "", "temperatures": s.reader.temperatures or "C"}
    person |= {name: given[name] for name in usual if given.get(name) not in (None, "", usual[name])}
    return Change({**changes, ("people", len(s.people)): person}, files)


def _webhook_asks(s: Settings, known: Known) -> list[Question]:
    url = s.webhook.url if s.webhook else ""
    return [Question("url", phrase("Where notices are posted"), url, example="https://…")]


def _webhook_change(s: Settings, given: Answers) -> Change:
    changes: dict[Key, Any] = {"webhook.url": given["url"]}
    if s.webhook is not None and (s.webhook.secret_file or s.webhook.secret_env):
        return Change(changes)
    changes["webhook.secret_file"] = "webhook-secret"
    return Change(changes, {"webhook-secret": f"whsec_{b64encode(secrets.token_bytes(32)).decode()}"})


def _phone_asks(s: Settings, known: Known) -> list[Question]:
    ways = (*machine.addresses(), *machine.names())
    asks = [] if s.web.password_file else [Question("password", phrase("Password of the page"), "", "password")]
    open_air = phrase("no: whoever shares the wifi can read the password")
    https = (("yes", phrase("yes: phones warn once")), ("no", open_air))
    asks += [] if s.web.certificate else [Question("https", phrase("Encrypted?"), "yes", "choice", https)]
    label = phrase("As what phones reach this machine")
    if ways:
        label = phrase("As what phones reach this machine (found: {ways})", ways=", ".join(ways))
    return [*asks, Question("address", label, ways[0] if ways else "", example="192.168.1.20")]


def _phone_change(s: Settings, given: Answers) -> Change:
    https = given.get("https") == "yes"
    way = way_by(s.web, given["address"], https=https)
    changes = phone_changes(s.web, way, https=https, v6=":" in given["address"])
    return Change(changes, password=given.get("password") or None, pair=https and s.web.certificate is None)


def phone_changes(web: WebSettings, way: str | None, *, https: bool, v6: bool, beside: Path = Path()) -> dict[Key, Any]:
    """What has to be set so that a phone reaches the page: `way` is the address it types, None where that is set. The
    password and a certificate lie beside the settings, or where `beside` says. A proxy reaches the page already."""
    changes: dict[Key, Any] = {} if web.enabled else {"web.enabled": True}
    if web.password_file is None:
        changes["web.password_file"] = str(beside / PAGE_PASSWORD)
    if https and web.certificate is None:
        changes |= {"web.certificate": str(beside / CERTIFICATE), "web.key": str(beside / KEY)}
    if web.is_loopback and not web.trusted_proxies:
        changes["web.host"] = EVERY_ADDRESS[v6]
    return changes if way is None else changes | {"web.address": way}


def way_by(web: WebSettings, host: str, *, https: bool) -> str:
    """The page's address by this name or address of the machine."""
    return web.model_copy(update={"certificate": https or web.certificate}).at(host)


def _heartbeat_asks(s: Settings, known: Known) -> list[Question]:
    url = s.heartbeat.url if s.heartbeat else None
    return [Question("url", phrase("Address that expects a call every five minutes"), url or "", example="https://…")]


def _number(name: str, given: str) -> int:
    if given.isascii() and given.isdigit() and len(given) <= 9:
        return int(given)
    raise InputError(name, given, phrase("a whole number"))


def _ways(s: Settings) -> set[str]:
    return {name for person in s.people for name in person.channels} | ({"webhook"} if s.webhook else set())


def _sensors_said(s: Settings, known: Known) -> Words:
    if not s.sensors and s.broker is None:
        return phrase("no sensor yet: readings are typed")
    missing, heard = ", ".join(one.id for one in s.sensors if one.id not in known.heard), len(s.sensors)
    told = phrase("{n} heard", n=heard) if heard else phrase("no sensor yet: see what the broker sends")
    return phrase("waiting for the first reading of {sensors}", sensors=missing) if missing else told


def _told_said(s: Settings, known: Known) -> Words:
    if not _ways(s):
        return phrase("nobody is told yet")
    missing, arrived = ", ".join(sorted(_ways(s) - known.reached)), phrase("tests have arrived")
    return phrase("no test has arrived yet through {channels}", channels=missing) if missing else arrived


def _phone_said(s: Settings, known: Known) -> Words:
    if s.web.reached_at is None:
        return phrase("only this machine reaches the page")
    opened = phrase("opened at {address}", address=s.web.reached_at)
    return opened if known.phone else phrase("open {address} on the phone", address=s.web.reached_at)


STEPS = (
    Step("zone", phrase("Time zone and you"), phrase("Times are typed and shown in it."),
         lambda s, k: s.file is not None, lambda s, k: s.zone, _zone_asks, _zone_change),
    Step("room", phrase("Rooms"), phrase("The air of a room decides how a piece dries."), lambda s, k: bool(k.rooms),
         lambda s, k: ", ".join(k.rooms) or phrase("no room yet"), _room_asks, _room_change),
    Step("broker", phrase("The broker"),
         phrase("A small program that takes sensors' messages and hands them on, such as mosquitto."),
         lambda s, k: s.broker is not None, _broker_said, _broker_asks, _broker_change),
    Step("sensor", phrase("Sensors"), phrase("Each hangs in a room and says how its air is."),
         lambda s, k: bool(s.sensors) and all(one.id in k.heard for one in s.sensors),
         _sensors_said, _sensor_asks, _sensor_change),
    Step("person", phrase("Who is told"), phrase("By push or mail: what became dry once a day, alarms at once."),
         lambda s, k: bool(s.people) and {n for p in s.people for n in p.channels} <= k.reached,
         _told_said, _person_asks, _person_change),
    Step("webhook", phrase("A program that is told"), phrase("Each notice is posted to it as JSON, signed."),
         lambda s, k: s.webhook is not None and "webhook" in k.reached,
         lambda s, k: phrase("none") if s.webhook is None else _told_said(s, k), _webhook_asks, _webhook_change),
    Step("phone", phrase("The phone"), phrase("The page beside the table, and labels that it can read."),
         lambda s, k: s.web.reached_at is not None and k.phone, _phone_said, _phone_asks, _phone_change),
    Step("heartbeat", phrase("When it is off"), phrase("Somebody outside who notices when this machine falls silent."),
         lambda s, k: s.heartbeat is not None,
         lambda s, k: phrase("set") if s.heartbeat else phrase("nobody would notice"), _heartbeat_asks,
         lambda s, given: Change({"heartbeat.url": given["url"]})),
)  # fmt: skip
"""In the order they are best taken; each can be left out, and come back to."""


def step_of(key: str) -> Step | None:
    return next((step for step in STEPS if step.key == key), None)


def answered(step: Step, settings: Settings, known: Known, given: Answers) -> Change:
    """What the answers come to; a choice that was not made is the usual one. InputError where an answer is missing."""
    asked = step.asks(settings, known)
    understood(*(partial(_answer, question, given) for question in asked))
    return step.change(settings, {question.name: _answer(question, given) for question in asked})


def _answer(question: Question, given: Answers) -> str:
    value = given.get(question.name) or (question.value if question.kind == "choice" else "")
    if question.needed and not value:
        example = question.example or phrase("the one proposed")
        raise InputError(question.name, None, phrase("an answer, such as {value}", value=example))
    if question.kind != "choice" or value in dict(question.choices):
        return value
    raise InputError(question.name, value, ", ".join(one for one, _ in question.choices))
