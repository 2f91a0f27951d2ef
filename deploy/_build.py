"""setuptools' build backend, told what the source distribution takes along beside the package: all that tests it.

That list would be MANIFEST.in at the top of the checkout, which is the owner's; so it is there while one is built.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from setuptools import build_meta
from setuptools.build_meta import *  # noqa: F403  # a backend is the functions that a module has (PEP 517)

TAKEN = "graft config\ngraft deploy\ngraft tests\ninclude DEVELOPERS.md\nglobal-exclude *.py[co] .DS_Store\n"


def build_sdist(sdist_directory: str, config_settings: dict[str, Any] | None = None) -> str:
    listed = Path("MANIFEST.in")
    listed.write_text(TAKEN, encoding="utf-8")
    try:
        return build_meta.build_sdist(sdist_directory, config_settings)
    finally:
        listed.unlink()
