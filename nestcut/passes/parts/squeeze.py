"""Parts that found no scrap are squeezed in among the parts that did.

The slab packer lays parts one after another and never moves one again, which leaves a quarter of the paper
in slivers. Here a missing part is put into a scrap where it overlaps least, and all parts of that scrap give
way until nothing overlaps (:func:`nestcut.placement.fits_together`). Scraps with most free paper come first;
what was tried in vain is not tried again before the scrap has changed or the search has become longer.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

from nestcut.batch.model import Pose, Scrap
from nestcut.passes.parts.papers import GroupNode, LaidPart

__all__ = ["squeeze_in"]

APART_MM = 0.001
"""Parts are cut apart with scissors: air between them is not needed, an overlap would be a fault."""

FULLEST = 0.94
"""A scrap of which parts would cover more is not tried: no such layout was ever found."""

EFFORTS = (40, 150, 500, 1500)
"""Moves of the placement search, round by round."""

EMPTIEST = 8
"""How many scraps are tried for a part in a round, those with most free paper first: fuller ones hardly ever take one."""

Kind = tuple[bytes, tuple[float, ...]]


@dataclass
class _PackedScrap:
    scrap: Scrap
    inside: list[tuple[GroupNode, int]] = field(default_factory=list)
    """(node, number of its laid part)."""
    covered_mm2: float = 0.0
    version: int = 0

    def fill_with(self, node: GroupNode) -> float:
        return (self.covered_mm2 + node.want.group.outline.area) / self.scrap.outline.area


def _leaves(nodes: Sequence[GroupNode]) -> Iterator[GroupNode]:
    for node in nodes:
        yield node
        yield from _leaves(node.halves)


def _kind(node: GroupNode) -> Kind:
    return (node.want.group.outline.wkb, node.want.turns)


def squeeze_in(
    scraps: Sequence[Scrap],
    nodes: Sequence[GroupNode],
    *,
    over: Callable[[], bool],
    efforts: Sequence[int] = EFFORTS,
    most_tries: int | None = None,
) -> int:
    """Find places for missing parts (in place); parts that lie already may be moved within their scraps.

    Args:
        scraps: the scraps of one paper.
        nodes: what :func:`nestcut.passes.parts.papers.lay_parts` gave for it.
        over: asked before every try; True ends the search.
        most_tries: most tries in all, so that the answer is the same on every machine.
    Returns: how many parts found a place.
    """
    leaves = list(_leaves(nodes))
    sheets = {scrap.id: _PackedScrap(scrap) for scrap in scraps}
    for node in leaves:
        for number, part in enumerate(node.laid):
            sheets[part.scrap].inside.append((node, number))
            sheets[part.scrap].covered_mm2 += node.want.group.outline.area
    waiting: dict[Kind, list[GroupNode]] = defaultdict(list)
    for node in leaves:
        if node.missing and not node.halves:
            waiting[_kind(node)].append(node)
    # Small parts first: they give most pieces for the paper that is left.
    order = sorted(waiting, key=lambda kind: (waiting[kind][0].want.group.outline.area, kind))
    tried: set[tuple[str, Kind, int, int]] = set()
    placed = tries = 0
    for effort in efforts:
        for kind in order:
            while waiting[kind]:
                node = waiting[kind][-1]
                found = False
                roomy = sorted(sheets.values(), key=lambda s: (s.fill_with(node), s.scrap.id))
                roomy = [sheet for sheet in roomy if _may_lie(sheet, node)][:EMPTIEST]
                for sheet in roomy:
                    key = (sheet.scrap.id, kind, effort, sheet.version)
                    if key in tried:
                        continue
                    if over() or (most_tries is not None and tries >= most_tries):
                        return placed
                    tried.add(key)
                    tries += 1
                    if _try(sheet, node, effort, over):
                        found = True
                        break
                if not found:
                    break
                placed += 1
                if not node.missing:
                    waiting[kind].pop()
    return placed


def _may_lie(sheet: _PackedScrap, node: GroupNode) -> bool:
    """By area, and by the part's box at the turns it may have: whether a try makes sense at all."""
    if sheet.fill_with(node) > FULLEST:
        return False
    x0, y0, x1, y1 = sheet.scrap.outline.bounds
    left, top, right, bottom = node.want.group.outline.bounds
    sizes = [(right - left, bottom - top), (bottom - top, right - left)]
    upright = any(turn % 180 == 0 for turn in node.want.turns)
    across = any(turn % 180 == 90 for turn in node.want.turns)
    if any(turn % 90 for turn in node.want.turns):
        return True
    fits = [w <= x1 - x0 + 1e-6 and h <= y1 - y0 + 1e-6 for w, h in sizes]
    return (upright and fits[0]) or (across and fits[1])


def _try(sheet: _PackedScrap, node: GroupNode, effort: int, over: Callable[[], bool]) -> bool:
    """Squeeze one part of the node into the sheet; True if it found a place."""
    from nestcut.placement import fits_together
    from nestcut.placement.shapes.types import Part, Placed

    kinds: dict[Kind, int] = {}
    shapes = []
    count: Counter[int] = Counter()
    for one in [*(n for n, _ in sheet.inside), node]:
        kind = _kind(one)
        if kind not in kinds:
            kinds[kind] = len(kinds)
            shapes.append((one.want.group.outline, one.want.turns))
        count[kinds[kind]] += 1
    parts = [Part(str(k), shape, turns=turns, least=count[k]) for k, (shape, turns) in enumerate(shapes)]
    start = [Placed(kinds[_kind(n)], n.laid[number].pose) for n, number in sheet.inside]
    layout = fits_together(
        parts, sheet.scrap.outline, gap_mm=APART_MM, moves_limit=effort, start=start, stop=over
    )
    if layout is None:
        return False
    poses: dict[int, list[Pose]] = defaultdict(list)
    for placed in layout:
        poses[placed.part].append(placed.pose)
    for n, number in sheet.inside:
        n.laid[number] = LaidPart(sheet.scrap.id, poses[kinds[_kind(n)]].pop())
    node.laid.append(LaidPart(sheet.scrap.id, poses[kinds[_kind(node)]].pop()))
    node.missing -= 1
    sheet.inside.append((node, len(node.laid) - 1))
    sheet.covered_mm2 += node.want.group.outline.area
    sheet.version += 1
    return True
