"""Every parser of outside words, thrown a million inputs and more: none may do what is not documented.

Where atheris is installed (the extra `fuzz`) each parser is fuzzed in a process of its own, guided by what its inputs
cover; elsewhere inputs are made by a mutator of our own from the same seeds. Which of the two it was stands in the
lines, and the seed with it. An input that finds a flaw is printed, and the benchmark breaks.
"""

from __future__ import annotations

import importlib.util
import json
import os
import random
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

LONG = True
"""Two to five minutes."""

RUNS = int(os.environ.get("CUREWATCH_FUZZ_RUNS", "42000"))
"""Inputs for each parser."""
SEED = int(os.environ.get("CUREWATCH_FUZZ_SEED", "20261120"))
LONGEST = 4096
"""Bytes of one input, but for the mutator's long runs."""
DEADLINE_S = 900
NEAR_END = 50
PIECES = (
    b"9" * 5000, b"[" * 3000, b"x" * 3000, b"0001-01-01T00:00:00+14:00", b"9999-12-31T23:59:59-14:00", b"1e999",
    b"\xed\xa0\x80", "\u00b2\u0663\u2028".encode(), b"NaN", b"-0", b"\x00", b'\\ud800', b"0x", b"\r\n", b'"""', b",,,",
)  # fmt: skip
"""What parsers are known to stumble over: long numbers, deep nests, the calendar's ends, half characters."""


def lines() -> Iterator[Mapping[str, Any]]:
    engine = "atheris" if importlib.util.find_spec("atheris") else "mutator"
    total = 0
    for name in _names():
        found = _fuzzed(name, engine)
        total += found["inputs"]
        yield _line(f"fuzz: {name}", found["inputs"], understood=found["understood"], engine=engine, seed=SEED)
    yield _line("fuzz: all parsers, no flaw", total, engine=engine, seed=SEED)


def _line(name: str, count: int, **more: object) -> dict[str, Any]:
    return {"name": name, "value": count, "unit": "inputs", "baseline": None, "ratio": None, **more}


def _names() -> list[str]:
    from tests.core.outside_words import PARSERS

    return list(PARSERS)


def _fuzzed(name: str, engine: str) -> dict[str, int]:
    """Counts of a run in its own process: the fuzzer ends the one it is in."""
    command = [sys.executable, "-m", "tests.bench.bench_fuzz", engine, name, str(RUNS), str(SEED)]
    root = Path(__file__).resolve().parents[2]
    done = subprocess.run(command, capture_output=True, cwd=root, timeout=DEADLINE_S)
    told = [line for line in done.stdout.splitlines() if line.startswith(b"{")]
    if done.returncode or not told:
        raise AssertionError(f"{name}: {(done.stdout + done.stderr)[-3000:].decode(errors='replace')}")
    return dict(json.loads(told[-1]))


class _Counted:
    """The parser, and how often it was asked; tells now and then, and each time near the end: the fuzzer ends the
    process without a word, after as many inputs as it counts itself."""

    def __init__(self, name: str, runs: int) -> None:
        from tests.core.outside_words import PARSERS

        self._words, self._runs, self._inputs, self._understood = PARSERS[name], runs, 0, 0

    @property
    def seeds(self) -> tuple[bytes, ...]:
        return self._words.seeds

    def __call__(self, data: bytes) -> None:
        try:
            self._understood += self._words.try_(data)
        except Exception:
            print(f"flaw on {data!r}", file=sys.stderr, flush=True)
            raise
        self._inputs += 1
        if self._inputs % 1000 == 0 or self._inputs > self._runs - NEAR_END:
            print(json.dumps({"inputs": self._inputs, "understood": self._understood}), flush=True)


def by_mutation(counted: _Counted, runs: int, seed: int) -> None:
    chance = random.Random(seed)
    for _ in range(runs):
        counted(mutated(chance.choice(counted.seeds), chance))


def mutated(seed: bytes, chance: random.Random) -> bytes:
    """A few small changes: bytes put, taken, doubled, or one of PIECES let in."""
    data = bytearray(seed)
    for _ in range(chance.randint(1, 6)):
        at, kind = chance.randint(0, len(data)), chance.random()
        if kind < 0.3 and data:
            data[min(at, len(data) - 1)] = chance.randrange(256)
        elif kind < 0.5:
            data.insert(at, chance.choice(b'0123456789.-+eE:"{}[],;=\n /%'))
        elif kind < 0.6:
            data[at:at] = chance.choice(PIECES)
        elif kind < 0.8:
            del data[at : at + chance.randint(1, 8)]
        else:
            other = chance.randint(0, len(data))
            data[at:at] = data[other : other + chance.randint(1, 20)]
    return bytes(data)


def by_coverage(name: str, runs: int, seed: int) -> None:
    import atheris

    with atheris.instrument_imports(include=["curewatch.intake", "curewatch.settings", "tomllib"]):
        counted = _Counted(name, runs)
    with tempfile.TemporaryDirectory(prefix="curewatch-fuzz-") as folder:
        for number, one in enumerate((*counted.seeds, *PIECES)):
            Path(folder, f"seed{number}").write_bytes(one)
        options = [f"-atheris_runs={runs}", f"-seed={seed}", f"-max_len={LONGEST}", "-verbosity=0"]
        atheris.Setup([sys.argv[0], *options, f"-artifact_prefix={folder}/", folder], counted)
        atheris.Fuzz()


if __name__ == "__main__":
    _, wanted, parser, count, seeded = sys.argv
    if wanted == "atheris":
        by_coverage(parser, int(count), int(seeded))
    else:
        by_mutation(_Counted(parser, int(count)), int(count), int(seeded))
