"""Missing cuts that lie in the opening of a larger one, both cut in one pass.

A frame cuts a ring and its middle falls out: what lies in the middle is lost to every other pass, and costs no paper in this one.
Where the metal of a die has an opening, smaller dies of which cuts are missing are laid into it, as many as own copies are
idle in that pass. Such passes get a lay-up of their own.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import shapely
from shapely.geometry import Polygon

from nestcut.batch.model import Batch, Die, Pose, Turns, filled
from nestcut.batch.turns import turns_on
from nestcut.passes.common.plate_rules import apart, keeps_gap
from nestcut.passes.drafts.papers_for_passes import PaperedPasses, PartUse, PassDraft, RunDraft, bare_run
from nestcut.passes.drafts.ranking import Draft
from nestcut.passes.drafts.worth import worth_it
from nestcut.plans.model import Slot

__all__ = ["inside_openings", "with_openings"]

HAIR_MM = 1e-4
"""On top of web, edge and gap, so that turned poses keep them."""
MOVES = 60
"""Moves of the placement search for one opening: few dies, little room."""
UNTIMED_S = 3600.0
"""The search ends by its moves: nothing may hang on the clock."""


def with_openings(batch: Batch, draft: Draft) -> Draft:
    """The draft, or one that makes some of its missing cuts in openings of others."""
    got = inside_openings(batch, draft.papered)
    if got is draft.papered:
        return draft
    opened = replace(draft, papered=got)
    return opened if worth_it(batch, opened, draft) else draft


def inside_openings(batch: Batch, got: PaperedPasses) -> PaperedPasses:
    """The same passes with some of the missing cuts in openings of others, or just as given."""
    missing = +Counter(got.missing)
    if not missing or not any(die.has_opening for die in batch.dies):
        return got
    rooms = _Openings(batch)
    passes: list[PassDraft] = []
    made: dict[tuple[int, tuple[Slot, ...]], list[PassDraft]] = {}
    for draft in got.passes:
        found = _opened(batch, got.runs[draft.run], draft, missing, rooms)
        if found is None:
            passes.append(draft)
        else:
            slots, uses = found
            made.setdefault((draft.run, slots), []).append(PassDraft(-1, uses))
    if not made:
        return got
    runs = list(got.runs)
    for (_, slots), own in made.items():
        passes += [replace(one, run=len(runs)) for one in own]
        runs.append(bare_run(batch, slots, len(own)))
    return PaperedPasses(runs, passes, +missing)


def _opened(
    batch: Batch, run: RunDraft, draft: PassDraft, missing: Counter[tuple[str, str]], rooms: _Openings
) -> tuple[tuple[Slot, ...], list[PartUse]] | None:
    """The pass with further cuts: its dies that are down and those in openings, and the papers. None: nothing was found.

    What is cut is taken off ``missing`` (in place).
    """
    down = [slot for use in draft.uses for slot in use.slots]
    slots = [run.sites[slot].slot for slot in down]
    rims = [run.sites[slot].rim for slot in down]
    idle = Counter({die.name: die.copies for die in batch.dies})
    idle.subtract(slot.die for slot in slots)
    lying = [use.pose.apply(use.outline) for use in draft.uses]
    number = {slot: k for k, slot in enumerate(down)}
    uses = [replace(use, slots=tuple(number[slot] for slot in use.slots)) for use in draft.uses]
    before = len(slots)
    for k, use in enumerate(draft.uses):
        for outer in use.slots:
            if not run.sites[outer].die.has_opening:
                continue
            for die in _wanted(batch, use.paper, missing, idle):
                most = min(missing[die.name, use.paper], idle[die.name])
                further: list[Slot] = []
                for pose in rooms.poses(run.sites[outer].slot, die, use, most):
                    rim, cut = pose.apply(die.rim), pose.apply(die.cut)
                    others = [shape for j, shape in enumerate(lying) if j != k]
                    if (
                        len(further) < most
                        and keeps_gap(rim, rims, batch.hand.gap_mm)
                        and all(apart(rim, other) for other in others)
                        and lying[k].covers(cut)
                        and shapely.distance(cut, lying[k].boundary) >= batch.hand.edge_mm
                    ):
                        further.append(Slot(die.name, pose))
                        rims.append(rim)
                uses[k].slots += tuple(range(len(slots), len(slots) + len(further)))
                slots += further
                idle[die.name] -= len(further)
                missing[die.name, use.paper] -= len(further)
                if further:
                    break
    return (tuple(slots), uses) if len(slots) > before else None


def _wanted(batch: Batch, paper: str, missing: Counter[tuple[str, str]], idle: Counter[str]) -> Sequence[Die]:
    """Dies that may lie in an opening over this paper, large ones first: small ones find room elsewhere."""
    own = [die for die in batch.dies if missing[die.name, paper] > 0 and idle[die.name] > 0]
    return sorted(own, key=lambda die: (-die.cut.area, die.name))


@dataclass
class _Openings:
    """Where dies lie in openings of others; what was asked before is known."""

    batch: Batch
    known: dict[tuple[str, str, Turns, int], list[Pose]] = field(default_factory=dict)

    def poses(self, outer: Slot, die: Die, use: PartUse, most: int) -> list[Pose]:
        """Poses on the plate, at most so many, that keep gap and web to the outer die and to each other."""
        allowed = turns_on(die, self.batch.paper(use.paper))
        turns: Turns = "any"
        if allowed != "any":
            # In the outer die's frame: it is turned in the scrap's by its turn on the plate less that of the paper.
            off = outer.pose.deg - use.pose.deg
            turns = tuple(round((float(turn) - off) % 360.0, 7) for turn in allowed)
        key = (outer.die, die.name, turns, most)
        if key not in self.known:
            self.known[key] = self._laid(self.batch.die(outer.die), die, turns, most)
        a, b, d, e, x, y = outer.pose.matrix()
        return [
            Pose(a * p.x_mm + b * p.y_mm + x, d * p.x_mm + e * p.y_mm + y, (p.deg + outer.pose.deg) % 360.0)
            for p in self.known[key]
        ]

    def _laid(self, outer: Die, die: Die, turns: Turns, most: int) -> list[Pose]:
        """The same in the outer die's frame."""
        from nestcut.placement import Part, fill_region

        web, gap = self.batch.hand.web_mm, self.batch.hand.gap_mm
        # Metal stands between two cuts, too: rims need not be a web apart.
        metal = float(shapely.distance(filled(die.rim).boundary, die.cut))
        found: list[Pose] = []
        for part in getattr(outer.rim, "geoms", (outer.rim,)):
            for ring in part.interiors:
                inner = metal + float(shapely.distance(ring, outer.cut))
                rooms = shapely.get_parts(Polygon(ring).difference(outer.rim))
                for room in rooms:
                    if len(found) == most or room.area < die.rim.area:
                        continue
                    laid = fill_region(
                        room,
                        [Part(die.name, die.rim, turns=turns, most=most - len(found))],
                        web_mm=max(gap, web - 2 * metal) + HAIR_MM,
                        edge_mm=max(gap, web - inner) + HAIR_MM,
                        seconds=UNTIMED_S,
                        moves_limit=MOVES,
                    ).placed
                    found += [
                        one.pose
                        for one in laid
                        if shapely.distance(one.pose.apply(die.cut), outer.cut) >= web
                        and shapely.distance(one.pose.apply(die.rim), outer.rim) >= gap
                    ]
        return found
