"""Which studio a process works on: its settings and its store, by option, environment or user folder. Until one's own
is begun, the demo's, which has a store of its own beside where that will be."""

from __future__ import annotations

import logging
import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from curewatch.demo import settings_of_demo
from curewatch.records.errors import InputError
from curewatch.settings import Settings, SettingsError, config_path, load_settings, store_location, usual_config
from curewatch.store import Store

log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Premises:
    settings: Settings
    """As the file has them."""
    location: str
    """Of the store that is worked on."""
    own: str
    """Of one's own, begun or not."""
    config: Path | None
    """The settings file; None where there is none yet."""
    seal: tuple[object, ...]
    """Is another one where the settings may be, or one's own studio was begun."""

    refused: str = ""
    """Why what is set by now could not be taken up, where these are what was set before."""

    @property
    def is_demo(self) -> bool:
        return self.location != self.own

    @property
    def in_use(self) -> Settings:
        """Of the studio that is worked on."""
        return settings_of_demo(self.settings) if self.is_demo else self.settings

    @property
    def config_to_be(self) -> Path:
        """The settings file, there or not."""
        return self.config or usual_config()

    @property
    def backups(self) -> Path | None:
        """The folder of the store's backups, where it is not the usual one."""
        return self.in_use.backup.folder


def find(config: str | None, store: str | None, environ: Mapping[str, str], *, or_demo: bool = False) -> Premises:
    """By what was said as --config and --store. With `or_demo` the demo's where one's own is not begun; else only
    where a demo lies there already and no store was named. Raises SettingsError."""
    path = config_path(config, environ)
    own = store_location(store, environ, path)
    seal, location, settings = _seal(path, own), own, load_settings(path)
    beside = None if "://" in own else str(Path(own).parent / "demo" / "studio.sqlite")
    if beside is not None and not Store.is_begun(own, settings.backup.folder):
        location = beside if or_demo or (store is None and Store.is_begun(beside)) else own
    return Premises(settings, location, own, path, seal)


def _seal(config: Path | None, own: str) -> tuple[object, ...]:
    try:
        held = None if config is None else config.stat()
    except OSError:
        held = None
    file = (held.st_ino, held.st_size, held.st_mtime_ns) if held else ()
    return str(config), *file, "://" in own or os.path.exists(own)


class Changes:
    """Whether what a run was built from is another now: the settings, or whose studio. Asked every few seconds."""

    def __init__(self, built: Premises, find: Callable[[], Premises]) -> None:
        self._built, self._find, self._seal = built, find, built.seal

    def __call__(self) -> bool:
        """A settings file that cannot be used is said, and what runs goes on as it is."""
        try:
            config = self._built.config or config_path(None, os.environ)
            seal = _seal(config, self._built.own)
            if seal == self._seal:
                return False
            self._seal = seal
            now = self._find()
        except SettingsError as error:
            log.warning("the settings were changed and cannot be used, so what was set before goes on: %s", error)
            return False
        return now.location != self._built.location or now.settings != self._built.settings


def run_after_run(find: Callable[[], Premises], run: Callable[[Premises], int], *, again: int) -> int:
    """Run after run, for as long as one ends with `again`; the last one's exit code. What cannot be used, file or host,
    is an error (SettingsError, InputError) only before the first: later, what was used before goes on."""
    before: Premises | None = None
    on = find()
    while True:
        try:
            code = run(on)
        except (SettingsError, InputError) as error:
            if before is None:
                raise
            log.warning("what is set cannot be used, so what was set before goes on: %s", error)
            on, before = replace(before, seal=on.seal, refused=str(error)), None
            continue
        if code != again:
            return code
        try:
            before, on = on, find()
        except SettingsError as error:  # changed once more, just now
            log.warning("what is set cannot be used, so what was set before goes on: %s", error)
