"""`curewatch setup`: the questions of the page's *Set up* in a terminal."""

from __future__ import annotations

import sys
from functools import partial
from pathlib import Path
from typing import Annotated

import typer

from curewatch.cli import options
from curewatch.cli.output import agreed, say, say_json, text_of
from curewatch.cli.session import premises_of
from curewatch.daemon.service import Places, hand_over_again
from curewatch.intake.typed.names import named
from curewatch.language import phrase
from curewatch.records.errors import Field, InputError
from curewatch.settings import Settings, SettingsError
from curewatch.settings.loading import SYSTEM_CONFIG
from curewatch.settings.setting_up import STEPS, Known, Question, Step, answered, step_of
from curewatch.store import Store
from curewatch.web.access.credentials import hash_of
from curewatch.web.pages.setup import add_room, known_of, pair_for

KEYS = ", ".join(step.key for step in STEPS)


def setup(
    ctx: typer.Context,
    step: Annotated[
        str | None, typer.Argument(metavar="[STEP]", help=f"One of {', '.join(s.key for s in STEPS)}.")
    ] = None,
    answers: Annotated[
        list[str] | None, typer.Option("--answer", metavar="NAME=VALUE", help="An answer, so that it is not asked.")
    ] = None,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask before the settings are written.")] = False,
    as_json: options.AsJson = False,
) -> None:
    """Begin your own studio if it is not begun, and say what is set and what is missing; with a step, ask its questions
    and write the answers into the settings."""
    if step is not None and not (sys.stdin.isatty() or yes or as_json or answers):
        raise InputError("--yes", None, phrase("it, or --answer NAME=VALUE: there is no terminal to ask at"))
    on = premises_of(ctx)
    begun = Store.is_begun(on.own, on.settings.backup.folder)
    with Store.open(on.own, backups=on.settings.backup.folder) as store:
        known = known_of(store)
        if step is not None:
            wanted = step_of(step)
            if wanted is None:
                raise InputError("STEP", step, KEYS)
            ask = sys.stdin.isatty() and not yes and not as_json
            _take(wanted, on.settings, known, on.config_to_be, _told(answers), store, ask=ask, as_json=as_json)
            return
    stands = [(one, one.done(on.settings, known), one.said(on.settings, known)) for one in STEPS]
    if as_json:
        rows = [
            {"step": one.key, "title": str(one.title), "done": done, "said": str(said)} for one, done, said in stands
        ]
        say_json("setup", store=on.own, config=str(on.config_to_be), begun=not begun, steps=rows)
        return
    kept = phrase("Your own studio is kept in {store}.", store=on.own)
    say(kept if begun else phrase("Your own studio has now begun: {store}.", store=on.own))
    file = str(on.config_to_be)
    later = phrase("Its settings: {file}, once there are any.", file=file)
    say(phrase("Its settings: {file}.", file=file) if on.config else later)
    for one, done, what in stands:
        line = phrase("{step}: {what}.", step=one.title, what=what)
        say(f"{'[x]' if done else '[ ]'} {one.key:<10} {text_of(line)}")
    say(phrase("`curewatch setup STEP` asks what a step needs; the page asks the same under Set up."))


def _take(
    step: Step,
    settings: Settings,
    known: Known,
    file: Path,
    told: dict[str, str],
    store: Store,
    *,
    ask: bool,
    as_json: bool,
) -> None:
    for question in step.asks(settings, known):
        if question.name not in told and sys.stdin.isatty():
            told[question.name] = _asked(question)
        told.setdefault(question.name, question.value)
    change = answered(step, settings, known, told)
    edit = change.edit(file)
    if not as_json:
        say(edit.difference or phrase("The settings stay as they are."))
    if ask and edit.difference and not agreed(phrase("Write this?")):
        say(phrase("Nothing was written."))
        return
    try:
        change.write(edit, hash_of, partial(pair_for, settings=edit.settings))
    except (OSError, ValueError) as error:
        raise SettingsError([f"{file.parent}: cannot be written to: {error}"]) from None
    if step.key == "room":
        add_room(store, named(told["room"], Field.ROOM))
    handed: list[str] = []
    if file == SYSTEM_CONFIG and (change.files or change.password or change.pair):
        handed = list(hand_over_again(Places(for_machine=True)))
        for name in change.files if handed else ():
            (file.parent / name).unlink(missing_ok=True)
    if as_json:
        say_json("setup", step=step.key, file=str(file), difference=edit.difference, done=handed)
    elif handed:
        say("\n".join([text_of(phrase("Written.")), *map(text_of, handed)]))
    elif edit.difference:
        say(phrase("Written. A daemon that runs takes it up within seconds."))


def _asked(question: Question) -> str:
    choices = f" ({', '.join(one for one, _ in question.choices)})" if question.choices else ""
    said = text_of(question.label) + choices
    if question.example and not question.value:
        said = text_of(phrase("{question} (such as {example})", question=said, example=question.example))
    hidden = question.kind == "password"
    given: str = typer.prompt(
        said, default=question.value, show_default=bool(question.value),
        hide_input=hidden, confirmation_prompt=hidden and question.needed,
    )  # fmt: skip
    return given.strip()


def _told(answers: list[str] | None) -> dict[str, str]:
    found = {}
    for one in answers or []:
        name, equals, value = one.partition("=")
        if not equals:
            raise InputError("--answer", one, "NAME=VALUE")
        found[name] = value
    return found
