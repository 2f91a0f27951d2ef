"""What the tests would notice: small wrongs put into the code one at a time, and the nearest tests run on each.

    sh deploy/bench mutants --most 40

A fixed seed draws DRAWN mutants (`mutators.py`) over ROOMS. Each is written into a copy of the tree, where the test
files nearest to it run, quickest first, until one fails: it is killed. Nearest are those that name the function that it
stands in or its file, then those with the fewest imports between; a file whose tests fail without it is left out. What
the first round leaves alive meets a second one of more files, which may take longer. What was found is kept in a folder
of the temporary ones that is named by the tree's contents, so that a run that was broken off goes on. A survivor that
changes nothing a person could see is listed in EQUIVALENT, with the reason.
"""

from __future__ import annotations

import hashlib
import json
import os
import random
import re
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

from tests.bench.mutators import Mutant, mutants
from tests.import_graph import Graph, read_code

LONG = True
SEED, DRAWN, GOAL_PERCENT = 10, 200, 90.0
ROOMS = ("studio", "physics", "store", "notify", "web/access")
LEFT_OUT = ("migrations",)
ROUNDS = ((12, 40.0, 25.0), (24, 150.0, 60.0))
"""Of the nearest files so many, up to this time of a core together, and none that takes longer by itself [s]."""
PATIENCE_S = 240.0
"""How long to wait for a file, on a machine that does much else."""
ROOT = Path(__file__).resolve().parents[2]
EQUIVALENT = Path(__file__).with_name("equivalent_mutants.txt")


class Drawn(NamedTuple):
    file: str
    mutant: Mutant

    @property
    def name(self) -> str:
        one = self.mutant
        return f"{self.file}:{one.line} {one.kind}: {' '.join(one.before.split())} -> {' '.join(one.after.split())}"

    @property
    def unnumbered(self) -> str:
        """Its name by what it stands in; lines move."""
        one = self.mutant
        what = f"{one.kind}: {' '.join(one.before.split())} -> {' '.join(one.after.split())}"
        return f"{self.file} {'.'.join(one.inside) or 'itself'}, {what}"


def lines(most: int = DRAWN) -> Iterator[dict[str, Any]]:
    drawn = draw(ROOT, DRAWN, SEED)[:most]
    known = read_equivalent(EQUIVALENT.read_text(encoding="utf-8")) if EQUIVALENT.exists() else {}
    bench = Bench(ROOT)
    verdicts: Counter[str] = Counter()
    for number, one in enumerate(drawn, 1):
        verdict = "equivalent" if one.unnumbered in known else bench.verdict(one)
        verdicts[verdict] += 1
        print(f"{number}/{len(drawn)} {verdict}: {one.name}", file=sys.stderr, flush=True)
        if verdict in ("survived", "untested"):
            yield {"name": one.name, "value": 0, "unit": "killed", "baseline": None, "ratio": None, "is": verdict}
    tried = len(drawn) - verdicts["equivalent"]
    share = 100 * verdicts["killed"] / max(1, tried)
    ratio = round(share / GOAL_PERCENT, 3)
    line = {"name": f"mutants killed of {tried}", "value": round(share, 1), "unit": "%", "baseline": GOAL_PERCENT}
    yield {**line, "ratio": ratio, **verdicts}


def draw(root: Path, count: int, seed: int) -> list[Drawn]:
    """A file by its length, a kind of what fits into it, then one of these; none twice."""
    chance = random.Random(seed)
    fits: dict[str, dict[str, list[Mutant]]] = {}
    sizes: dict[str, int] = {}
    for room in ROOMS:
        for file in sorted((root / "curewatch" / room).rglob("*.py")):
            source = file.read_text(encoding="utf-8")
            here = fits.setdefault(str(file.relative_to(root)), {})
            sizes[str(file.relative_to(root))] = len(source)
            for one in mutants(source) if not set(LEFT_OUT) & set(file.parts) else ():
                here.setdefault(one.kind, []).append(one)
    files = [file for file, kinds in fits.items() if kinds]
    found: dict[Drawn, None] = {}
    while len(found) < count:
        (file,) = chance.choices(files, [sizes[file] for file in files])
        kind = chance.choice(sorted(fits[file]))
        found[Drawn(file, chance.choice(fits[file][kind]))] = None
    return list(found)


def read_equivalent(text: str) -> dict[str, str]:
    """To why nobody could see it: a line `file function, kind: before -> after`, then `    why`."""
    found = re.findall(r"^(\S.*)\n[ ]+(\S.*)$", re.sub(r"^#.*\n", "", text, flags=re.MULTILINE), re.MULTILINE)
    return dict(found)


