"""The tables about telling people: webhook, mail, publishing, services, heartbeat, and each person with what they
want."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import time
from typing import Annotated, Any, Literal, get_args

from pydantic import AfterValidator, Field, SecretStr, TypeAdapter, ValidationError, model_validator

from curewatch.language import Reader, languages
from curewatch.records import AlarmKind, GivenName, MilestoneKind
from curewatch.records.names import slug
from curewatch.settings.errors import SettingsError
from curewatch.settings.values import (
    EnvironName,
    FileBeside,
    MailAddress,
    Table,
    Topic,
    WebAddress,
    secret_from,
)

NoticeKind = Literal["milestone", "alarm", "alarm_over", "reminder", "foreseen", "battery", "promise"]
NOTICE_KINDS: tuple[NoticeKind, ...] = get_args(NoticeKind)
"""What a person may choose to be told. A test is told to everybody, a morning's work to whom it is for."""
_KINDS_IN_WORDS = ", ".join(repr(kind) for kind in NOTICE_KINDS)
_SECURE_PORTS = {"starttls": 587, "tls": 465, "none": 25}


class MailSettings(Table):
    """The server that takes our mail."""

    host: str = Field(min_length=1, max_length=253, description="the mail server's host name or address")
    security: Literal["starttls", "tls", "none"] = Field(default="starttls", description="'starttls', 'tls' or 'none'")
    port: int = Field(default=587, ge=1, le=65_535, description="a whole number between 1 and 65535")
    user: str | None = Field(default=None, min_length=1, description="a user name")
    password_file: FileBeside | None = Field(default=None, description="the path of a file holding the password")
    password_env: EnvironName | None = Field(default=None, description="the name of an environment variable")
    ca_file: FileBeside | None = Field(default=None, description="the path of a PEM file with the server's authority")
    sender: MailAddress = Field(description="a mail address, such as 'curewatch@shed.example'")
    timeout_s: float = Field(default=10, ge=1, le=120, description="a number of seconds between 1 and 120")

    @model_validator(mode="before")
    @classmethod
    def _port_of_security(cls, given: Any) -> Any:
        security = given.get("security", "starttls") if isinstance(given, dict) else None
        if isinstance(security, str) and security in _SECURE_PORTS:
            return {"port": _SECURE_PORTS[security], **given}
        return given

    @model_validator(mode="after")
    def _belongs_together(self) -> MailSettings:
        if self.password_file is not None and self.password_env is not None:
            raise ValueError("password_file or password_env, not both")
        if (self.user is None) != (self.password_file is None and self.password_env is None):
            raise ValueError("user and password_file (or password_env) together, or neither")
        if self.user is not None and self.security == "none":
            raise ValueError("security = 'starttls' or 'tls' where there is a password: it must not travel in the open")
        if self.ca_file is not None and self.security == "none":
            raise ValueError("security = 'starttls' or 'tls' where ca_file is set")
        return self

    def password(self, environ: Mapping[str, str]) -> SecretStr | None:
        """Read now; SettingsError where the one that is set cannot be had."""
        return secret_from(self.password_file, self.password_env, environ, "mail.password")


class PublishSettings(Table):
    """What is published to the broker of [broker]: the state of pieces and rooms, and notices."""

    root: Topic = Field(default="curewatch", description="an MQTT topic without wildcards, such as 'curewatch'")
    homie: bool = Field(default=True, description="true or false")
    """Whether it announces itself by the Homie convention."""
    hubs: Topic | None = Field(
        default=None, description="the MQTT topic that the home hub documents, such as 'hub/discovery'"
    )

    @property
    def id(self) -> str:
        """What the studio is called where ids are taken."""
        return slug(self.root.replace("/", "-"))

    @property
    def homie_base(self) -> str:
        return f"homie/5/{self.id}"

    @property
    def roots(self) -> tuple[tuple[str, str], ...]:
        """What all its topics begin with, by the key that they follow from."""
        homie = [("homie", self.homie_base)] if self.homie else []
        kinds = ("sensor", "binary_sensor") if self.hubs else ()
        return ("root", self.root), *homie, *(("hubs", f"{self.hubs}/{kind}/{self.id}") for kind in kinds)


