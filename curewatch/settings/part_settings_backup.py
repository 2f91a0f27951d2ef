"""The table about backups of the store."""

from __future__ import annotations

from pydantic import Field

from curewatch.settings.part_settings_kinds import FileBeside
from curewatch.settings.values import Table


class BackupSettings(Table):
    """Copies of the store that the daemon makes by itself."""

    every_h: float = Field(24, ge=0, le=720, description="a number of hours between 0 (never) and 720")
    keep: int = Field(7, ge=1, le=1000, description="a whole number between 1 and 1000")
    folder: FileBeside | None = Field(None, description="the path of a folder for this studio's backups alone")
