"""Builds the wheel and tries it away from the checkout; run by deploy/check.

A wheel can lack a file that every test finds in the checkout. So: build from a copy of what git would commit,
compare the wheel with that copy, install it into an empty folder, and use it there. The source distribution is
unpacked, and some of the tests that it brings are run out of it.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tarfile
import tempfile
import zipfile
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent

NOTICES = ("LICENSE", "NOTICES.md")
"""What says under which licences it and what it depends on are."""
OF_SOURCE = ("tests/core/test_settings.py", "tests/core/test_physics_air.py", "tests/shell/test_store_facts.py")
OPEN_A_STORE = """
import pathlib, sys, curewatch
from curewatch.store import Store
assert pathlib.Path(curewatch.__file__).is_relative_to(sys.argv[1]), curewatch.__file__
Store.open(pathlib.Path(sys.argv[2])).close()
"""
"""Runs every migration out of the wheel, which the folder of them must have reached."""


def files_to_commit() -> list[str]:
    """Tracked and new files, without what .gitignore names: no stale build/ folder gets into the wheel."""
    # A clone may belong to someone else than the root who checks it; git would refuse it without this.
    git = ["git", "-C", str(ROOT), "-c", f"safe.directory={ROOT}"]
    listed = subprocess.check_output([*git, "ls-files", "-coz", "--exclude-standard"], text=True)
    names = sorted(set(listed.split("\0")) - {""})
    return [name for name in names if os.path.lexists(ROOT / name)]


def copy_files(names: list[str], to: Path) -> None:
    for name in names:
        (to / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy2(ROOT / name, to / name, follow_symlinks=False)


def expected_in_wheel(names: list[str]) -> set[str]:
    """All of curewatch/, and config/ under the name that curewatch/_config points at."""
    expected = set()
    for name in names:
        if name.startswith("curewatch/") and not (ROOT / name).is_symlink():
            expected.add(name)
        elif name.startswith("config/"):
            expected.add(f"curewatch/_config/{name.removeprefix('config/')}")
    return expected


def unexpected(contents: set[str]) -> set[str]:
    return {name for name in contents if name.split("/")[0] != "curewatch" and ".dist-info/" not in name}


def pip(*arguments: str | Path) -> None:
    subprocess.run([sys.executable, "-m", "pip", *arguments], check=True)


def try_it(site: Path, workplace: Path) -> None:
    """Imports, migrates a store and runs the command, with nothing of the checkout in reach."""
    here = {**os.environ, "PYTHONPATH": str(site), "HOME": str(workplace)}
    store = workplace / "store.sqlite"
    subprocess.run([sys.executable, "-c", OPEN_A_STORE, str(site), str(store)], cwd=workplace, env=here, check=True)
    command = [str(site / "bin" / "curewatch"), "--help"]
    subprocess.run(command, cwd=workplace, env=here, check=True, stdout=subprocess.DEVNULL)


def try_source(source: Path, folder: Path) -> str:
    """The source distribution's name, once some of its own tests have passed away from the checkout."""
    make = "import sys; sys.path.insert(0, 'deploy'); import _build; _build.build_sdist(sys.argv[1])"
    subprocess.run([sys.executable, "-c", make, str(folder)], cwd=source, check=True, stdout=subprocess.DEVNULL)
    (packed,) = folder.glob("*.tar.gz")
    with tarfile.open(packed) as opened:
        opened.extractall(folder, filter="data")
    tree = folder / packed.name.removesuffix(".tar.gz")
    here = {**os.environ, "PYTHONPATH": str(tree)}
    asked = "import curewatch, pathlib, sys; sys.exit(not pathlib.Path(curewatch.__file__).is_relative_to(sys.argv[1]))"
    for command in (("-c", asked, str(tree)), ("-m", "pytest", "-q", "-p", "no:cacheprovider", *OF_SOURCE)):
        subprocess.run([sys.executable, *command], cwd=tree, env=here, check=True, stdout=subprocess.DEVNULL)
    return packed.name


def main() -> int:
    with tempfile.TemporaryDirectory(prefix="curewatch-wheel-") as folder:
        source, built, site, workplace = (Path(folder) / name for name in ("source", "built", "site", "work"))
        workplace.mkdir()
        try:
            names = files_to_commit()
            copy_files(names, source)
            pip("wheel", "--quiet", "--no-deps", "--no-build-isolation", "--wheel-dir", built, source)
            (wheel,) = built.glob("*.whl")
            with zipfile.ZipFile(wheel) as opened:
                contents = set(opened.namelist())
                for one in sorted(opened.infolist(), key=lambda one: one.filename) if "--list" in sys.argv else ():
                    print(f"{one.file_size:9} {one.filename}")
            missing = sorted(expected_in_wheel(names) - contents)
            told = {one.rsplit("/", 1)[-1] for one in contents if "/licenses/" in one}
            missing += sorted(set(NOTICES) - told)
            stray = sorted(unexpected(contents))
            for name in missing:
                print(f"not in {wheel.name}: {name}")
            for name in stray:
                print(f"does not belong in {wheel.name}: {name}")
            pip("install", "--quiet", "--no-deps", "--target", site, wheel)
            try_it(site, workplace)
            packed = try_source(source, Path(folder))
        except (OSError, subprocess.CalledProcessError) as problem:
            print(f"The wheel was not made or does not work: {problem}")
            return 1
        print(f"{wheel.name}: {len(contents)} files, {wheel.stat().st_size / 1024:.0f} KiB; {packed} tests itself")
    return 1 if missing or stray else 0


if __name__ == "__main__":
    sys.exit(main())
