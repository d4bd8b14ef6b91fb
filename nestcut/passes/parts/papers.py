"""Parts of paper, laid into the scraps: what the scissors cut before the evening.

The largest parts are laid first, each into the smallest scrap that takes it; what finds no scrap is
halved into smaller parts, down to chips for single dies. Large scraps stay whole as long as possible.
"""

from __future__ import annotations

import random
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import shapely
from shapely.geometry import Polygon

from nestcut.arithmetic import exponential
from nestcut.batch.model import Batch, Pose, Scrap
from nestcut.passes.parts.regions import SlotGroup
from nestcut.passes.parts.slabs import Bed, Form, lay

__all__ = [
    "LaidPart",
    "PaperStock",
    "Sizes",
    "Want",
    "largest_of",
    "lay_parts",
    "scraps_by_paper",
    "sizes_by_paper",
]

Sizes = Mapping[str, Sequence[tuple[float, float]]]
"""Paper → (short, long) sides of boxes of scraps, mm."""


@dataclass(frozen=True, slots=True)
class Want:
    """``count`` parts for a group of slots of run ``run``, in one paper, for a stretch of passes."""

    run: int
    stretch: int
    paper: str
    group: SlotGroup
    turns: tuple[float, ...]
    count: int


@dataclass(frozen=True, slots=True)
class LaidPart:
    """A part in a scrap: a plate point p lies at R(pose.deg)·p + (pose.x_mm, pose.y_mm) of the scrap."""

    scrap: str
    pose: Pose


@dataclass
class PaperStock:
    """The scraps of one paper while parts are laid into them."""

    scraps: list[Scrap]
    beds: list[Bed] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.beds += [Bed.fresh(scrap.outline) for scrap in self.scraps]

    def ordered(self, order: str) -> list[int]:
        """Numbers of the scraps, small ones first or large ones first."""
        sign = 1.0 if order == "small" else -1.0
        return sorted(range(len(self.scraps)), key=lambda k: (sign * self.scraps[k].outline.area, k))


@dataclass
class GroupNode:
    """A group and its laid parts; ``halves`` stand in for those that found no scrap."""

    want: Want
    laid: list[LaidPart] = field(default_factory=list)
    halves: list[GroupNode] = field(default_factory=list)
    missing: int = 0
    """Parts for a single die that found no scrap at all."""


def lay_parts(
    stock: PaperStock,
    wants: Sequence[Want],
    turns_of: Callable[[int, Sequence[int], str], tuple[float, ...]],
    *,
    order: str = "small",
    seed: int = 0,
    shuffle: float = 0.0,
    deepest: bool = False,
) -> list[GroupNode]:
    """Lay all wanted parts of one paper; returns a node per want, in the same order.

    Args:
        turns_of: turns allowed for (run, slots, paper).
        order: scraps "small" or "large" first.
        shuffle: how much the order of parts by size is disturbed (0: not), for further tries.
    """
    chance = random.Random(seed)
    nodes = [GroupNode(want) for want in wants]
    queue: list[tuple[float, int, GroupNode]] = []
    serial = 0

    def push(node: GroupNode) -> None:
        nonlocal serial
        x0, y0, x1, y1 = node.want.group.outline.bounds
        # Long parts are hard to lay even where they are thin: area and longest side both count.
        size = node.want.group.outline.area + 0.35 * max(x1 - x0, y1 - y0) * max(x1 - x0, y1 - y0)
        queue.append((-size * exponential(shuffle * chance.uniform(-1, 1)), serial, node))
        serial += 1

    for node in nodes:
        push(node)
    numbers = stock.ordered(order)
    forms: dict[bytes, Form] = {}
    full: set[tuple[bytes, int]] = set()  # scraps only get fuller: what took no more of a form never will
    while queue:
        queue.sort(key=lambda entry: entry[:2])
        _, _, node = queue.pop(0)
        want = node.want
        left = want.count
        key = want.group.outline.wkb + repr(want.turns).encode()
        form = forms.setdefault(key, Form(want.group.outline, want.turns, want.count))
        for number in numbers:
            if left == 0:
                break
            bed = stock.beds[number]
            if (key, number) in full:
                continue
            if bed.area_mm2 < want.group.outline.area or not _may_fit(bed, want.group.outline):
                continue
            laid = lay(bed, number, form, 0, left, deepest=deepest)
            node.laid += [LaidPart(stock.scraps[number].id, part.pose) for part in laid]
            left -= len(laid)
            if left:
                full.add((key, number))
        if left and want.group.halves:
            for half in want.group.halves:
                turns = turns_of(want.run, half.slots, want.paper)
                child = GroupNode(Want(want.run, want.stretch, want.paper, half, turns, left))
                node.halves.append(child)
                push(child)
        else:
            node.missing = left
    return nodes


def _may_fit(bed: Bed, outline: Polygon) -> bool:
    x0, y0, x1, y1 = outline.bounds
    short, long = sorted((x1 - x0, y1 - y0))
    high, wide = sorted((bed.height * 0.5, bed.width_mm))
    return short <= high + 1e-6 and long <= wide + 1e-6 if bed.laid == 0 else short <= high + 1e-6


def scraps_by_paper(batch: Batch) -> dict[str, list[Scrap]]:
    """Scraps of each paper, in the batch's order."""
    result: dict[str, list[Scrap]] = defaultdict(list)
    for scrap in batch.scraps:
        result[scrap.paper].append(scrap)
    return dict(result)


def sizes_by_paper(batch: Batch) -> dict[str, list[tuple[float, float]]]:
    """(short, long) sides of the boxes of each paper's scraps, in the batch's order, mm."""
    result: dict[str, list[tuple[float, float]]] = defaultdict(list)
    # All at once: there may be scraps by the ten thousand.
    boxes = shapely.bounds([scrap.outline for scrap in batch.scraps]).reshape(-1, 4).tolist()
    for scrap, (x0, y0, x1, y1) in zip(batch.scraps, boxes, strict=True):
        result[scrap.paper].append((min(x1 - x0, y1 - y0), max(x1 - x0, y1 - y0)))
    return dict(result)


def _undominated(sizes: Iterable[tuple[float, float]]) -> list[tuple[float, float]]:
    """The sizes that no other holds, each once, sorted."""
    own = set(sizes)  # scraps by the thousand are of a few sizes
    return sorted(s for s in own if not any(o != s and o[0] >= s[0] and o[1] >= s[1] for o in own))


def largest_of(sizes: Sizes) -> Sizes:
    """Of each paper's sizes those that no other holds."""
    return {paper: _undominated(own) for paper, own in sizes.items()}
