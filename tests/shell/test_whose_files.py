"""Every file that curewatch makes is its owner's alone, and what root makes belongs to whom the folder belongs."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

import pytest

from curewatch.cli import main
from curewatch.store import Store

SERVICE = 61_234
"""A user as systemd gives one to a service (nobody's here)."""
needs_root = pytest.mark.skipif(os.geteuid() != 0, reason="giving files away needs root's rights")


@contextmanager
def umask(mask: int) -> Iterator[None]:
    before = os.umask(mask)
    try:
        yield
    finally:
        os.umask(before)


def kept(folder: Path) -> dict[str, tuple[int, int, int]]:
    """Of every file and folder beneath: its mode, user and group."""
    found = {}
    for path in sorted(folder.rglob("*")):
        is_ = path.lstat()
        found[str(path.relative_to(folder))] = (stat.S_IMODE(is_.st_mode), is_.st_uid, is_.st_gid)
    return found


def a_life(folder: Path) -> None:
    """What commands do to a store: made, written to, backed up, corrected, brought back, held by a daemon."""
    store = folder / "deep" / "studio.sqlite"
    for line in (
        "reading --room Shed --temperature 19C --humidity 55%",
        "pour Curlew --room Shed --wet-thickness 1mm",
        "backup",
        f"backup --to {folder / 'copy.sqlite'}",
        "feel Curlew tacky",
        "undo Curlew",
        "restore",
    ):
        assert main(["--store", str(store), *line.split()]) == 0, line
    with Store.open(store) as opened, opened.lock_for_daemon(), opened.write() as tx:
        tx.set_meta("still", "open")
        names = set(kept(folder / "deep"))
    assert {"studio.sqlite", "studio.sqlite-wal", "studio.sqlite-shm", "studio.sqlite.lock", "backups"} <= names


@pytest.mark.parametrize("mask", [0o000, 0o022, 0o077])
def test_nobody_else_reads_what_is_made_whatever_the_umask(tmp_path: Path, mask: int) -> None:
    with umask(mask):
        a_life(tmp_path)
        found = kept(tmp_path)
        open_ = {name for name, (mode, *_) in found.items() if mode & 0o077}
    assert open_ == set()
    assert any("before-restore" in name for name in found), "what was set aside, too"


def test_a_store_of_before_that_others_could_read_is_set_aside_as_its_owners_alone(tmp_path: Path) -> None:
    path = tmp_path / "studio.sqlite"
    with Store.open(path) as store:
        made = store.back_up(datetime(2026, 11, 20, tzinfo=UTC))
    path.chmod(0o644)
    assert main(["--store", str(path), "restore", str(made.path)]) == 0
    (aside,) = tmp_path.glob("*before-restore*")
    assert stat.S_IMODE(aside.stat().st_mode) == 0o600


@needs_root
def test_what_root_makes_is_the_services_to_open(tmp_path: Path) -> None:
    os.chown(tmp_path, SERVICE, SERVICE)
    a_life(tmp_path)
    assert {name: owner for name, (_, *owner) in kept(tmp_path).items() if owner != [SERVICE, SERVICE]} == {}


@needs_root
def test_a_store_keeps_its_owner_in_a_folder_of_another(tmp_path: Path) -> None:
    path, away = tmp_path / "studio.sqlite", tmp_path / "away"
    with Store.open(path):
        pass
    os.chown(path, SERVICE, SERVICE)
    with Store.open(path, backups=away) as store:
        store.back_up(datetime(2026, 11, 20, tzinfo=UTC))
    assert main(["--store", str(path), "restore", str(next(away.iterdir()))]) == 0
    assert path.stat().st_uid == SERVICE
    assert {owner for _, owner, _ in kept(away).values()} | {away.stat().st_uid} == {SERVICE}
