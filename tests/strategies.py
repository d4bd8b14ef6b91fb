"""Hypothesis strategies for all rooms: outlines, dies, plans, batch files.

Every shape drawn here is valid and rings run as RFC 7946 asks (outer counter-clockwise, holes
clockwise), so that a plan written and read back is equal, not only equivalent.
"""

from __future__ import annotations

import math
from typing import Any

from hypothesis import strategies as st
from shapely.affinity import translate
from shapely.geometry import LineString, MultiPolygon, Polygon, box
from shapely.geometry.polygon import orient

from nestcut.batch.model import Card, CardLine, Die, Evening, Hand, Machine, Paper, Pose, Scrap
from nestcut.plan.model import (
    Bound,
    Cut,
    DemandMet,
    KitPacking,
    Layup,
    PaperOnPlate,
    Pass,
    Plan,
    Remnant,
    Share,
    Shortage,
    Slot,
    Totals,
    Trim,
)

__all__ = [
    "dies",
    "json_values",
    "mm",
    "multi_outlines",
    "names",
    "outlines",
    "plans",
    "poses",
    "prose",
]


def mm(least: float = 0.0, most: float = 1000.0) -> st.SearchStrategy[float]:
    """Finite lengths, mm, with all the digits a float can have."""
    return st.floats(least, most, allow_nan=False, allow_infinity=False, allow_subnormal=False)


_PRINTABLE = st.characters(exclude_categories=("Cc", "Cs"))


def names() -> st.SearchStrategy[str]:
    """Names as people give them, with the odd one that wants escaping."""
    plain = st.sampled_from(
        [
            "campion",
            "speedwell",
            "dog-rose",
            "Blatt 3",
            "été",
            "叶",
            'a "big" one',
            "<b>&amp;",
            "a|b",
            "x\\y",
            "#1",
        ]
    )
    return plain | st.text(_PRINTABLE, min_size=1, max_size=12).filter(lambda text: bool(text.strip()))


def prose() -> st.SearchStrategy[str]:
    """Text of several lines."""
    return st.text(_PRINTABLE | st.sampled_from("\n\t"), max_size=60)


@st.composite
def outlines(
    draw: st.DrawFn, *, least_mm: float = 4.0, most_mm: float = 60.0, holes: bool = True, corners: int = 12
) -> Polygon:
    """A star-shaped polygon around (0, 0), often with a hole in the middle.

    Star-shaped rings never cross themselves, and a hole scaled down from its own outer ring lies inside.
    """
    count = draw(st.integers(3, corners))
    outer = [draw(mm(least_mm / 2, most_mm / 2)) for _ in range(count)]
    start = draw(mm(0.0, 360.0))
    angles = [math.radians(start + 360.0 * i / count) for i in range(count)]
    ring = [(r * math.cos(a), r * math.sin(a)) for r, a in zip(outer, angles, strict=True)]
    hole_rings = []
    if holes and draw(st.booleans()):
        share = draw(st.floats(0.1, 0.8))
        hole_rings.append([(x * share, y * share) for x, y in ring])
    return orient(Polygon(ring, hole_rings), 1.0)


@st.composite
def multi_outlines(draw: st.DrawFn) -> MultiPolygon:
    """Two or three parts side by side that do not touch."""
    count = draw(st.integers(2, 3))
    parts = [draw(outlines(most_mm=20.0)) for _ in range(count)]
    return MultiPolygon([translate(part, 25.0 * i, 0.0) for i, part in enumerate(parts)])


@st.composite
def poses(draw: st.DrawFn) -> Pose:
    """Any pose, quarter turns often."""
    deg = draw(st.sampled_from([0.0, 90.0, 180.0, 270.0, -0.0]) | mm(-360.0, 360.0))
    return Pose(draw(mm(-300.0, 300.0)), draw(mm(-300.0, 300.0)), deg)


@st.composite
def dies(draw: st.DrawFn, name: str) -> Die:
    """A die whose rim is the box around its cut, grown a little."""
    cut = draw(outlines() | multi_outlines())
    left, top, right, low = cut.bounds
    rim = orient(box(left - 1.6, top - 1.6, right + 1.6, low + 1.6), 1.0)
    marks = draw(st.booleans())
    return Die(
        name=name,
        cut=cut,
        rim=rim,
        copies=draw(st.integers(1, 3)),
        turns=draw(st.just("any") | st.lists(mm(-360, 360), min_size=1, max_size=4).map(tuple)),
        trips=draw(st.integers(1, 2)),
        marks=(LineString([(0.0, 0.0), (draw(mm(1, 5)), draw(mm(1, 5)))]),) if marks else (),
    )


def json_values() -> st.SearchStrategy[Any]:
    """Plain JSON values, for ``proof`` and ``extras``."""
    leaves = (
        st.none()
        | st.booleans()
        | st.integers(-(10**15), 10**15)
        | st.floats(allow_nan=False, allow_infinity=False)
        | prose()
    )
    keys = st.text(_PRINTABLE, max_size=8)
    return st.recursive(
        leaves,
        lambda inner: st.lists(inner, max_size=3) | st.dictionaries(keys, inner, max_size=3),
        max_leaves=8,
    )


