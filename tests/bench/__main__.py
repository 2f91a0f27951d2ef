"""Runs the benchmarks beside this file and prints one JSON object a line.

    python -m tests.bench [--all] [--most N] [NAME ...]

A benchmark is a module `bench_*.py` with a function `lines()` that yields one mapping a measurement:

    name        what was measured
    value       the result, a finite number
    unit        its unit
    baseline    what it is held against, in the same run and unit; None where there is nothing
    ratio       how many times better than the baseline; None where there is none

More keys are passed through. A module that says `LONG = True` runs only if named or with --all. A module that takes
`lines(most=…)` draws a sample, of which `--most` is the size. A module that breaks prints `{"name": …, "error": …}`,
the others go on, and the exit code is 1.
"""

from __future__ import annotations

import argparse
import importlib.util
import inspect
import json
import math
import sys
import traceback
from collections.abc import Iterator, Mapping
from pathlib import Path
from types import ModuleType
from typing import Any

HERE = Path(__file__).resolve().parent


def short_name(file: Path) -> str:
    return file.stem.removeprefix("bench_")


def find(names: list[str]) -> list[Path]:
    """The modules asked for, or all; ValueError quotes a name that is none of them."""
    files = {short_name(file): file for file in sorted(HERE.glob("bench_*.py"))}
    wanted = [name.removeprefix("bench_").removesuffix(".py") for name in names]
    for name in wanted:
        if name not in files:
            raise ValueError(f"no benchmark is called {name!r}; there are: {', '.join(files) or 'none'}")
    return [files[name] for name in wanted] or list(files.values())


def load(file: Path) -> ModuleType:
    spec = importlib.util.spec_from_file_location(file.stem, file)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[file.stem] = module  # dataclasses and pickling look a module up by its name
    spec.loader.exec_module(module)
    return module


def checked(line: Mapping[str, Any]) -> dict[str, Any]:
    """The line as it is; ValueError quotes what is missing or no finite number."""
    for key in ("name", "unit"):
        if not isinstance(line.get(key), str):
            raise ValueError(f"a line needs a text {key!r}, got {dict(line)!r}")
    for key in ("value", "baseline", "ratio"):
        if key not in line:
            raise ValueError(f"a line needs {key!r}, got {dict(line)!r}")
        number = line[key]
        if number is None and key != "value":
            continue
        if isinstance(number, bool) or not isinstance(number, int | float) or not math.isfinite(number):
            raise ValueError(f"{key!r} must be a finite number, got {number!r} in {dict(line)!r}")
    return dict(line)


def measure(file: Path, *, long_too: bool, most: int | None) -> Iterator[dict[str, Any]]:
    module = load(file)
    if getattr(module, "LONG", False) and not long_too:
        print(f"{short_name(file)} takes long: name it or give --all to run it", file=sys.stderr)
        return
    sampled = most is not None and "most" in inspect.signature(module.lines).parameters
    for line in module.lines(most=most) if sampled else module.lines():
        yield checked(line)


def main(arguments: list[str]) -> int:
    parser = argparse.ArgumentParser(prog="bench", description="One JSON object a line for each measurement.")
    parser.add_argument("names", nargs="*", metavar="NAME", help="only these modules, with or without bench_")
    parser.add_argument("--all", action="store_true", help="the long ones too")
    parser.add_argument("--most", type=int, metavar="N", help="so many of what a module draws, instead of all")
    given = parser.parse_args(arguments)
    try:
        files = find(given.names)
    except ValueError as problem:
        parser.error(str(problem))
    broken = False
    for file in files:
        try:
            for line in measure(file, long_too=given.all or bool(given.names), most=given.most):
                print(json.dumps(line, ensure_ascii=False, allow_nan=False), flush=True)
        except Exception as problem:  # one broken benchmark must not cost the others
            traceback.print_exc()
            error = {"name": short_name(file), "error": f"{type(problem).__name__}: {problem}"}
            print(json.dumps(error, ensure_ascii=False), flush=True)
            broken = True
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
