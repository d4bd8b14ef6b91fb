"""Hypothesis strategies for all rooms: outlines, dies, plans, batch files.

Every shape drawn here is valid and rings run as RFC 7946 asks (outer counter-clockwise, holes
clockwise), so that a plan written and read back is equal, not only equivalent.
"""

from __future__ import annotations

import json
import math
import unicodedata
from dataclasses import fields
from typing import Any

from hypothesis import strategies as st
from shapely.affinity import translate
from shapely.geometry import LineString, MultiPolygon, Polygon, box
from shapely.geometry.polygon import orient

from nestcut.batch.model import Card, CardLine, Die, Evening, Hand, HandSeconds, Machine, Paper, Pose, Scrap
from nestcut.plans.model import (
    Actions,
    Bound,
    BrokenDie,
    Cut,
    DemandMet,
    KitPacking,
    Layup,
    MissedCut,
    Missing,
    PaperOnPlate,
    Pass,
    PassClock,
    Plan,
    Remnant,
    Share,
    Shortage,
    Slot,
    SpoiltPaper,
    Totals,
    Trim,
)

__all__ = [
    "batch_tables",
    "dies",
    "hand_seconds",
    "json_values",
    "mm",
    "multi_outlines",
    "names",
    "outlines",
    "plans",
    "poses",
    "prose",
    "toml_text",
]


def mm(least: float = 0.0, most: float = 1000.0) -> st.SearchStrategy[float]:
    """Finite lengths, mm, with all the digits a float can have."""
    return st.floats(least, most, allow_nan=False, allow_infinity=False, allow_subnormal=False)


SECONDS = [one.name for one in fields(HandSeconds) if one.name not in ("pace", "dies")]


def hand_seconds() -> st.SearchStrategy[HandSeconds]:
    """Any seconds, any pace, dies held or loose."""
    return st.builds(
        HandSeconds,
        **{name: mm(0, 600) for name in SECONDS},
        pace=mm(0.1, 10),
        dies=st.sampled_from(["held", "loose"]),
    )


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
    old = draw(st.booleans())
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
            load_limit_mm=draw(st.none() | mm(1, 1000)),
        ),
        hand=Hand(
            draw(mm(0, 5)),
            draw(mm(0, 5)),
            draw(mm(0, 5)),
            draw(st.sampled_from(["square", "any"])),
            draw(st.sampled_from(["none", "straight", "scissors"])),
            HandSeconds() if old else draw(hand_seconds()),
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
        totals=Totals(
            *(draw(count) for _ in range(5)),
            minutes=draw(mm(0, 1e5)),
            actions=Actions() if old else draw(st.builds(Actions, *([count] * 13), mm(0, 1e5))),
        ),
        pass_clock=draw(st.builds(PassClock, mm(0, 600), mm(0, 600), mm(0, 600))) if old else None,
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
                        st.lists(
                            st.builds(Missing, st.integers(1, 9), st.sampled_from(die_names), count),
                            max_size=2,
                        ).map(tuple),
                        st.sampled_from(
                            [{}, {"by": "area"}, {"by": "capacity", "dies": {"a": [{"most": 1}]}}]
                        ),
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
        done=draw(count),
        missed=tuple(draw(st.lists(st.builds(MissedCut, st.integers(1, 99), count), max_size=2))),
        spoilt=tuple(draw(st.lists(st.builds(SpoiltPaper, names(), count), max_size=2))),
        broken=tuple(draw(st.lists(st.builds(BrokenDie, names(), count), max_size=2))),
    )


def _batch_names(least: int = 1, most: int = 3) -> st.SearchStrategy[list[str]]:
    """Names that a batch file takes: no blanks at the ends, nothing invisible, different in NFC."""
    letters = st.characters(exclude_categories=("Cc", "Cs", "Cf", "Zl", "Zp", "Zs", "Cn"))
    one = st.sampled_from(["red", "dog-rose", "Blatt 3", "été", "叶", 'a "big" one', "x\\y", "#1"]) | st.text(
        letters, min_size=1, max_size=10
    ).filter(lambda name: 0 < len(unicodedata.normalize("NFC", name).strip()) <= 40)
    return st.lists(
        one.map(lambda name: unicodedata.normalize("NFC", name)), min_size=least, max_size=most, unique=True
    ).filter(lambda found: all(unicodedata.normalize("NFC", name) == name for name in found))


