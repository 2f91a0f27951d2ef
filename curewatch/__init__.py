"""curewatch: when a poured acrylic painting may be touched, moved and varnished.

`from curewatch import estimate, level` answers without a store or a file: see `curewatch.views.estimate`.
"""

from __future__ import annotations

from typing import Any

__version__ = "0.1.0"


def __getattr__(name: str) -> Any:
    """The public functions, imported when they are asked for: a command's --help has no use for them."""
    if name in ("estimate", "level"):
        import curewatch.views.estimate as public

        return getattr(public, name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
