"""The two ways to integrate films, compiled and by NumPy: `usefixtures("way")` takes a module's tests both ways."""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest

from curewatch.physics.solver import kernel


@pytest.fixture(scope="module", params=("compiled", "numpy"))
def way(request: pytest.FixtureRequest) -> Iterator[str]:
    """Every film of the module's tests goes this way."""
    found: str = request.param
    with pytest.MonkeyPatch.context() as patch:
        if found == "numpy":
            by_numpy(patch)
        else:
            must_be_built()
        yield found


def must_be_built() -> None:
    """Skips what there is no kernel for; under CI that is a failure."""
    if kernel.library() is None:
        assert os.environ.get("CI") != "true", "the kernel was not built: there must be a compiler"
        pytest.skip("the kernel was not built: there was no compiler")


def by_numpy(patch: pytest.MonkeyPatch) -> None:
    """Films are integrated by NumPy, as where there is no compiler."""
    patch.setattr(kernel, "library", lambda: None)
