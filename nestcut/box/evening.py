"""After an evening: what the plan used comes out of the box, what it left goes in."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping

from shapely.geometry import Polygon

from nestcut.batch.model import BoxState
from nestcut.box.file import now_text
from nestcut.box.rows import (
    FreshTags,
    at_corner,
    evenings,
    outline_from,
    put_paper,
    put_scrap,
    remove,
    tags,
)
from nestcut.box.values import AfterEvening, PastEvening, Tagged
from nestcut.errors import BoxError
from nestcut.plans import Plan
from nestcut.plans.leftovers import leftovers

__all__ = ["box_of_plan", "put_back", "put_back_before"]

ALIKE_MM = 0.01
"""Two outlines whose corners lie nearer than this are the same scrap: turned over and back, a corner moves by less."""


def box_of_plan(plan: Plan) -> BoxState | None:
    """The box that a plan was made from, as it was then; None for a plan with scraps of its own."""
    noted = plan.extras.get("box")
    if not isinstance(noted, Mapping):
        return None
    id_, state = noted.get("id"), noted.get("state")
    return BoxState(id_, state) if isinstance(id_, str) and isinstance(state, str) else None


def put_back_before(con: sqlite3.Connection, digest: str) -> PastEvening | None:
    """The evening of this plan, if its paper was put back already."""
    return next((one for one in evenings(con) if one.plan == digest), None)


def put_back(
    con: sqlite3.Connection, plan: Plan, own: BoxState, digest: str, *, anyway: bool
) -> AfterEvening:
    """Take out what the plan used and put in what it left, inside an action.

    Args:
        own: this box, as it is.
        anyway: also where scraps that the plan used are gone or changed.
    Raises: BoxError where the plan was made from another box, or its scraps are not as it takes them to be.
    """
    made_from = box_of_plan(plan)
    notes: list[str] = []
    used: list[str] = []
    left = leftovers(plan)
    if made_from is None:
        # Scraps that the box does not know: whatever is left of them is new to it, untouched ones as well.
        kept = left.kept
        notes.append(
            "The plan has scraps of its own, not those of the box: nothing was taken out, and all that it leaves went in."
        )
    else:
        if made_from.id != own.id:
            raise BoxError(
                "the plan was made from another box",
                mend="name the box that it was made from with --box",
            )
        if made_from.state != own.state:
            notes.append("The box was changed after this plan was made.")
        kept = tuple(one for one in left.kept if one.kind != "scrap")
        used = _used(plan)
        there = _as_planned(con, plan, used, anyway=anyway)
        if len(there) < len(used):
            gone = [tag for tag in used if tag not in there]
            notes.append(f"Gone or changed since, and left as they are: {', '.join(gone)}.")
        used = there
    remove(con, "scrap", "tag", used, "scrap")
    known = {row[0] for row in con.execute("select name from paper")}
    source = f"evening {plan.title}" if plan.title else "an evening"
    since = now_text()
    taken = tags(con)
    # What keeps its id must not lose it to a piece that is given a new one.
    fresh = FreshTags(taken.union(*(one.ids for one in kept)))
    papers = {paper.name: paper for paper in plan.papers}
    put = []
    for one in kept:
        if one.paper not in known:
            put_paper(con, papers[one.paper])
            known.add(one.paper)
        for name in one.ids:
            tag = fresh.of(one.paper) if name in taken else name
            taken.add(tag)
            put_scrap(con, tag, one.paper, at_corner(one.outline), source, since)
            put.append(Tagged(tag, one.paper, name))
    con.execute("insert into evening (plan, title, at) values (?, ?, ?)", (digest, plan.title, since))
    return AfterEvening(None, tuple(used), tuple(put), left.crumbs, tuple(notes))


def _used(plan: Plan) -> list[str]:
    """Ids of the scraps of the stock that were trimmed or cut."""
    touched = {trim.scrap for trim in plan.trims}
    touched |= {one.scrap for one in plan.spoilt}
    touched |= {cut.scrap for a_pass in plan.passes for cut in a_pass.cuts}
    return [scrap.id for scrap in plan.scraps if scrap.id in touched]


def _as_planned(con: sqlite3.Connection, plan: Plan, used: list[str], *, anyway: bool) -> list[str]:
    """Those of the used scraps that lie in the box as the plan has them. Raises: BoxError where some don't, unless ``anyway``."""
    rows = con.execute(
        "select s.tag, p.name, s.outline from scrap s join paper p on p.id = s.paper"
    ).fetchall()
    there = {tag: (paper, outline) for tag, paper, outline in rows}
    planned = {scrap.id: scrap for scrap in plan.scraps}

    def same(tag: str) -> bool:
        if tag not in there or there[tag][0] != planned[tag].paper:
            return False
        return _alike(outline_from(there[tag][1]), planned[tag].outline)

    good = [tag for tag in used if same(tag)]
    other = [tag for tag in used if tag not in set(good)]
    if other and not anyway:
        more = f" and {len(other) - 5} more" if len(other) > 5 else ""
        raise BoxError(
            f"scraps that the plan uses are gone from the box, or changed: {', '.join(other[:5])}{more}; nothing was changed",
            mend="undo what was done since (nestcut box undo), or, if you cut the plan all the same, "
            "say --anyway: what it leaves goes in, and those scraps stay as they are",
        )
    return good


def _alike(one: Polygon, other: Polygon) -> bool:
    return bool(
        at_corner(one).normalize().equals_exact(at_corner(other).normalize(), ALIKE_MM)
        or at_corner(one).symmetric_difference(at_corner(other)).area <= ALIKE_MM * one.length
    )
