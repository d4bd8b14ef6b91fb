"""Small valid plans, drawn by hand, for the checker to find valid and for the tests to damage.

Every one sits exactly on its limits somewhere (gap, web, edge, window, papers side by side): exact
touching is the normal case in a tight lay-up. Totals and remnants are worked out here by plain loops, with
shapely's own affine functions and not the checker's.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

from shapely.affinity import rotate, scale, translate
from shapely.geometry import MultiPolygon, Point, Polygon, box
from shapely.ops import unary_union

from nestcut.batch.model import Card, CardLine, Die, Hand, Machine, Paper, Pose, Scrap
from nestcut.hands import evening_actions, minutes_of
from nestcut.plans.model import (
    Bound,
    Cut,
    DemandMet,
    KitPacking,
    Layup,
    Missing,
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


def rectangle_die(name: str, width: float, height: float, rim: float = 1.5, **kw: object) -> Die:
    """A rectangular die, centred, with the same rim all around."""
    w, h = width / 2, height / 2
    return Die(name, box(-w, -h, w, h), box(-w - rim, -h - rim, w + rim, h + rim), **kw)  # type: ignore[arg-type]


def lying(paper: str, x: float, y: float, deg: float = 0.0, flipped: bool = False) -> PaperOnPlate:
    return PaperOnPlate(paper, Pose(x, y, deg), flipped)


def moved(shape: object, pose: Pose) -> object:
    return translate(rotate(shape, pose.deg, origin=(0, 0)), pose.x_mm, pose.y_mm)


def back_in_scrap(shape: object, paper: PaperOnPlate) -> object:
    """From the plate's frame into the scrap's: the pose undone, then the flip."""
    pose = paper.pose
    shape = rotate(translate(shape, -pose.x_mm, -pose.y_mm), -pose.deg, origin=(0, 0))
    return scale(shape, xfact=-1, origin=(0, 0)) if paper.flipped else shape


def finished(plan: Plan) -> Plan:
    """The plan with totals and remnants worked out from its passes."""
    dies = {die.name: die for die in plan.dies}
    layups = {layup.id: layup for layup in plan.layups}
    outlines = {scrap.id: scrap.outline for scrap in plan.scraps}
    outlines |= {part: outline for trim in plan.trims for part, outline in trim.into}
    cranks = changes = pieces = 0
    before = None
    gone: dict[str, list[object]] = {}
    for a_pass in plan.passes:
        layup = layups[a_pass.layup]
        if before != layup.id:
            changes, before = changes + 1, layup.id
        down = [dies[layup.slots[cut.slot].die] for cut in a_pass.cuts]
        cranks += max(die.trips for die in down)
        for die, cut in zip(down, a_pass.cuts, strict=True):
            parts = list(die.cut.geoms) if isinstance(die.cut, MultiPolygon) else [die.cut]
            pieces += len(parts)
            paper = next(paper for paper in a_pass.papers if paper.scrap == cut.scrap)
            for part in parts:
                filled = Polygon(part.exterior)
                gone.setdefault(cut.scrap, []).append(
                    back_in_scrap(moved(filled, layup.slots[cut.slot].pose), paper)
                )
    trims = sum(len(trim.into) for trim in plan.trims)
    remnants = tuple(
        Remnant(scrap, outlines[scrap].difference(unary_union(holes))) for scrap, holes in gone.items()
    )
    actions = evening_actions(plan)
    minutes = minutes_of(actions, plan.hand.seconds, plan.machine)
    totals = Totals(len(plan.passes), cranks, changes, trims, pieces, minutes, actions)
    return replace(plan, totals=totals, remnants=remnants)


def make_plan(
    *,
    dies: Sequence[Die],
    scraps: Mapping[str, tuple[str, Polygon]],
    papers: Sequence[Paper],
    layups: Sequence[Layup],
    passes: Sequence[Pass],
    demand: Sequence[DemandMet],
    machine: Machine,
    hand: Hand,
    **more: object,
) -> Plan:
    """A plan with totals, remnants and a bound of 1."""
    return finished(
        Plan(
            title="test",
            complete=all(line.met == line.count for line in demand),
            machine=machine,
            hand=hand,
            papers=tuple(papers),
            dies=tuple(dies),
            scraps=tuple(Scrap(name, paper, outline) for name, (paper, outline) in scraps.items()),
            trims=more.pop("trims", ()),  # type: ignore[arg-type]
            demand=tuple(demand),
            layups=tuple(layups),
            passes=tuple(passes),
            bound=Bound(1, "something must be cut"),
            totals=Totals(0, 0, 0, 0, 0, 0.0),
            remnants=(),
            **more,  # type: ignore[arg-type]
        )
    )


def line(
    card: str,
    dies: Sequence[str],
    papers: Sequence[str],
    count: int,
    by: Sequence[tuple[str, str, int]],
    spares: int = 0,
) -> DemandMet:
    shares = tuple(Share(*share) for share in by)
    met = sum(share.count for share in shares)
    return DemandMet(card, tuple(dies), tuple(papers), count, spares, met, shares)


MACHINE = Machine(plate_mm=(100.0, 120.0), clear_mm=2.0, overhang_mm=50.0)
HAND = Hand(web_mm=2.5, edge_mm=2.0, gap_mm=1.0)


def squares() -> Plan:
    """Two rectangular dies, one red scrap pulled on and one green scrap with a hole; all on the limits.

    Tile (20 × 20.5, rim 23 × 23.5) has its rim flush with the window's corner at (2, 2): its cut spans
    x 3.5 to 23.5, y 3.5 to 24. Bar (10 × 30, rim 13 × 33) has its rim 1 mm to the right of it: 26 to 39,
    its cut spans x 27.5 to 37.5.
    """
    tile, bar = rectangle_die("tile", 20, 20.5), rectangle_die("bar", 10, 30)
    layup = Layup("A", (Slot("tile", Pose(13.5, 13.75)), Slot("bar", Pose(32.5, 18.5))))
    # Red spans x 1 to 25.5: 2 mm from the tile's cut. Pulled on by 23 mm: 2.5 mm between its cuts.
    red = box(0, 0, 24.5, 76)
    green = box(0, 0, 16, 80).difference(box(3, 60, 8, 65))
    passes = [
        # Red sticks out by just the overhang. Green lies over its side from 25 to 25.5, where no rim is.
        Pass(1, "A", (lying("red-1", 1, -50), lying("green-1", 25, 1)), (Cut(0, "red-1"), Cut(1, "green-1"))),
        Pass(2, "A", (lying("red-1", 1, -27),), (Cut(0, "red-1"),)),
        Pass(3, "A", (lying("red-1", 1, -4), lying("green-1", 26, -32)), (Cut(0, "red-1"),)),
    ]
    return make_plan(
        dies=[tile, bar],
        scraps={"red-1": ("red", red), "green-1": ("green", green), "spare-1": ("red", box(0, 0, 30, 30))},
        papers=[Paper("red"), Paper("green", direction="up")],
        layups=[layup],
        passes=passes,
        demand=[
            line("wall", ["tile"], ["red"], 3, [("tile", "red", 3)], spares=1),
            line("wall", ["bar", "tile"], ["green"], 1, [("bar", "green", 1)]),
        ],
        machine=MACHINE,
        hand=HAND,
    )


def circle(radius: float, sides: int = 48) -> Polygon:
    step = 2 * math.pi / sides
    return Polygon([(radius * math.cos(i * step), radius * math.sin(i * step)) for i in range(sides)])


def turned() -> Plan:
    """Papers at any angle, square rims turned by 45° that touch the window, round dies, a flipped paper.

    The lozenge's cut is 20 × 20, rim 22 × 22: turned by 45° its half diagonal is 11·√2.
    """
    half = 11 * math.sqrt(2)
    lozenge = rectangle_die("lozenge", 20, 20, rim=1.0, turns=(0.0, 90.0))
    disc = Die("disc", circle(8), circle(9.5), copies=2)
    wedge = Die(
        "wedge",
        Polygon([(-6, 5), (8, 5), (-6, -7)]),
        Polygon([(-8, 7), (13, 7), (-8, -11)]),
        trips=2,
    )
    layup = Layup(
        "A",
        (
            Slot("lozenge", Pose(2 + half, 2 + half, 45.0)),
            Slot("disc", Pose(60, 20)),
            Slot("disc", Pose(60, 40.0)),  # rims touch but for the gap: 2 × 9.5 + 1 = 20
            Slot("wedge", Pose(30, 80, 30.0)),
        ),
    )
    # Lozenge cut ±10 in its frame; the paper turned by 45° with it leaves exactly 2 mm all around.
    kraft = box(0, 0, 24, 24)
    corner = moved(Point(-12, -12), Pose(2 + half, 2 + half, 45.0))
    flip = moved(Point(10, -11), Pose(30, 80, 30.0))
    passes = [
        Pass(
            1,
            "A",
            (
                lying("kraft-1", corner.x, corner.y, 45.0),
                lying("blue-1", 49.0, 9.0),
                lying("mirror-1", flip.x, flip.y, 30.0, flipped=True),
            ),
            (Cut(0, "kraft-1"), Cut(1, "blue-1"), Cut(2, "blue-1"), Cut(3, "mirror-1")),
        ),
    ]
    return make_plan(
        dies=[lozenge, disc, wedge],
        scraps={
            "kraft-1": ("kraft", kraft),
            "blue-1": ("blue", box(0, 0, 22, 42)),
            "mirror-1": ("mirror", box(0, 0, 19, 19)),
        },
        papers=[Paper("kraft", direction="stripe"), Paper("blue"), Paper("mirror", both_sides=True)],
        layups=[layup],
        passes=passes,
        demand=[
            line("kite", ["lozenge"], ["kraft", "blue"], 1, [("lozenge", "kraft", 1)]),
            line("kite", ["disc"], ["blue"], 2, [("disc", "blue", 2)]),
            line("kite", ["wedge"], ["mirror"], 1, [("wedge", "mirror", 1)]),
        ],
        machine=MACHINE,
        hand=replace(HAND, papers="any"),
    )


def openings() -> Plan:
    """A frame with a small die lying in its opening, on one scrap in one pass; a die that cuts two leaves.

    Frame: outer 40 × 40, inner 30 × 30; the rim's opening is 27 × 27. Seed: 6 × 6, rim 9 × 9.
    """
    frame = Die(
        "frame",
        box(-20, -20, 20, 20).difference(box(-15, -15, 15, 15)),
        box(-21.5, -21.5, 21.5, 21.5).difference(box(-13.5, -13.5, 13.5, 13.5)),
    )
    seed = rectangle_die("seed", 6, 6)
    pair = Die(
        "pair",
        MultiPolygon([box(-12, -5, -2, 5), box(2, -5, 12, 5)]),
        MultiPolygon([box(-13.5, -6.5, -0.5, 6.5), box(0.5, -6.5, 13.5, 6.5)]),
    )
    layups = [
        # The seed's rim is 1 mm from the opening's lower right corner: 13.5 − 1 − 4.5 = 8.
        Layup("A", (Slot("frame", Pose(25, 25)), Slot("seed", Pose(33, 33)))),
        Layup("B", (Slot("pair", Pose(30, 100, 180.0)), Slot("seed", Pose(60.5, 60)))),
    ]
    passes = [
        Pass(1, "A", (lying("white-1", 3, 3),), (Cut(0, "white-1"), Cut(1, "white-1"))),
        # Turned by a quarter: the scrap's (0, 0) lies at the upper right.
        Pass(2, "B", (lying("white-2", 45, 92, 90.0),), (Cut(0, "white-2"),)),
        Pass(3, "B", (lying("white-1", 13, 13),), (Cut(1, "white-1"),)),
        Pass(4, "A", (lying("white-2", 66, 27, 90.0),), (Cut(1, "white-2"),)),
    ]
    return make_plan(
        dies=[frame, seed, pair],
        scraps={"white-1": ("white", box(0, 0, 60, 60)), "white-2": ("white", box(0, 0, 15, 38))},
        papers=[Paper("white")],
        layups=layups,
        passes=passes,
        demand=[
            line("window", ["frame"], ["white"], 1, [("frame", "white", 1)]),
            line("window", ["seed", "pair"], ["white"], 4, [("seed", "white", 2), ("pair", "white", 2)]),
        ],
        machine=MACHINE,
        hand=HAND,
    )


def kits() -> Plan:
    """Two kits of two cards with a pick list; trimmed strips side by side; overlapping papers in the air.

    Die small: 10 × 10, rim 13; tall: 10 × 20, rim 13 × 23. A sheet is cut into strips with straight cuts.
    """
    small, tall = rectangle_die("small", 10, 10), rectangle_die("tall", 10, 20)
    layup = Layup("A", (Slot("small", Pose(20, 20)), Slot("tall", Pose(34, 25))))
    sheet = box(0, 0, 40, 90)
    trims = (
        Trim("pink-1", (("pink-1a", box(0, 0, 14, 90)), ("pink-1b", box(14, 0, 40, 90)))),
        Trim("pink-1b", (("pink-1c", box(14, 0, 28, 60)),)),
    )
    passes = [
        # Strip a: x 13 to 27. Strip c keeps its frame: its left side is at 14, so 27 on the plate is pose 13.
        Pass(
            n,
            "A",
            (lying("pink-1a", 13, y1), lying("pink-1c", 13, y2)),
            (Cut(0, "pink-1a"), Cut(1, "pink-1c")),
        )
        for n, y1, y2 in ((1, 13, 13), (2, 0, -10))
    ]
    # Third pass: two papers overlap between the rims (gap 1 mm, x 26.5 to 27.5), the left one on top of the right.
    passes.append(
        Pass(3, "A", (lying("grey-1", 13, 13), lying("grey-2", 27, 13)), (Cut(0, "grey-1"), Cut(1, "grey-2")))
    )
    cards = (
        Card("one", 1, (CardLine(("small",), ("pink",), 1), CardLine(("small", "tall"), ("grey",), 1))),
        Card("two", 1, (CardLine(("tall",), ("pink",), 1),)),
    )
    return make_plan(
        dies=[small, tall],
        scraps={
            "pink-1": ("pink", sheet),
            "grey-1": ("grey", box(0, 0, 14.4, 14)),
            "grey-2": ("grey", box(0, 0, 14, 24)),
        },
        papers=[Paper("pink"), Paper("grey")],
        layups=[layup],
        passes=passes,
        trims=trims,
        demand=[
            line("one", ["small"], ["pink"], 2, [("small", "pink", 2)]),
            line("one", ["small", "tall"], ["grey"], 2, [("small", "grey", 1), ("tall", "grey", 1)]),
            line("two", ["tall"], ["pink"], 2, [("tall", "pink", 2)]),
        ],
        machine=MACHINE,
        hand=replace(HAND, trims="straight"),
        kits=2,
        cards=cards,
        packing=(
            KitPacking(1, 1, "one", 1, (Share("small", "pink", 1), Share("small", "grey", 1))),
            KitPacking(2, 2, "one", 1, (Share("small", "pink", 1), Share("tall", "grey", 1))),
            KitPacking(1, 2, "two", 1, (Share("tall", "pink", 1),)),
        ),
    )


def short() -> Plan:
    """The squares, but four tiles asked for and three cut: an honest incomplete plan."""
    plan = squares()
    first = replace(plan.demand[0], count=4)
    lack = Shortage("red", ("tile",), 1, 516.1, {"A4": 1}, False, "no room was found in the time given")
    return replace(plan, complete=False, demand=(first, plan.demand[1]), short=(lack,))


def lacking() -> Plan:
    """The squares, but five tiles in red and three of tile or bar in green: both short, line by line."""
    plan = squares()
    tile, bar = (plan.die(name).cut.buffer(plan.hand.web_mm / 2).area for name in ("tile", "bar"))
    red = Shortage(
        "red", ("tile",), 2, round(2 * tile, 1), {"A4": 1}, False, "no room", (Missing(1, "tile", 2),)
    )
    green = Shortage(
        "green", ("bar", "tile"), 2, round(bar + tile, 1), {"A4": 1}, False, "no room",
        (Missing(2, "bar", 1), Missing(2, "tile", 1)),
    )  # fmt: skip
    demand = (replace(plan.demand[0], count=5), replace(plan.demand[1], count=3))
    return replace(plan, complete=False, demand=demand, short=(green, red))


PLANS: dict[str, Callable[[], Plan]] = {
    "squares": squares,
    "turned": turned,
    "openings": openings,
    "kits": kits,
    "short": short,
    "lacking": lacking,
}


def many(count: int = 40) -> Plan:
    """One small die and one sheet, moved on by 13 mm in rows of five; a second scrap is cut first."""
    die = rectangle_die("dot", 10, 10)
    passes = [Pass(1, "A", (lying("first", 50, 40),), (Cut(0, "first"),))]
    for n in range(count):
        column, row = n % 5, n // 5
        passes.append(
            Pass(n + 2, "A", (lying("sheet", 53 - 13 * column, 40 - 13 * row),), (Cut(0, "sheet"),))
        )
    return make_plan(
        dies=[die],
        scraps={"first": ("red", box(0, 0, 20, 20)), "sheet": ("red", box(0, 0, 67, 108))},
        papers=[Paper("red")],
        layups=[Layup("A", (Slot("dot", Pose(60, 50)),))],
        passes=passes,
        demand=[line("card", ["dot"], ["red"], count + 1, [("dot", "red", count + 1)])],
        machine=Machine((140.0, 150.0), overhang_mm=100.0),
        hand=Hand(web_mm=3.0, edge_mm=1.0),
    )
