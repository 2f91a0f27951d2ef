"""The handbook: one set of Markdown files, a topic each, which the page and `curewatch help` show."""

from __future__ import annotations

from importlib.resources import files

from curewatch.language import phrase
from curewatch.records.errors import Field, InputError

LANGUAGES = ("en", "es")
"""A folder each with the same files; the first is what the others tell."""
TOPICS = {
    "example": phrase("from the first estimate to the wrapped piece, command by command"),
    "trouble": phrase("when something does not work: the commonest"),
    "milestones": phrase("set, touch-dry, dry to handle, ready to varnish: what each is and what to do"),
    "alarms": phrase("cold, frost, damp, too fast, no fresh data: what each is and what to do"),
    "dates": phrase("what the dates mean, how sure they are, and why"),
    "sensors": phrase("the first sensor, and one that cannot be right"),
    "telling": phrase("who hears what, by mail, push or webhook"),
    "page": phrase("the page on this machine, from a phone, behind a proxy; photos"),
    "phone": phrase("a phone that works out of the studio's reach, and comes to trust it"),
    "service": phrase("a service that starts by itself; updating, moving, removing; containers"),
    "backups": phrase("and when the store is broken, or the disk is full"),
    "mistakes": phrase("what was logged wrong, and names that are close"),
    "files": phrase("everything out and in again, as JSON or CSV"),
    "commands": phrase("every command, how quantities and times are typed, exit codes"),
    "api": phrase("for programs: JSON, calendar, metrics, webhook, topics"),
    "figures": phrase("how good it is, measured"),
    "security": phrase("what is defended, and what is not"),
    "cautions": phrase("fumes, fire and children"),
    "glossary": phrase("the words, one by one"),
    "changes": phrase("what is new"),
}
"""As they are listed: each with what it is about."""


def told_in(topic: str, language: str) -> str:
    """The language in which it is read by who reads that one: the first where there is none of it."""
    there = files("curewatch.handbook") / language / f"{topic}.md"
    return language if language in LANGUAGES and there.is_file() else LANGUAGES[0]


def read(topic: str, language: str = LANGUAGES[0]) -> str:
    """A topic as Markdown, its first line the title. InputError where there is none of that name."""
    if topic not in TOPICS:
        raise InputError(Field.TOPIC, topic, ", ".join(TOPICS))
    file = files("curewatch.handbook") / told_in(topic, language) / f"{topic}.md"
    return file.read_text(encoding="utf-8")


def title(topic: str, language: str = LANGUAGES[0]) -> str:
    return read(topic, language).partition("\n")[0].removeprefix("# ")