def covers(topic_filter: str, root: str) -> bool:
    """Whether an MQTT topic filter can match a topic below `root`."""
    for wanted, level in zip(topic_filter.split("/"), root.split("/"), strict=False):
        if wanted == "#":
            return True
        if wanted not in ("+", level):
            return False
    return topic_filter.count("/") > root.count("/")


class ServicesSettings(Table):
    """Addresses of push services for the studio as a whole; each is a secret, so they stand in a file."""

    addresses_file: FileBeside | None = Field(default=None, description="the path of a file with one address a line")
    addresses_env: EnvironName | None = Field(default=None, description="the name of an environment variable")

    @model_validator(mode="after")
    def _exactly_one(self) -> ServicesSettings:
        if (self.addresses_file is None) == (self.addresses_env is None):
            raise ValueError("addresses_file or addresses_env, and not both")
        return self

    def addresses(self, environ: Mapping[str, str]) -> SecretStr:
        """Read now; SettingsError where they cannot be had."""
        found = secret_from(self.addresses_file, self.addresses_env, environ, "services.addresses")
        assert found is not None  # _exactly_one
        return found


def _quiet_hours(text: str) -> str:
    try:
        begin, end = (time.fromisoformat(part.strip()) for part in text.split("-"))
        if begin != end and not (begin.tzinfo or end.tzinfo or begin.second or end.second):
            return f"{begin:%H:%M}-{end:%H:%M}"
    except ValueError:
        pass
    raise ValueError("two times of day that differ, such as '22:00-07:00'")


QuietHours = Annotated[str, AfterValidator(_quiet_hours)]


def _language(name: str) -> str:
    if name not in languages():
        raise ValueError(" or ".join(repr(one) for one in languages()))
    return name


Language = Annotated[str, AfterValidator(_language)]


class ReaderSettings(Table):
    """In which language, units, clock and order of dates somebody reads. What is left out is as the studio's is."""

    language: Language | None = Field(default=None, description="the name of a language, such as 'en'")
    temperatures: Literal["C", "F"] | None = Field(default=None, description="'C' or 'F'")
    measures: Literal["metric", "us"] | None = Field(default=None, description="'metric' or 'us'")
    """Lengths, weights and volumes: centimetres and grams, or inches, ounces and fluid ounces."""
    clock: Literal[24, 12] | None = Field(default=None, description="24 or 12")
    dates: Literal["day", "month", "year"] | None = Field(default=None, description="'day', 'month' or 'year'")
    """What a date begins with."""

    def reader(self, otherwise: Reader) -> Reader:
        """Whoever reads so; as `otherwise` does in what is not said here."""
        said = {name: getattr(self, name) for name in ("language", "temperatures", "measures", "clock")}
        said["order"] = self.dates
        return replace(otherwise, **{name: value for name, value in said.items() if value is not None})


class PersonSettings(ReaderSettings):
    """Somebody who is told: where, what, when, and in whose words and units."""

    name: GivenName = Field(description="the person's name: 1 to 80 characters on one line")
    mail: MailAddress | None = Field(default=None, description="a mail address, such as 'ada@shed.example'")
    services_file: FileBeside | None = Field(default=None, description="the path of a file with one address a line")
    services_env: EnvironName | None = Field(default=None, description="the name of an environment variable")
    kinds: tuple[NoticeKind, ...] = Field(default=NOTICE_KINDS, description=f"an array of {_KINDS_IN_WORDS}")
    quiet: QuietHours | None = Field(default=None, description="two times of day, such as '22:00-07:00'")
    may_wake: tuple[AlarmKind, ...] = Field(
        default=(AlarmKind.FROST,), description=f"an array of {', '.join(repr(str(kind)) for kind in AlarmKind)}"
    )
    """Alarms that come in quiet hours too."""
    morning_hour: int | None = Field(default=None, ge=0, le=23, description="a whole number of hours between 0 and 23")
    """When the day's work is told; None: never."""
    gathered: bool = Field(default=True, description="true or false")
    """Whether milestones are told once a day, at `morning_hour` or else at eight, for nothing burns; else as they
    fall due."""

    @model_validator(mode="after")
    def _can_be_reached(self) -> PersonSettings:
        if self.services_file is not None and self.services_env is not None:
            raise ValueError("services_file or services_env, not both")
        if not self.channels:
            raise ValueError("somewhere to tell this person: mail, services_file or services_env")
        return self

    @property
    def channels(self) -> tuple[str, ...]:
        """The channels that reach this person, by name."""
        services = self.services_file is not None or self.services_env is not None
        found = [("mail", self.mail is not None), ("services", services)]
        return tuple(f"{way}:{self.name}" for way, set_ in found if set_)

    def services(self, environ: Mapping[str, str]) -> SecretStr | None:
        """The addresses of this person's push services; SettingsError where those that are set cannot be had."""
        return secret_from(self.services_file, self.services_env, environ, f"people ({self.name}): services")


