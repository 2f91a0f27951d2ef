"""What a power cut leaves: everything that was acknowledged, and nothing by half. The long run: bench_power."""

from __future__ import annotations

import random

from tests.shell.power_cuts import campaign
from tests.shell.power_disk import Op, left_over

SEED = 20261125


def test_no_power_cut_loses_or_spoils_what_was_acknowledged() -> None:
    tally = campaign(rounds=2, cuts=15, seed=SEED, facts=60)
    print(tally)
    assert (tally.cuts, tally.lost, tally.corrupt, tally.said) == (30, 0, 0, [])
    assert tally.acknowledged > 30 * 20


def test_the_same_cuts_find_it_out_where_the_store_syncs_less() -> None:
    """NORMAL leaves the last commits unsynced; OFF lets the log be cleared before the main file has what it held."""
    normal = campaign(rounds=1, cuts=30, seed=SEED, synchronous="NORMAL", facts=60)
    off = campaign(rounds=1, cuts=30, seed=SEED, synchronous="OFF", facts=60)
    print(normal.lost, off.lost, off.corrupt)
    assert normal.lost > 0
    assert off.lost > 0
    assert off.corrupt > 0


def test_the_disk_keeps_its_promises_and_no_others() -> None:
    written = [Op("write", "a", 0, b"old" * 512), Op("sync", "a"), Op("write", "a", 512, b"NEW!" * 256)]
    found = {left_over({}, written, random.Random(seed))["a"] for seed in range(200)}
    assert all(content[:512] == (b"old" * 512)[:512] for content in found), "what was synced"
    middles = {content[512:1536] for content in found}
    assert (b"old" * 512)[512:1536] in middles, "dropped"
    assert b"NEW!" * 256 in middles, "kept"
    assert len(middles) == 4, "torn, sector by sector"
    never_synced = [Op("write", "b", 0, b"x")]
    assert {"b" in left_over({}, never_synced, random.Random(seed)) for seed in range(50)} == {True, False}
    deleted = [Op("write", "c", 0, b"x"), Op("sync", "c"), Op("unlink", "c")]
    assert {"c" in left_over({}, deleted, random.Random(seed)) for seed in range(50)} == {True, False}
    assert left_over({}, [*deleted[:2], Op("delete", "c")], random.Random(0)) == {}
