"""What the wheel depends on, with its licences, as deploy/NOTICES.md: made of what is installed beside it.

python deploy/_notices.py            prints it
python deploy/_notices.py --write    writes it, after the pins were moved on
"""

from __future__ import annotations

import re
import sys
from importlib.metadata import Distribution, distribution
from pathlib import Path

HERE = Path(__file__).resolve().parent
HEAD = """# What curewatch depends on

The wheel carries none of these; an installer fetches them, each under the licence of its own, whose text comes with it
(in its `.dist-info` folder). Versions are those that curewatch was checked with. Made by `deploy/_notices.py`.

| package | version | licence | home |
|---|---|---|---|
"""


CARRIED = """
The wheel carries one thing that others made: `curewatch/web/static/idiomorph.min.js`, Idiomorph 0.8.0 as its makers
publish it (https://github.com/bigskysoftware/idiomorph; SHA-256 of the file
`4cbd535caf7663a51eda9bce6595371c384fc430d54b8d414e29a61167f19f96`), which patches an open page. Zero-Clause BSD:

Permission to use, copy, modify, and/or distribute this software for any purpose with or without fee is hereby granted.

THE SOFTWARE IS PROVIDED "AS IS" AND THE AUTHOR DISCLAIMS ALL WARRANTIES WITH REGARD TO THIS SOFTWARE INCLUDING ALL
IMPLIED WARRANTIES OF MERCHANTABILITY AND FITNESS. IN NO EVENT SHALL THE AUTHOR BE LIABLE FOR ANY SPECIAL, DIRECT,
INDIRECT, OR CONSEQUENTIAL DAMAGES OR ANY DAMAGES WHATSOEVER RESULTING FROM LOSS OF USE, DATA OR PROFITS, WHETHER IN AN
ACTION OF CONTRACT, NEGLIGENCE OR OTHER TORTIOUS ACTION, ARISING OUT OF OR IN CONNECTION WITH THE USE OR PERFORMANCE OF
THIS SOFTWARE.
"""


def pinned(level: str = "To run it") -> list[tuple[str, str]]:
    """Name and version of every pin of one group of constraints.txt."""
    text = (HERE / "constraints.txt").read_text(encoding="utf-8")
    group = text.split(f"# {level}", 1)[1].split("\n# ", 1)[0]
    return re.findall(r"^([\w.-]+)==([\w.+-]+)", group, re.M)


def licence_of(found: Distribution) -> str:
    """By the SPDX expression, else the classifiers, else the first line of what its author wrote."""
    about = found.metadata
    said = about.get("License-Expression")
    classified = [name.split(" :: ")[-1] for name in about.get_all("Classifier") or () if name.startswith("License ::")]
    return said or ", ".join(classified) or (about.get("License") or "not said").strip().splitlines()[0][:60]


def home_of(found: Distribution) -> str:
    addresses = {
        label.strip().lower(): address.strip()
        for label, _, address in (one.partition(",") for one in found.metadata.get_all("Project-URL") or ())
    }
    labels = ("homepage", "home", "source", "source code", "repository", "github", "documentation")
    named = (addresses[one] for one in (*labels, *addresses) if one in addresses)
    return found.metadata.get("Home-page") or next(named, "")


def notices() -> str:
    rows = [
        f"| {name} | {version} | {licence_of(found)} | {home_of(found)} |"
        for name, version in pinned()
        for found in (distribution(name),)
    ]
    return HEAD + "\n".join(rows) + "\n" + CARRIED


if __name__ == "__main__":
    made = notices()
    if "--write" in sys.argv:
        (HERE / "NOTICES.md").write_text(made, encoding="utf-8")
    else:
        print(made, end="")