class Bench:
    """A copy of the tree to break, and what was found in it."""

    def __init__(self, root: Path) -> None:
        contents = hashlib.sha256()
        for file in sorted([*root.glob("curewatch/**/*.py"), *root.glob("tests/**/*.py")]):
            contents.update(str(file.relative_to(root)).encode() + file.read_bytes())
        self.folder = Path(tempfile.gettempdir()) / f"curewatch-mutants-{contents.hexdigest()[:16]}"
        self.tree, self.notes = self.folder / "tree", self.folder / "found.json"
        if not self.tree.exists():
            self.folder.mkdir(exist_ok=True)
            beside = shutil.ignore_patterns(".git", ".venv", ".*_cache", "__pycache__", ".hypothesis")
            shutil.copytree(root, self.folder / "half", symlinks=True, ignore=beside, dirs_exist_ok=True)
            (self.folder / "half").rename(self.tree)
        self.found: dict[str, dict[str, Any]] = {"verdicts": {}, "seconds": {}, "waited": {}}
        if self.notes.exists():
            self.found = json.loads(self.notes.read_text(encoding="utf-8"))
        self.near = Nearness(self.tree)

    def verdict(self, one: Drawn) -> str:
        known = self.found["verdicts"]
        key = f"{one.name} @{one.mutant.start}"
        if key not in known:
            known[key] = self._tried(one)
            self._note()
        return str(known[key])

    def _tried(self, one: Drawn) -> str:
        nearest = self.near.tests(one)
        first = self._quickest(nearest, *ROUNDS[0]) or self._quickest(nearest, *ROUNDS[1])
        if not first:
            return "untested"
        if not self._survives(one, first):
            return "killed"
        more = self._quickest([file for file in nearest if file not in first], *ROUNDS[1])
        return "survived" if not more or self._survives(one, more) else "killed"

    def _survives(self, one: Drawn, files: list[str]) -> bool:
        broken = self.tree / one.file
        whole = broken.read_bytes()
        try:
            broken.write_text(one.mutant.applied(whole.decode()), encoding="utf-8")
            waited = sum(self.found["waited"][file] for file in files)
            return self._pass(files, 60 + 5 * waited)
        finally:
            broken.write_bytes(whole)

    def _quickest(self, nearest: list[str], most: int, budget_s: float, slowest_s: float) -> list[str]:
        """The nearest ones for which there is time, quickest first; each is run once to know how long it takes."""
        seconds = self.found["seconds"]
        chosen: list[str] = []
        for file in nearest:
            if file not in seconds:
                began, worked = time.monotonic(), _worked_s()
                fine = self._pass([file], PATIENCE_S)
                seconds[file] = round(_worked_s() - worked, 2) if fine else None
                self.found["waited"][file] = round(time.monotonic() - began, 2)
                self._note()
            if seconds[file] is None or seconds[file] > slowest_s:
                continue
            if len(chosen) == most or sum(map(seconds.get, [*chosen, file])) > budget_s:
                break
            chosen.append(file)
        return sorted(chosen, key=seconds.__getitem__)

    def _pass(self, files: list[str], within_s: float) -> bool:
        environment = os.environ | {"PYTHONPATH": str(self.tree), "CI": "true", "PYTHONDONTWRITEBYTECODE": "1"}
        command = [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", "--no-header", *files]
        with subprocess.Popen(
            command,
            cwd=self.tree,
            env=environment,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            stdin=subprocess.DEVNULL,
            start_new_session=True,
        ) as run:
            try:
                return run.wait(within_s) == 0
            except subprocess.TimeoutExpired:
                return False
            finally:
                if run.poll() is None:
                    os.killpg(run.pid, 9)  # with what its tests have started

    def _note(self) -> None:
        half = self.notes.with_suffix(".half")
        half.write_text(json.dumps(self.found, indent=1), encoding="utf-8")
        half.replace(self.notes)


def _worked_s() -> float:
    """What processes that were started and have ended have worked [s of a core]."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


class Nearness:
    """Which test files stand how near to a piece of code."""

    def __init__(self, tree: Path) -> None:
        code = read_code(tree, "curewatch", "tests")
        self.modules = {str(file): name for name, file in code.files.items()}
        tests = {
            str(file): name
            for name, file in code.files.items()
            if file.name.startswith("test_") and file.parts[:2] in {("tests", "core"), ("tests", "shell")}
        }
        self.reached = {file: distances(code.imports, name) for file, name in tests.items()}
        self.words = {file: set(re.findall(r"\w+", "\n".join(code.lines[name]))) for file, name in tests.items()}

    def tests(self, one: Drawn) -> list[str]:
        """The files of tests that reach it, nearest first."""
        module = self.modules[one.file]
        stem = module.rpartition(".")[2]
        names = {*one.mutant.inside[:1], *one.mutant.inside[-1:]}

        def rank(file: str) -> tuple[float, ...]:
            named = bool(names & self.words[file]) + (stem in Path(file).stem) + (stem in self.words[file])
            return (self.reached[file][module] - 2 * named, len(self.reached[file]))

        return sorted((file for file, reached in self.reached.items() if module in reached), key=rank)


def distances(graph: Graph, start: str) -> dict[str, int]:
    """How many imports lie between a module and each that it reaches."""
    found, reached = {start: 0}, [start]
    for name in reached:
        for wanted in graph[name]:
            if wanted not in found:
                found[wanted] = found[name] + 1
                reached.append(wanted)
    return found
