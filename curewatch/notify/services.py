"""Notices through push services of many kinds, by address: apprise speaks to them. An optional extra."""

from __future__ import annotations

import importlib
import logging
import warnings
from collections.abc import Iterator
from typing import Any

from pydantic import SecretStr

from curewatch.language import PLAIN, Reader
from curewatch.notify.channel import Bounded, TryLater
from curewatch.records import Notice
from curewatch.settings import SettingsError

DEADLINE_S = 60.0
"""For all addresses of one channel together; how long each has is the library's own affair."""
EXTRA = 'pip install "curewatch[services]"'


class Services:
    """One channel for all addresses of one person, or of the studio. The addresses are secrets, and stay in here."""

    def __init__(self, addresses: SecretStr, *, name: str, reader: Reader = PLAIN) -> None:
        """`addresses`: one a line, # begins a remark. SettingsError where apprise is missing, or does not know one."""
        self._name = name
        self._reader = reader
        self._services = _services(name, addresses)
        self._bounded = Bounded(f"a push service of {name!r}", name)
        # Which addresses have taken a notice that others have not: those are not told again.
        self._taken: dict[str, set[int]] = {}

    @property
    def name(self) -> str:
        return self._name

    def __len__(self) -> int:
        return len(self._services)

    def send(self, notice: Notice) -> None:
        self._bounded.run(lambda: self._tell_all(notice), DEADLINE_S)

    def _tell_all(self, notice: Notice) -> None:
        title, text = self._reader.read(notice.title), self._reader.read(notice.text)
        taken = self._taken.setdefault(notice.key, set())
        for index, service in enumerate(self._services):
            if index not in taken and service.notify(title=title, body=text):
                taken.add(index)
        missing = len(self._services) - len(taken)
        if missing:
            raise TryLater(f"{missing} of {len(self._services)} push services of {self._name!r} did not take it")
        del self._taken[notice.key]


def _services(name: str, addresses: SecretStr) -> list[Any]:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # its modules for old services import what Python will drop
        return _known_to_apprise(name, addresses)


def _known_to_apprise(name: str, addresses: SecretStr) -> list[Any]:
    try:
        apprise = importlib.import_module("apprise")
    except ImportError:
        raise SettingsError([f"services: push services need a package that is not installed: {EXTRA}"]) from None
    # It logs addresses, and with them secrets; whether a notice got through we log ourselves.
    logging.getLogger("apprise").setLevel(logging.CRITICAL + 1)
    found: list[Any] = []
    for line, address in _lines(addresses):
        service = apprise.Apprise.instantiate(address, suppress_exceptions=True)
        if service is None:
            # the address stays out: it is a secret
            raise SettingsError([f"{name}: line {line} is no address of a push service that is known"])
        found.append(service)
    if not found:
        raise SettingsError([f"{name}: expected addresses of push services, one a line, got none"])
    return found


def _lines(addresses: SecretStr) -> Iterator[tuple[int, str]]:
    for number, line in enumerate(addresses.get_secret_value().splitlines(), 1):
        if (address := line.strip()) and not address.startswith("#"):
            yield number, address