@st.composite
def batch_tables(draw: st.DrawFn) -> dict[str, Any]:
    """The tables of a good batch file, as plain values: everything may be left out that may be.

    Plates and scraps are large and dies small, so that everything fits; scraps are boxes of whole tenths of mm.
    """
    papers, dies = draw(_batch_names()), draw(_batch_names())
    card_names = draw(_batch_names(1, 2))
    size = st.integers(100, 900).map(lambda tenths: tenths / 10)
    pair = st.lists(size, min_size=2, max_size=2)
    # A die of 90 × 90 mm with an edge of 5 mm lies in 140 × 140 mm at any turn.
    large = st.integers(1400, 2500).map(lambda tenths: tenths / 10)
    large_pair = st.lists(large, min_size=2, max_size=2)
    some_papers = st.lists(st.sampled_from(papers), min_size=1, max_size=3, unique=True)
    some_dies = st.lists(st.sampled_from(dies), min_size=1, max_size=3, unique=True)

    def table(required: dict[str, Any], optional: dict[str, st.SearchStrategy[Any]]) -> dict[str, Any]:
        chosen = dict(required)
        for key, values in optional.items():
            if draw(st.booleans()):
                chosen[key] = draw(values)
        return chosen

    def piece() -> dict[str, Any]:
        which = draw(some_dies)
        found: dict[str, Any] = {"die": which[0]} if draw(st.booleans()) else {"any_of": which}
        paper = draw(some_papers)
        found.update({"paper": paper[0]} if draw(st.booleans()) else {"papers": paper})
        return table(found, {"count": st.integers(1, 50)})

    data: dict[str, Any] = table({}, {"title": _batch_names(1, 1).map(lambda found: found[0])})
    data["machine"] = table(
        {"plate": [draw(mm(250, 400)), draw(mm(250, 400))]},
        {
            "clear": mm(0, 10),
            "dies": st.sampled_from(["over", "under"]),
            "overhang": mm(0, 200),
            "load_limit": mm(1, 500),
        },
    )
    data["hand"] = table(
        {},
        {
            "web": mm(0, 5),
            "edge": mm(0, 5),
            "gap": mm(0, 5),
            "papers": st.sampled_from(["square", "any"]),
            "trims": st.sampled_from(["none", "straight", "scissors"]),
            "dies": st.sampled_from(["held", "loose"]),
            "pace": mm(0.5, 2),
            "seconds": st.dictionaries(st.sampled_from(SECONDS), mm(0, 600) | st.integers(0, 60)),
        },
    )
    data["papers"] = {
        name: table(
            {},
            {
                "swatch": st.from_regex(r"#[0-9a-f]{6}", fullmatch=True),
                "direction": st.sampled_from(["none", "stripe", "up"]),
                "both_sides": st.booleans(),
            },
        )
        for name in papers
    }
    data["scraps"] = [
        table(
            {"paper": draw(st.sampled_from(papers)), "size": draw(large_pair)},
            {"count": st.integers(1, 4), "id": st.just(f"scrap {number}")},
        )
        for number in range(draw(st.integers(0, 3)))
    ]
    data["dies"] = {
        name: table(
            draw(st.sampled_from([{"circle": draw(size)}, {"rectangle": draw(pair)}, {"oval": draw(pair)}])),
            {
                "copies": st.integers(1, 5),
                "rim": mm(0, 4),
                "turns": st.just("any") | st.lists(st.integers(0, 359), min_size=1, max_size=3, unique=True),
                "trips": st.integers(1, 3),
                "mirror": st.booleans(),
            },
        )
        for name in dies
    }
    data["cards"] = [
        table(
            {"name": name, "pieces": [piece() for _ in range(draw(st.integers(1, 3)))]},
            {"count": st.integers(1, 9)},
        )
        for name in card_names
    ]
    data["class"] = table(
        {},
        {
            "kits": st.integers(1, 500),
            "spares": st.integers(0, 9) | st.integers(0, 50).map(lambda n: f"{n} %"),
        },
    )
    return data


def toml_text(data: dict[str, Any]) -> str:
    """Plain values as TOML 1.0, written for the tests: inline tables inside, headers outside."""
    lines = [
        f"{_toml_key(key)} = {_toml(value)}"
        for key, value in data.items()
        if not isinstance(value, (dict, list))
    ]
    for key, value in data.items():
        if key in ("papers", "dies"):
            for name, inner in value.items():
                lines.append(f"[{key}.{_toml_key(name)}]")
                lines += [f"{_toml_key(one)} = {_toml(two)}" for one, two in inner.items()]
        elif isinstance(value, dict):
            lines.append(f"[{_toml_key(key)}]")
            lines += [f"{_toml_key(one)} = {_toml(two)}" for one, two in value.items()]
        elif isinstance(value, list):
            for inner in value:
                lines.append(f"[[{_toml_key(key)}]]")
                lines += [f"{_toml_key(one)} = {_toml(two)}" for one, two in inner.items()]
    return "\n".join(lines) + "\n"


def _toml_key(key: str) -> str:
    return json.dumps(key, ensure_ascii=False)


def _toml(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{_toml_key(key)} = {_toml(one)}" for key, one in value.items()) + " }"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, list):
        return "[" + ", ".join(_toml(item) for item in value) + "]"
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{_toml_key(key)} = {_toml(item)}" for key, item in value.items()) + " }"
    return repr(value)
