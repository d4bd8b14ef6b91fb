"""How many cuts of one die a scrap can hold at most, whatever else is left out: proved, not searched.

Area says little where few large cuts share a scrap. There the proof that settles what fits on a plate settles what
fits in a scrap (:mod:`nestcut.passes.disproofs.relative`): cuts in the place of rims, the web in the place of the gap, the box around the scrap less its edge in the place of the window. A box holds no less than the scrap in it.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from typing import Any

import numpy as np
from shapely.geometry import Polygon, box

from nestcut.arithmetic import buffered, dot, length_of
from nestcut.batch.model import Batch, Die, Scrap, Shape
from nestcut.batch.turns import turns_on
from nestcut.passes.common.trims import Trimming
from nestcut.passes.disproofs.relative import Effort, Relative
from nestcut.passes.parts.slabs import Bed, Form, lay

__all__ = ["capacities", "least_width", "most_cuts"]

MOST_CUTS = 6
"""Sets of more are beyond that proof."""
EFFORTS = Effort(1.0, 0.5, 2_000), Effort(0.5, 0.25, 4_000)
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
        length = length_of(*along)
        if length < 1e-9:
            continue
        normal = np.array([-along[1], along[0]]) / length
        heights = dot(points, *normal)
        best = min(best, float(heights.max() - heights.min()))
    return best


def most_cuts(batch: Batch, die: Die, paper: str, outline: Polygon, *, prove: bool = True) -> int:
    """The most cuts of this die that a scrap of this outline can hold, from above."""
    return _most_cuts(batch, die, paper, outline, prove=prove)[0]


def _most_cuts(
    batch: Batch, die: Die, paper: str, outline: Polygon, *, prove: bool
) -> tuple[int, Mapping[str, Any] | None]:
    """The most cuts, and the disproof of one more where that is what the number rests on."""
    hand = batch.hand
    if least_width(die.cut) + 2 * hand.edge_mm > least_width(outline) + 1e-6:
        return 0, None
    # Cuts in two parts of a trimmed scrap are only twice the edge apart.
    apart = min(hand.web_mm, 2 * hand.edge_mm) if Trimming.of(batch).allowed else hand.web_mm
    grow = apart / 2
    cut = buffered(die.cut, grow, 8)
    most = int(buffered(outline, grow - hand.edge_mm).area * ROUNDING / cut.area)
    x0, y0, x1, y1 = outline.bounds
    edge = hand.edge_mm
    # A paper that is good on both sides may lie flipped, and its cuts mirrored: no proof for that.
    if not prove or most == 0 or batch.paper(paper).both_sides or min(x1 - x0, y1 - y0) <= 2 * edge:
        return most, None
    turns = turns_on(die, batch.paper(paper))
    if not turns:
        return most, None  # it can't be cut from this paper at all, which is not for proofs by places to say
    # What rows hold need not be tried to be disproved.
    rows = Form(cut, (0.0, 90.0) if turns == "any" else tuple(turns), most)
    laid = len(lay(Bed.fresh(buffered(box(*outline.bounds), grow - edge)), 0, rows, 0, most))
    relative = Relative([die.cut], [turns], box(x0 + edge, y0 + edge, x1 - edge, y1 - edge), apart)
    # One or two more than rows hold: what nests gain over them.
    for count in range(laid + 1, min(most, MOST_CUTS, laid + 3) + 1):
        for effort in EFFORTS:
            proof = relative.disprove((0,) * count, effort)
            if proof is not None:
                named = {**proof, "order": [die.name] * count}
                return count - 1, named if count > 1 else {"by": "turning"}
    return most, None


def capacities(
    batch: Batch, paper: str, dies: Collection[str], *, over: Callable[[], bool] = lambda: False
) -> dict[str, list[Mapping[str, Any]]]:
    """die → how many cuts of it scraps of this paper hold at most, with the disproof of one more, as in plan.json.

    Args:
        dies: the ones that are looked at: of some, lines of demand must allow nothing but this die and this paper.
        over: asked before every proof; True leaves it at what area says.
    """
    if len(dies) > FEW_DIES:
        return {}
    alone = {line.dies[0] for line in batch.demand if line.papers == (paper,) and len(line.dies) == 1}
    kinds: dict[tuple[float, ...], list[Scrap]] = {}
    for scrap in batch.scraps:
        if scrap.paper == paper:
            x0, y0, x1, y1 = scrap.outline.bounds
            size = (round(x1 - x0, 6), round(y1 - y0, 6), round(scrap.outline.area, 6))
            kinds.setdefault(size, []).append(scrap)
    found: dict[str, list[Mapping[str, Any]]] = {}
    for name in sorted(alone & set(dies)):
        die = batch.die(name)
        # Many kinds of scraps, or many cuts to a scrap: too much to be proved, or nothing to be gained.
        few = [
            own
            for own in kinds.values()
            if 0 < most_cuts(batch, die, paper, own[0].outline, prove=False) <= 2 * MOST_CUTS
        ]
        for own in few if len(few) <= PROOFS else ():
            if over():
                break
            most, proof = _most_cuts(batch, die, paper, own[0].outline, prove=True)
            if proof is not None:
                ids = [scrap.id for scrap in own]
                found.setdefault(name, []).append({"scraps": ids, "most": most, "disproof": proof})
    return found
