"""The handbook: one set of Markdown files, a topic each, which the page and `curewatch help` show."""

from __future__ import annotations

from importlib.resources import files

from curewatch.records.errors import Field, InputError

LANGUAGES = ("en",)
"""A folder each with the same files; a topic that one lacks is read in the first."""
TOPICS = {
    "example": "from the first estimate to the wrapped piece, command by command",
    "trouble": "when something does not work: the commonest",
    "milestones": "set, touch-dry, dry to handle, ready to varnish: what each is and what to do",
    "alarms": "cold, frost, damp, too fast, no fresh data: what each is and what to do",
    "dates": "what the dates mean, how sure they are, and why",
    "sensors": "the first sensor, and one that cannot be right",
    "telling": "who hears what, by mail, push or webhook",
    "page": "the page on this machine, from a phone, behind a proxy; photos",
    "phone": "a phone that works out of the studio's reach, and comes to trust it",
    "service": "a service that starts by itself; updating, moving, removing; containers",
    "backups": "and when the store is broken, or the disk is full",
    "mistakes": "what was logged wrong, and names that are close",
    "files": "everything out and in again, as JSON or CSV",
    "commands": "every command, how quantities and times are typed, exit codes",
    "api": "for programs: JSON, calendar, metrics, webhook, topics",
    "figures": "how good it is, measured",
    "security": "what is defended, and what is not",
    "cautions": "fumes, fire and children",
    "glossary": "the words, one by one",
    "changes": "what is new",
}
"""As they are listed: each with what it is about."""


def read(topic: str, language: str = LANGUAGES[0]) -> str:
    """A topic as Markdown, its first line the title. InputError where there is none of that name."""
    if topic not in TOPICS:
        raise InputError(Field.TOPIC, topic, ", ".join(TOPICS))
    there = (files("curewatch.handbook") / folder / f"{topic}.md" for folder in (language, LANGUAGES[0]))
    return next(file for file in there if file.is_file()).read_text(encoding="utf-8")


def title(topic: str, language: str = LANGUAGES[0]) -> str:
    return read(topic, language).partition("\n")[0].removeprefix("# ")