@st.composite
def plans(draw: st.DrawFn) -> Plan:
    """A plan of the right form, references included; its geometry obeys no rule of the plate."""
    count = st.integers(0, 10**6)
    some_names = st.lists(names(), min_size=1, max_size=3, unique=True)
    paper_names = draw(some_names)
    die_names = draw(some_names)
    scrap_ids = draw(some_names)
    die_of, paper_of = st.sampled_from(die_names), st.sampled_from(paper_names)
    part_ids = [f"{scrap_ids[0]} part {i}" for i in range(draw(st.integers(0, 2)))]
    on_plate = st.sampled_from(scrap_ids + part_ids)
    share = st.builds(Share, die_of, paper_of, count)
    shares = st.lists(share, max_size=3).map(tuple)
    layup_ids = draw(st.lists(st.sampled_from("ABCDE"), min_size=1, max_size=3, unique=True))
    layups = tuple(
        Layup(one, tuple(draw(st.lists(st.builds(Slot, die_of, poses()), max_size=3)))) for one in layup_ids
    )
    slot_numbers = st.integers(0, 3)
    plate = (draw(mm(50, 400)), draw(mm(50, 400)))
    subset = st.lists(die_of, min_size=1, max_size=2, unique=True).map(tuple)
    papers_subset = st.lists(paper_of, min_size=1, max_size=2, unique=True).map(tuple)
    line = st.builds(CardLine, subset, papers_subset, st.integers(1, 99))
    return Plan(
        title=draw(st.just("") | names()),
        complete=draw(st.booleans()),
        machine=Machine(
            plate_mm=plate,
            clear_mm=draw(mm(0, 20)),
            dies=draw(st.sampled_from(["over", "under"])),
            overhang_mm=draw(mm(0, 200)),
            seconds_per_pass=draw(mm(0, 600)),
            seconds_per_die=draw(mm(0, 600)),
            seconds_per_trim=draw(mm(0, 600)),
            load_limit_mm=draw(st.none() | mm(1, 1000)),
        ),
        hand=Hand(
            draw(mm(0, 5)),
            draw(mm(0, 5)),
            draw(mm(0, 5)),
            draw(st.sampled_from(["square", "any"])),
            draw(st.sampled_from(["none", "straight", "scissors"])),
        ),
        papers=tuple(
            Paper(
                name,
                draw(st.none() | st.from_regex(r"#(?:[0-9a-f]{3}|[0-9A-F]{6})", fullmatch=True)),
                draw(st.sampled_from(["none", "stripe", "up"])),
                draw(st.booleans()),
            )
            for name in paper_names
        ),
        dies=tuple(draw(dies(name)) for name in die_names),
        scraps=tuple(Scrap(one, draw(paper_of), draw(outlines())) for one in scrap_ids),
        trims=(Trim(scrap_ids[0], tuple((part, draw(outlines())) for part in part_ids)),) if part_ids else (),
        demand=tuple(
            draw(
                st.lists(
                    st.builds(DemandMet, names(), subset, papers_subset, count, count, count, shares),
                    max_size=2,
                )
            )
        ),
        layups=layups,
        passes=tuple(
            Pass(
                number,
                draw(st.sampled_from(layup_ids)),
                tuple(draw(st.lists(st.builds(PaperOnPlate, on_plate, poses(), st.booleans()), max_size=2))),
                tuple(draw(st.lists(st.builds(Cut, slot_numbers, on_plate), max_size=2))),
            )
            for number in range(1, draw(st.integers(1, 4)))
        ),
        bound=Bound(draw(count), draw(prose())),
        totals=Totals(*(draw(count) for _ in range(5)), minutes=draw(mm(0, 1e5))),
        remnants=tuple(
            draw(
                st.lists(
                    st.builds(Remnant, on_plate, outlines() | multi_outlines() | st.just(Polygon())),
                    max_size=2,
                )
            )
        ),
        short=tuple(
            draw(
                st.lists(
                    st.builds(
                        Shortage,
                        st.none() | paper_of,
                        subset | st.just(()),
                        count,
                        mm(0, 1e6),
                        st.dictionaries(st.sampled_from(["A4", "letter"]), count),
                        st.booleans(),
                        prose(),
                    ),
                    max_size=2,
                )
            )
        ),
        kits=draw(count),
        cards=tuple(
            draw(
                st.lists(
                    st.builds(Card, names(), st.integers(1, 9), st.lists(line, max_size=2).map(tuple)),
                    max_size=2,
                )
            )
        ),
        packing=tuple(
            draw(
                st.lists(st.builds(KitPacking, count, count, names(), st.integers(1, 9), shares), max_size=2)
            )
        ),
        evening=Evening(
            draw(st.none() | st.from_regex(r"(?:[01][0-9]|2[0-3]):[0-5][0-9]", fullmatch=True)),
            draw(st.integers(0, 50)),
            draw(mm(0, 60)),
        ),
        proof=draw(st.dictionaries(st.text(_PRINTABLE, max_size=8), json_values(), max_size=3)),
        extras=draw(st.dictionaries(st.text(_PRINTABLE, max_size=8), json_values(), max_size=3)),
        notes=tuple(draw(st.lists(prose(), max_size=2))),
    )
