"""Studios as they may be, however odd: hard names, texts, times and numbers, for hypothesis to draw."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from datetime import UTC
from typing import Any

from hypothesis import strategies as st

from curewatch.desk import Desk
from curewatch.desk.transfer.exporting import KINDS
from curewatch.records import Notice, Piece, Pour, Reading, Recipe, Record, Room, Stay, ThicknessSource
from curewatch.records.corrections import Change, Correction
from curewatch.records.facts import Observation
from curewatch.records.workshop import Part, RecipeMix
from tests.shell.moved_studio import LATER

NAMES = st.text(st.characters(exclude_categories=["Cs", "Cc"]), min_size=1, max_size=12) | st.sampled_from(
    ["=1+1", "'", "''=x", "'t Zand", "-", "@", "+3", "\uff1dx", 'a"b', "a,b;c", " x ", "\u2028", "0", "007", "ﬁn 帆"]
)
TEXTS = st.text(st.characters(exclude_categories=["Cs"]), max_size=30) | st.sampled_from(
    ["", "\t=x", "\r", "\n", "a\r\nb", "a\rb", '"', "'"]
)
MOMENTS = st.datetimes(timezones=st.just(UTC))
DATA = st.dictionaries(
    TEXTS.map(lambda text: text[:20]),
    st.recursive(
        st.none() | st.booleans() | st.integers(-(10**18), 10**18) | st.floats(allow_nan=False, allow_infinity=False)
        | TEXTS.map(lambda text: text[:40]),
        lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from("ab/~0"), inner, max_size=3),
        max_leaves=12,
    ),
    max_size=4,
)  # fmt: skip


def within(low: float, high: float) -> st.SearchStrategy[float]:
    return st.floats(low, high)


@st.composite
def studios(draw: st.DrawFn) -> dict[str, list[Any]]:
    """Records of each kind whose values are the hard ones, and readings."""
    rooms = draw(st.lists(NAMES, min_size=1, max_size=3, unique=True))
    recipes = draw(st.lists(NAMES, min_size=1, max_size=3, unique=True))
    ids = draw(st.lists(st.integers(1, 2**63 - 1), max_size=3, unique=True))
    room, recipe, maybe = st.sampled_from(rooms), st.sampled_from(recipes), st.none() | MOMENTS
    maybe_json = st.none() | DATA.map(json.dumps)
    parts = st.lists(st.builds(Part, material=NAMES, amount=within(5e-324, 1000)), min_size=1, max_size=3)
    return {
        "rooms": [Room(name=name) for name in rooms],
        "recipes": [Recipe(name=name, solids=draw(within(0.05, 0.7)), stated=draw(st.booleans())) for name in recipes],
        "mixes": [RecipeMix(recipe=one, by_weight=True, parts=tuple(draw(parts))) for one in recipes[:2]],
        "pieces": [Piece(id=i, name=draw(NAMES), created_at=draw(MOMENTS), gone_at=LATER) for i in ids],
        "stays": [
            Stay(piece_id=i, room=draw(room), place=draw(st.none() | NAMES), since=draw(MOMENTS)) for i in ids
        ],
        "pours": [
            Pour(piece_id=i, at=draw(MOMENTS), wet_thickness_m=draw(within(20e-6, 10e-3)), recipe=draw(recipe),
                 thickness_source=draw(st.sampled_from(ThicknessSource)), width_m=draw(st.none() | within(0.02, 5)),
                 round=draw(st.booleans())) for i in ids
        ],
        "observations": [
            Observation(id=n, piece_id=i, at=draw(MOMENTS), kind="surface", surface_c=draw(within(-30, 60)))
            for n, i in enumerate(ids, 1)
        ],
        "corrections": [
            Correction(id=n, kind="pour", logged_at=draw(MOMENTS), name=draw(NAMES), piece_id=i)
            for n, i in enumerate(ids, 1)
        ],
        "changes": [
            Change(correction_id=n, number=0, table=draw(NAMES), was=draw(maybe_json), now=json.dumps(draw(DATA)))
            for n, _ in enumerate(ids, 1)
        ],
        "notices": [
            Notice(key=key, kind="test", created_at=draw(MOMENTS), title=draw(TEXTS), text=draw(TEXTS), data=draw(DATA),
                   expires_at=draw(maybe), room=draw(st.none() | room))
            for key in draw(st.lists(NAMES, max_size=3, unique=True))
        ],
        "readings": [
            Reading(room=draw(room), at=draw(MOMENTS), temp_c=draw(within(-60, 90)), source=draw(TEXTS),
                    rh_pct=draw(st.none() | within(0, 100)), received_at=draw(MOMENTS), retained=draw(st.booleans()),
                    battery_pct=draw(st.none() | within(0, 100)))
            for _ in range(draw(st.integers(0, 6)))
        ],
    }  # fmt: skip


def put(desk: Desk, records: Mapping[str, Sequence[Record]], readings: Sequence[Any]) -> None:
    with desk.store.write() as tx:
        for kind in KINDS:
            tx.import_facts(kind, records.get(kind, ()))
        tx.add_readings(readings)
