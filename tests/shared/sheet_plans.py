"""Plans made by hand for the sheets' tests: geometrically valid, without any planner.

A plan comes out of :class:`Evening`, which keeps the books (totals, remnants, demand) the way
contract B asks. The lay-ups, papers and shifts are chosen here by hand; ``tests/sheets/test_plans_by_hand.py``
lets the independent checker judge them.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

import shapely
from shapely.affinity import affine_transform, translate
from shapely.geometry import LineString, MultiPolygon, Point, Polygon, box

from nestcut.batch.model import Card, CardLine, Die, Evening, Hand, Machine, Paper, Pose, Scrap
from nestcut.hands import evening_actions, minutes_of
from nestcut.plans.model import (
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

RIM_MM = 1.6


def flower(petals: int, radius_mm: float, depth: float = 0.35) -> Polygon:
    """A blossom: r = R (1 − depth (1 − cos(petals t)) / 2)."""
    points = []
    for step in range(24 * petals):
        t = 2 * math.pi * step / (24 * petals)
        r = radius_mm * (1 - depth * (1 - math.cos(petals * t)) / 2)
        points.append((r * math.cos(t), r * math.sin(t)))
    return Polygon(points)


def leaf(length_mm: float, width_mm: float) -> Polygon:
    """A leaf between two arcs, lying across, pointed at both ends."""
    points = []
    for step in range(41):
        t = step / 40
        points.append((length_mm * (t - 0.5), width_mm / 2 * math.sin(math.pi * t)))
    for step in range(1, 40):
        t = 1 - step / 40
        points.append((length_mm * (t - 0.5), -width_mm / 2 * math.sin(math.pi * t)))
    return Polygon(points)


def die(name: str, cut, *, rim=None, **more) -> Die:
    """A die whose rim is centred on (0, 0)."""
    rim = rim if rim is not None else cut.buffer(RIM_MM, quad_segs=8)
    if isinstance(rim, MultiPolygon):
        rim = rim.convex_hull
    x0, y0, x1, y1 = rim.bounds
    dx, dy = -(x0 + x1) / 2, -(y0 + y1) / 2
    return Die(name, translate(cut, dx, dy), translate(rim, dx, dy), **more)


def tag_with_opening() -> Die:
    """A frame label, open in the middle: a small die can lie in the opening of its rim."""
    cut = box(-26, -17, 26, 17).buffer(3, quad_segs=8).difference(box(-13, -13, 13, 13))
    return die("tag", cut)


def hedgerow() -> dict[str, Die]:
    """The dies of our evenings."""
    twin = MultiPolygon([translate(leaf(26, 10), 0, -7), translate(leaf(26, 10), 0, 7)])
    disc = Point(0, 0).buffer(4, quad_segs=12).difference(Point(0, 0).buffer(0.8, quad_segs=6))
    dies = [
        die("campion", flower(5, 16)),
        die("stitchwort", flower(10, 11, 0.45)),
        die("speedwell", flower(4, 8, 0.3)),
        die("bramble leaf", leaf(36, 20), marks=(LineString([(-14, 0), (14, 0)]),)),
        die("twin leaf", twin, trips=2),
        die("fern", leaf(62, 20)),
        die("disc", disc),
        tag_with_opening(),
    ]
    return {one.name: one for one in dies}


class Book:
    """Keeps the books of a plan while it is laid out by hand."""

    def __init__(
        self, title: str, machine: Machine, papers: Sequence[Paper], dies: Sequence[Die], hand: Hand
    ):
        self.title, self.machine, self.hand = title, machine, hand
        self.papers, self.dies = tuple(papers), tuple(dies)
        self.scraps: list[Scrap] = []
        self.trims: list[Trim] = []
        self.layups: dict[str, Layup] = {}
        self.passes: list[Pass] = []
        self.paper_of: dict[str, str] = {}
        self.outline_of: dict[str, Polygon] = {}

    def scrap(self, id_: str, paper: str, outline: Polygon | tuple[float, float]) -> str:
        if isinstance(outline, tuple):
            outline = box(0, 0, *outline)
        self.scraps.append(Scrap(id_, paper, outline))
        self.paper_of[id_], self.outline_of[id_] = paper, outline
        return id_

    def trim(self, scrap: str, *parts: tuple[str, tuple[float, float, float, float] | Polygon]) -> list[str]:
        into = tuple((name, box(*part) if isinstance(part, tuple) else part) for name, part in parts)
        self.trims.append(Trim(scrap, into))
        for name, outline in into:
            self.paper_of[name], self.outline_of[name] = self.paper_of[scrap], outline
        return [name for name, _ in into]

    def layup(self, id_: str, *slots: tuple[str, float, float, float]) -> None:
        self.layups[id_] = Layup(id_, tuple(Slot(name, Pose(x, y, deg)) for name, x, y, deg in slots))

    def press(
        self, layup: str, papers: Sequence[tuple[str, Pose] | tuple[str, Pose, bool]], cuts: dict[int, str]
    ) -> None:
        laid = tuple(PaperOnPlate(one[0], one[1], *one[2:]) for one in papers)
        made = tuple(Cut(slot, cuts[slot]) for slot in sorted(cuts))
        self.passes.append(Pass(len(self.passes) + 1, layup, laid, made))

    def corner(self, scrap: str, x: float, y: float, deg: float = 0, *, flipped: bool = False) -> Pose:
        """The pose that puts the upper left corner of the scrap's box at (x, y) of the plate."""
        moved = Pose(0, 0, deg).apply(self.outline_of[scrap], flipped=flipped)
        return Pose(x - moved.bounds[0], y - moved.bounds[1], deg)

    def finish(self, *, kits: int = 12, bound: Bound | None = None, **more) -> Plan:
        by_die = {one.name: one for one in self.dies}
        got: Counter[tuple[str, str]] = Counter()
        cranks, changes, last = 0, 0, None
        holes: dict[str, list] = {}
        for one in self.passes:
            layup = self.layups[one.layup]
            if one.layup != last:
                changes, last = changes + 1, one.layup
            cranks += max(by_die[layup.slots[cut.slot].die].trips for cut in one.cuts)
            laid = {paper.scrap: paper for paper in one.papers}
            for cut in one.cuts:
                slot = layup.slots[cut.slot]
                got[slot.die, self.paper_of[cut.scrap]] += by_die[slot.die].pieces
                a, b, d, e, x, y = laid[cut.scrap].pose.matrix(flipped=laid[cut.scrap].flipped)
                # The inverse of a rigid map, flipped or not: its transpose.
                back = [a, d, b, e, -(a * x + d * y), -(b * x + e * y)]
                cut_shape = affine_transform(slot.pose.apply(by_die[slot.die].cut), back)
                parts = [Polygon(part.exterior) for part in shapely.get_parts(cut_shape)]
                holes.setdefault(cut.scrap, []).extend(parts)
        demand = []
        lines: dict[str, list[CardLine]] = {}
        for (name, paper), count in sorted(got.items()):
            per_kit = max(1, (count - count // 10) // kits)
            spares = count - per_kit * kits
            demand.append(
                DemandMet(
                    f"{name} card", (name,), (paper,), count, spares, count, (Share(name, paper, count),)
                )
            )
            lines.setdefault(f"{name} card", []).append(CardLine((name,), (paper,), per_kit))
        cards = [Card(name, 1, tuple(found)) for name, found in lines.items()]
        packing = tuple(
            KitPacking(
                1,
                kits,
                card.name,
                1,
                tuple(Share(one.dies[0], one.papers[0], one.count) for one in card.lines),
            )
            for card in cards
        )
        remnants = tuple(
            Remnant(name, self.outline_of[name].difference(shapely.union_all(cuts)))
            for name, cuts in holes.items()
        )
        trims = sum(len(trim.into) for trim in self.trims)
        plan = Plan(
            title=self.title,
            complete=True,
            machine=self.machine,
            hand=self.hand,
            papers=self.papers,
            dies=self.dies,
            scraps=tuple(self.scraps),
            trims=tuple(self.trims),
            demand=tuple(demand),
            layups=tuple(self.layups.values()),
            passes=tuple(self.passes),
            bound=bound or Bound(len(self.passes), "the busiest die must come down in every one of them"),
            totals=Totals(len(self.passes), cranks, changes, trims, sum(got.values()), 0.0),
            remnants=remnants,
            kits=kits,
            cards=tuple(cards),
            packing=packing,
        )
        plan = replace(plan, **more)
        actions = evening_actions(plan)
        minutes = minutes_of(actions, plan.hand.seconds, plan.machine)
        return replace(plan, totals=replace(plan.totals, minutes=minutes, actions=actions))


PAPERS = (
    Paper("red", "#a4452c"),
    Paper("rose", "#d98a94"),
    Paper("green", "#5d7a3a", direction="stripe"),
    Paper("white", "#f4f1e8", both_sides=True),
)


def evening() -> Plan:
    """Two lay-ups, four papers, strips pulled on, chips, trims, an odd scrap with a hole, a flipped paper."""
    dies = hedgerow()
    book = Book("Hedgerow evening", Machine((150.0, 220.0)), PAPERS, tuple(dies.values()), Hand())
    reds = []
    for k in range(1, 7):
        book.scrap(f"red-{k}", "red", (105, 148))
        reds += book.trim(f"red-{k}", (f"red-{k}a", (0, 0, 40, 148)), (f"red-{k}b", (40, 0, 80, 148)))
    book.scrap("red-7", "red", (150, 105))
    book.scrap("rose-1", "rose", (60, 148))
    roses = book.trim("rose-1", *((f"rose-1{'abc'[k]}", (20 * k, 0, 20 * k + 20, 100)) for k in range(3)))
    odd = Polygon([(0, 0), (105, 0), (105, 60), (70, 95), (30, 95), (0, 70)])
    book.scrap("green-odd", "green", odd.difference(Point(52, 70).buffer(11, quad_segs=8)))
    book.scrap("green-2", "green", (148, 110))
    greens = book.trim("green-2", ("green-2a", (0, 0, 148, 30)), ("green-2b", (0, 30, 148, 60)))
    book.scrap("white-1", "white", (100, 148))
    whites = book.trim(
        "white-1",
        *(
            (f"white-1{'abcdefgh'[2 * row + col]}", (40 * col, 36 * row, 40 * col + 40, 36 * row + 36))
            for row in range(4)
            for col in range(2)
        ),
    )
    book.scrap("white-2", "white", (40, 40))
    book.scrap("white-3", "white", (40, 45))

    book.layup(
        "A",
        ("campion", 24, 30, 10),
        ("bramble leaf", 68, 32, 90),
        ("stitchwort", 122, 30, 0),
        ("speedwell", 137, 190, 0),
        ("disc", 85, 160, 0),
        ("fern", 75, 196, 0),
    )
    for k in range(48):
        strip = reds[k // 4]
        papers, cuts = [(strip, book.corner(strip, 4, -98 + 35 * (k % 4)))], {0: strip}
        if k < 6:
            strip = greens[k // 3]
            papers.append((strip, book.corner(strip, 53, -94 + 39 * (k % 3), 90)))
            cuts[1] = strip
        if k < 8:
            papers.append((whites[k], book.corner(whites[k], 102, 12)))
            cuts[2] = whites[k]
        if k < 15:
            strip = roses[k // 5]
            papers.append((strip, book.corner(strip, 127, 180 - 19 * (k % 5))))
            cuts[3] = strip
        if k < 2:
            papers.append(("green-odd", book.corner("green-odd", 20, 183 - 23 * k)))
            cuts[5] = "green-odd"
        elif k < 11:
            i, j = (k - 2) % 3, (k - 2) // 3
            papers.append(("white-2", book.corner("white-2", 76 - 11 * i, 151 - 11 * j)))
            cuts[4] = "white-2"
        book.press("A", papers, cuts)

    book.layup(
        "B",
        ("tag", 60, 40, 0),
        ("speedwell", 60, 40, 45),
        ("twin leaf", 60, 135, 0),
        ("campion", 115, 190, 0),
    )
    book.press(
        "B",
        [("red-7", book.corner("red-7", 0, -40)), ("green-odd", Pose(42, 75, 0))],
        {0: "red-7", 1: "red-7", 2: "green-odd"},
    )
    book.press(
        "B",
        [
            ("red-7", book.corner("red-7", 0, 5)),
            ("white-3", book.corner("white-3", 95, 168, flipped=True), True),
        ],
        {0: "red-7", 1: "red-7", 3: "white-3"},
    )
    book.press("B", [("green-odd", Pose(142, 191, 180))], {2: "green-odd"})
    along = list(range(221))
    loads = {
        "A": {
            "step_mm": 1,
            "length_mm": [40 + 30 * math.sin(y / 9) ** 2 + (60 if 20 < y < 45 else 0) for y in along],
            "peak_mm": 128.0,
            "at_mm": 33,
        },
        "B": {
            "step_mm": 1,
            "length_mm": [max(0.0, 70 * math.sin(y / 25)) for y in along],
            "peak_mm": 70.0,
            "at_mm": 39,
        },
    }
    return book.finish(
        kits=1,
        bound=Bound(
            50,
            "the campion die must cut 49 pieces and you own one, and the tag fits beside it in none of them",
        ),
        evening=Evening("19:30", 20, 5),
        extras={
            "loads": loads,
            "trade_off": [
                {"passes": 60, "layups": 1, "trims": 8, "paper_mm2": 61000, "minutes": 64, "chosen": False},
                {"passes": 51, "layups": 2, "trims": 25, "paper_mm2": 70000, "minutes": 66, "chosen": True},
                {"passes": 50, "layups": 4, "trims": 31, "paper_mm2": 74000, "minutes": 69, "chosen": False},
            ],
            "what_if": [
                {"what": "a second campion die", "passes": -22, "minutes": -21.5, "paper_mm2": 0},
                {"what": "one kit more", "passes": 4, "minutes": 4.5, "paper_mm2": 5200},
            ],
        },
        notes=("the vein of the bramble leaf is a score line: it is drawn, and not cut",),
    )


def under() -> Plan:
    """A small plate with dies under the paper, seen mirrored; one die far too small for a name."""
    dies = hedgerow()
    book = Book(
        "Labels, dies under", Machine((75.0, 150.0), dies="under"), PAPERS, tuple(dies.values()), Hand()
    )
    book.layup(
        "A", ("campion", 24, 30, 0), ("disc", 60, 20, 0), ("disc", 60, 40, 0), ("bramble leaf", 30, 120, 20)
    )
    book.dies = tuple(replace(one, copies=2) if one.name == "disc" else one for one in book.dies)
    for k in range(3):
        book.scrap(f"rose-{k + 1}", "rose", (42, 40))
        book.scrap(f"white-{k + 1}", "white", (16, 40))
        book.scrap(f"red-{k + 1}", "red", (50, 50))
        book.press(
            "A",
            [
                (f"rose-{k + 1}", book.corner(f"rose-{k + 1}", 3, 10)),
                (f"white-{k + 1}", book.corner(f"white-{k + 1}", 51, 10, 180)),
                (f"red-{k + 1}", book.corner(f"red-{k + 1}", 5, 95)),
            ],
            {0: f"rose-{k + 1}", 1: f"white-{k + 1}", 2: f"white-{k + 1}", 3: f"red-{k + 1}"},
        )
    return book.finish(kits=3)


def large() -> Plan:
    """A plate larger than any page: the lay-up must be tiled."""
    dies = hedgerow()
    book = Book("Large plate", Machine((310.0, 450.0), overhang_mm=0.0), PAPERS, tuple(dies.values()), Hand())
    names = list(dies)
    slots = [
        (names[(3 * r + c) % len(names)], 50 + 100 * c, 45 + 72 * r, 15.0 * (r + c))
        for r in range(6)
        for c in range(3)
    ]
    used: Counter[str] = Counter(name for name, *_ in slots)
    book.dies = tuple(replace(one, copies=max(1, used[one.name])) for one in book.dies)
    book.layup("A", *slots)
    book.scrap("red-1", "red", (310, 450))
    book.press("A", [("red-1", book.corner("red-1", 0, 0))], dict.fromkeys(range(len(slots)), "red-1"))
    return book.finish(kits=1)


HOSTILE = "<script>alert('x')</script> & \"quotes\" ../../etc/passwd {{ 7*7 }} {% raw %}"


def hostile() -> Plan:
    """Names that try to be markup, paths, templates, formulas, or just very long."""
    cut = flower(5, 10)
    dies = (
        die(HOSTILE, cut),
        die('=HYPERLINK("x")', cut),
        die("ü" * 300, cut),
        die("a\x00b\x1b[31m\u202egnp", cut),
    )
    papers = (Paper(HOSTILE, "red;}</style><script>"), Paper("../" * 20 + "x", "#zzzzzz"))
    book = Book(HOSTILE, Machine((100.0, 100.0)), papers, dies, Hand())
    book.layup(
        "../../A<b>", *((one.name, 25 + 50 * (k % 2), 25 + 50 * (k // 2), 0) for k, one in enumerate(dies))
    )
    for k in range(4):
        book.scrap(f"{HOSTILE}-{k}", papers[k % 2].name, (30, 30))
    ids = [one.id for one in book.scraps]
    book.press(
        "../../A<b>",
        [(one, book.corner(one, 10 + 50 * (k % 2), 10 + 50 * (k // 2))) for k, one in enumerate(ids)],
        dict(enumerate(ids)),
    )
    return book.finish(kits=1, bound=Bound(1, HOSTILE), notes=(HOSTILE,))


def short() -> Plan:
    """Not everything can be cut: the red paper is short."""
    plan = under()
    missing = Shortage(
        "red", ("bramble leaf",), 5, 4200.0, {"A4": 1, "letter": 1}, True, "5 leaves fit on no red scrap"
    )
    line = plan.demand[0]
    return replace(
        plan,
        complete=False,
        short=(missing, replace(missing, paper=None, dies=("campion",), proved=False, sheets={})),
        demand=(replace(line, count=line.count + 5), *plan.demand[1:]),
    )


def long_run(passes: int = 10_000) -> Plan:
    """A big event: strips pulled on in cycles of 4 and 3, a fresh chip every pass, two lay-ups in turn."""
    dies = hedgerow()
    book = Book("Big event", Machine((150.0, 220.0)), PAPERS, tuple(dies.values()), Hand())
    book.layup("A", ("campion", 24, 30, 10), ("bramble leaf", 68, 32, 90), ("stitchwort", 122, 30, 0))
    book.layup("B", ("campion", 24, 30, 10), ("speedwell", 122, 30, 0))
    red = green = white = None
    for k in range(passes):
        layup = "A" if (k // 2500) % 2 == 0 else "B"
        if k % 4 == 0:
            red = book.scrap(f"red-{k // 4 + 1}", "red", (40, 148))
        papers, cuts = [(red, book.corner(red, 4, -98 + 35 * (k % 4)))], {0: red}
        if layup == "A":
            if k % 2500 % 3 == 0:
                green = book.scrap(f"green-{k + 1}", "green", (148, 30))
            papers.append((green, book.corner(green, 53, -94 + 39 * (k % 2500 % 3), 90)))
            cuts[1] = green
        white = book.scrap(f"white-{k + 1}", "white", (40, 36))
        papers.append((white, book.corner(white, 102, 12)))
        cuts[2 if layup == "A" else 1] = white
        book.press(layup, papers, cuts)
    return book.finish(kits=500)


def two_lanes():
    """Two dies, each fed from strips of 1 to 4 cuts that follow each other in no order."""
    dies = hedgerow()
    book = Book("course", Machine((150.0, 75.0)), PAPERS, tuple(dies.values()), Hand())
    book.layup("A", ("speedwell", 30, 30, 0), ("speedwell", 110, 30, 0))
    steps = []
    for slot, x, sizes in ((0, 18, (4, 1, 3, 2, 1, 1)), (1, 98, (2, 2, 4, 1, 3))):
        lane = []
        for k, size in enumerate(sizes):
            scrap = book.scrap(f"s{slot}-{k}", "red", (24, 24 + 20 * (size - 1)))
            lane += [(scrap, book.corner(scrap, x, 18 - 20 * (size - 1 - step))) for step in range(size)]
        steps.append(lane)
    for one, two in zip(*steps, strict=True):
        book.press("A", [one, two], {0: one[0], 1: two[0]})
    return book.finish(kits=1)


def trimmed():
    """Trims of all kinds: columns at the top of a sheet, scraps alike, odd outlines, a trim of a part, scissors, a pinwheel."""
    dot = die("dot", Point(0, 0).buffer(7, quad_segs=16))
    book = Book("trimmed", Machine((150.0, 220.0)), PAPERS, (dot,), Hand())
    book.scrap("sheet", "red", (205, 260))
    book.trim("sheet", *((f"sheet{'abcde'[k]}", (40 * k, 0, 40 * k + 40, 100)) for k in range(5)))
    for name in ("twin-1", "twin-2"):
        book.scrap(name, "red", (150, 110))
        book.trim(
            name, (f"{name}a", (0, 0, 30, 80)), (f"{name}b", (30, 0, 60, 50)), (f"{name}c", (60, 0, 110, 30))
        )
    book.scrap("ell", "green", Polygon([(0, 0), (120, 0), (120, 40), (50, 40), (50, 130), (0, 130)]))
    book.trim("ell", ("ell-a", (4, 60, 34, 120)), ("ell-b", (60, 5, 115, 35)))
    book.trim("ell-a", ("ell-a1", (4, 60, 34, 80)))
    book.scrap("holed", "rose", box(0, 0, 100, 120).difference(Point(70, 30).buffer(15)))
    book.trim("holed", ("holed-a", (0, 0, 40, 60)))
    book.scrap("cut-out", "white", (90, 80))
    book.trim("cut-out", ("cut-out-a", Point(30, 30).buffer(20, quad_segs=8)))
    book.scrap("pin", "white", (70, 70))
    wheel = [(0, 0, 20, 10), (20, 0, 30, 20), (10, 20, 30, 30), (0, 10, 10, 30)]
    book.trim("pin", *((f"pin-{k}", one) for k, one in enumerate(wheel)))
    book.scrap("spare", "rose", (60, 60))
    book.scrap("tiny", "rose", (9, 9))
    book.layup("A", ("dot", 30, 30, 0))
    for name in ("sheeta", "sheetb", "twin-1a", "twin-2b", "ell-b", "holed-a", "cut-out-a"):
        book.press("A", [(name, book.corner(name, 15, 15))], {0: name})
    book.press("A", [("sheeta", book.corner("sheeta", 15, -40))], {0: "sheeta"})
    return book.finish(kits=1)
