"""How many cuts of one die a scrap can hold at most, whatever else is left out: proved, not searched.

Area says little where few large cuts share a scrap. There the proof that settles what fits on a plate settles what
fits in a scrap (:mod:`nestcut.passes.relative`, :mod:`nestcut.passes.stacking`): cuts in the place of rims, the web in the
place of the gap, the box around the scrap less its edge in the place of the window. A box holds no less than the scrap in it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Sequence

import numpy as np
from shapely.geometry import Polygon, box

from nestcut.batch.model import Batch, Demand, Die, Shape
from nestcut.passes.relative import Effort, Relative
from nestcut.passes.slabs import Bed, Form, lay
from nestcut.passes.stacking import Stacker
from nestcut.passes.turns import turns_on

__all__ = ["least_width", "most_cuts", "over_capacity"]

MOST_CUTS = 6
"""Sets of more are beyond stacking."""
BY_PLACES = Effort(1.0, 0.5, 2_000), Effort(0.5, 0.25, 4_000)
LEVELS, BUDGET, WORK = 3, 50_000, 2e7
"""Limits of one proof, in cells and steps, not in seconds: the same answer on every machine."""
PROOFS = 24
"""Most kinds of scraps that are looked at for a die, and most proofs for a paper."""
FEW_DIES = 3
"""Where more dies are missing, it is the area that is short, not the room for a large one."""
ROUNDING = 1.001
"""More than the true area covers what rounding and flat arcs may take away."""


def least_width(shape: Shape) -> float:
    """Least distance of two parallel lines that hold the shape between them (one lies along a hull side)."""
    points = np.asarray(shape.convex_hull.exterior.coords)[:-1]
    best = float("inf")
    for a, b in zip(points, np.roll(points, -1, axis=0), strict=True):
        along = b - a
        length = float(np.hypot(*along))
        if length < 1e-9:
            continue
        normal = np.array([-along[1], along[0]]) / length
        heights = points @ normal
        best = min(best, float(heights.max() - heights.min()))
    return best


def most_cuts(batch: Batch, die: Die, paper: str, outline: Polygon, *, prove: bool = True) -> int:
    """The most cuts of this die that a scrap of this outline can hold, from above."""
    hand = batch.hand
    if least_width(die.cut) + 2 * hand.edge_mm > least_width(outline) + 1e-6:
        return 0
    webbed = die.cut.buffer(hand.web_mm / 2, quad_segs=8).area
    room = outline.buffer(hand.web_mm / 2 - hand.edge_mm, quad_segs=16)
    most = int(room.area * ROUNDING / webbed)
    if not prove or most == 0:
        return most
    x0, y0, x1, y1 = outline.bounds
    edge = hand.edge_mm
    if x1 - x0 <= 2 * edge or y1 - y0 <= 2 * edge:
        return 0
    turns = turns_on(die, batch.paper(paper))
    # What rows hold need not be tried to be disproved.
    cut = die.cut.buffer(hand.web_mm / 2)
    rows = Form(cut, (0.0, 90.0) if turns == "any" else tuple(turns), most)
    laid = len(lay(Bed.fresh(box(*outline.bounds).buffer(hand.web_mm / 2 - edge)), 0, rows, 0, most))
    about = [die.cut], [turns], box(x0 + edge, y0 + edge, x1 - edge, y1 - edge), hand.web_mm
    relative, stacker = Relative(*about), Stacker(*about)
    # One or two more than rows hold: what nests gain over them.
    for count in range(laid + 1, min(most, MOST_CUTS, laid + 3) + 1):
        cuts = (0,) * count
        if any(relative.disprove(cuts, effort) is not None for effort in BY_PLACES):
            return count - 1
        if stacker.disprove(cuts, levels=LEVELS, budget=BUDGET, work=WORK) is not None:
            return count - 1
    return most


def over_capacity(
    batch: Batch,
    demand: Sequence[Demand],
    paper: str,
    dies: Collection[str],
    *,
    over: Callable[[], bool] = lambda: False,
) -> dict[str, tuple[int, int]]:
    """die → (cuts that its lines ask of this paper alone, the most that the scraps can hold), where that is less.

    Args:
        dies: the ones that are looked at.
        over: asked before every proof; True leaves it at what area says.
    """
    if len(dies) > FEW_DIES:
        return {}
    asked: Counter[str] = Counter()
    for line in demand:
        if line.papers == (paper,) and line.dies[1:] == () and line.dies[0] in dies:
            asked[line.dies[0]] += line.count
    asked = Counter({name: -(-count // batch.die(name).pieces) for name, count in asked.items()})
    outlines: dict[tuple[float, ...], list[Polygon]] = {}
    for scrap in batch.scraps:
        if scrap.paper == paper:
            x0, y0, x1, y1 = scrap.outline.bounds
            size = (round(x1 - x0, 6), round(y1 - y0, 6), round(scrap.outline.area, 6))
            outlines.setdefault(size, []).append(scrap.outline)
    found = {}
    for name, count in sorted(asked.items()):
        die = batch.die(name)
        caps = {size: most_cuts(batch, die, paper, own[0], prove=False) for size, own in outlines.items()}
        # Many kinds of scraps, or many cuts to a scrap: too much to be proved, or nothing to be gained.
        few = [size for size, cap in caps.items() if 0 < cap <= 2 * MOST_CUTS]
        if len(few) <= PROOFS:
            caps |= {size: most_cuts(batch, die, paper, outlines[size][0]) for size in few if not over()}
        total = sum(cap * len(outlines[size]) for size, cap in caps.items())
        if total < count:
            found[name] = (count, total)
    return found
