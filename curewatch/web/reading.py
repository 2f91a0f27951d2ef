"""How whoever asks reads: as they chose on this device, else by their profile, else as the studio's settings say, else
as their browser does. People of one studio talk of one thermometer: a laptop bought abroad is no word on that."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any
from urllib.parse import parse_qsl, urlencode

from markupsafe import Markup, escape
from pydantic import ValidationError

from curewatch.language import Reader, languages, reader_for, reads
from curewatch.settings import Settings
from curewatch.settings.channels import ReaderSettings

CHOSEN = "curewatch-reads"
"""The cookie that holds what was chosen on this device."""
TAGS_MOST, CHARS_MOST = 10, 300
"""So much of what a browser says is looked at."""


def phrase(english: str, /, **values: Any) -> str:
    """As `Reader.phrase`, to whoever has asked; what is HTML among the values stays so."""
    if not any(isinstance(value, Markup) for value in values.values()):
        return reads().phrase(english, **values)
    text = reads().phrase(english, **{name: f"{{{name}}}" for name in values})
    return Markup(escape(text)).format(
        **{n: v if isinstance(v, Markup) else reads().read(v) for n, v in values.items()}
    )


def reader_of(settings: Settings, name: str | None, accepted: str, cookies: Mapping[str, str]) -> Reader:
    """`name`: of the person who asks, as far as it is known; `accepted`: the Accept-Language header."""
    found = settings.reader.reader(by_browser(accepted, Reader(zone=settings.tz)))
    person = next((one for one in settings.people if one.name == name), None)
    if person is not None:
        found = person.reader(found)
    return chosen(cookies).reader(found)


def by_browser(accepted: str, usual: Reader) -> Reader:
    """The first language that there are words in; units, clock and dates by the first tag that has a country."""
    tags = _tags(accepted)
    language = next((one for one in tags if one.partition("-")[0].lower() in languages()), None)
    country = next((one for one in tags if any(len(part) == 2 for part in one.split("-")[1:])), None)
    if country is not None:
        usual = replace(reader_for(country, usual.zone), language=usual.language)
    return usual if language is None else replace(usual, language=language.partition("-")[0].lower())


def _tags(accepted: str) -> list[str]:
    """The best liked first."""
    found = []
    for part in accepted[:CHARS_MOST].split(",")[:TAGS_MOST]:
        tag, _, weight = part.replace(" ", "").partition(";q=")
        try:
            liked = float(weight or 1)
        except ValueError:
            continue
        if tag.replace("-", "").isalnum() and tag.isascii() and liked > 0:
            found.append((liked, tag))
    return [tag for _, tag in sorted(found, key=lambda one: -one[0])]


def chosen(cookies: Mapping[str, str]) -> ReaderSettings:
    """What was chosen on this device; nothing where that is no more to be had."""
    said = cookies.get(f"__Host-{CHOSEN}") or cookies.get(CHOSEN) or ""
    return choice_of(dict(parse_qsl(said[:CHARS_MOST])))


def choice_of(said: Mapping[str, str]) -> ReaderSettings:
    """Each by itself: what cannot be is left out."""
    found = ReaderSettings()
    for name in ReaderSettings.model_fields:
        if value := said.get(name):
            try:
                one = ReaderSettings.model_validate({name: int(value) if value.isdecimal() else value})
            except (ValidationError, ValueError):
                continue
            found = found.model_copy(update={name: getattr(one, name)})
    return found


def cookie_of(choice: ReaderSettings) -> str:
    return urlencode(choice.model_dump(exclude_none=True))