_ADDRESS: TypeAdapter[str] = TypeAdapter(WebAddress)


class HeartbeatSettings(Table):
    """Where somebody else listens for the daemon, and raises the alarm when it falls silent."""

    url: WebAddress | None = Field(default=None, description="an http:// or https:// address")
    url_file: FileBeside | None = Field(default=None, description="the path of a file holding the address")
    url_env: EnvironName | None = Field(default=None, description="the name of an environment variable")
    method: Literal["GET", "POST"] = Field(default="GET", description="'GET' or 'POST'")
    every_s: float = Field(default=300, ge=5, le=86_400, description="a number of seconds between 5 and 86400 (a day)")
    timeout_s: float = Field(default=10, ge=1, le=120, description="a number of seconds between 1 and 120")

    @model_validator(mode="after")
    def _exactly_one(self) -> HeartbeatSettings:
        if sum(given is not None for given in (self.url, self.url_file, self.url_env)) != 1:
            raise ValueError("exactly one of url, url_file and url_env")
        return self

    def address(self, environ: Mapping[str, str]) -> SecretStr:
        """Read now; SettingsError where it cannot be had, or is none. It may be a secret, so the error keeps it."""
        if self.url is not None:
            return SecretStr(self.url)
        found = secret_from(self.url_file, self.url_env, environ, "heartbeat.url")
        assert found is not None  # _exactly_one
        try:
            return SecretStr(_ADDRESS.validate_python(found.get_secret_value().strip()))
        except ValidationError:
            allowed = "an http:// or https:// address with a host, without user or password"
            raise SettingsError([f"heartbeat.url: what the file or variable holds is not {allowed}"]) from None


class WebhookSettings(Table):
    """Where notices are posted, signed by the Standard Webhooks specification."""

    url: WebAddress = Field(description="an http:// or https:// address")
    secret_file: FileBeside | None = Field(default=None, description="the path of a file holding the secret")
    secret_env: EnvironName | None = Field(default=None, description="the name of an environment variable")
    timeout_s: float = Field(default=10, ge=1, le=120, description="a number of seconds between 1 and 120")
    give_up_after_h: float = Field(default=72, ge=1, le=720, description="a number of hours between 1 and 720")
    catch_up: bool = Field(default=False, description="true or false")
    """Whether what came about while the daemon was off is posted as one notice."""

    @model_validator(mode="after")
    def _at_most_one_secret(self) -> WebhookSettings:
        if self.secret_file is not None and self.secret_env is not None:
            raise ValueError("secret_file or secret_env, not both")
        return self

    def secret(self, environ: Mapping[str, str]) -> SecretStr | None:
        """Read now; None where none is set, SettingsError where the one that is set cannot be had."""
        return secret_from(self.secret_file, self.secret_env, environ, "webhook.secret")


class NoticeSettings(Table):
    milestones: tuple[MilestoneKind, ...] = Field(
        default=(MilestoneKind.TOUCH_DRY, MilestoneKind.HANDLE, MilestoneKind.VARNISH_READY),
        description=f"an array of {', '.join(repr(str(kind)) for kind in MilestoneKind)}",
    )
