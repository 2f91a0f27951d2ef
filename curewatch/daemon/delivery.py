"""Every channel that the settings name, made; and what each is, in words."""

from __future__ import annotations

from collections.abc import Mapping
from urllib.parse import urlsplit

from curewatch.clock import Clock
from curewatch.notify.channel import Channel
from curewatch.notify.mail import Mail
from curewatch.notify.part_notify_units import Units
from curewatch.notify.publisher import Publisher
from curewatch.notify.services import Services
from curewatch.notify.webhook import Signer, Webhook
from curewatch.settings import PersonSettings, Settings, SettingsError, WebhookSettings


def signer_of(webhook: WebhookSettings, environ: Mapping[str, str]) -> Signer | None:
    """None where the settings name no secret; SettingsError where it cannot be had, or is none."""
    secret = webhook.secret(environ)
    try:
        return None if secret is None else Signer(secret.get_secret_value())
    except ValueError as error:
        raise SettingsError([f"webhook.secret: {error}"]) from None


def host_of(address: str) -> str:
    """Where it points, without path and query: those may be a secret."""
    parts = urlsplit(address)
    return f"{parts.hostname}:{parts.port}" if parts.port else str(parts.hostname)


def make_channels(settings: Settings, client_id: str, clock: Clock, environ: Mapping[str, str]) -> list[Channel]:
    """The studio's channels, then each person's. `client_id`: what the broker is to know the publisher by.

    Raises SettingsError where a secret or a file cannot be had.
    """
    made: list[Channel] = []
    if settings.webhook is not None:
        hook = settings.webhook
        made.append(Webhook(hook.url, clock, signer=signer_of(hook, environ), timeout_s=hook.timeout_s))
    if settings.publish is not None:
        assert settings.broker is not None  # Settings sees to it
        made.append(Publisher(settings.broker, settings.publish.root, client_id))
    if settings.services is not None:
        made.append(Services(settings.services.addresses(environ), name="services"))
    for person in settings.people:
        made += channels_of(settings, person, environ)
    return made


def channels_of(settings: Settings, person: PersonSettings, environ: Mapping[str, str]) -> list[Channel]:
    """The channels of one person, who reads notices in their own units."""
    units = Units(person.temperatures, person.clock)
    made: list[Channel] = []
    for name in person.channels:
        if name.startswith("mail:"):
            assert settings.mail is not None  # Settings sees to it
            assert person.mail is not None
            password = settings.mail.password(environ)
            made.append(Mail(settings.mail, password, person.mail, name=name, units=units))
        else:
            addresses = person.services(environ)
            assert addresses is not None
            made.append(Services(addresses, name=name, units=units))
    return made


def in_words(settings: Settings) -> str:
    """Where notices go, for the log: no addresses."""
    found = [f"webhook {host_of(settings.webhook.url)}"] if settings.webhook else []
    found += [f"topics below {settings.publish.root!r}"] if settings.publish else []
    found += ["push services"] if settings.services else []
    found += [person.name for person in settings.people]
    return f"notices to {', '.join(found)}" if found else "nobody is told: no webhook, no people in the settings"
