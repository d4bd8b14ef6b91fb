"""The papers of a run in words: where each lies, how it is pulled on, and what follows it.

What goes on just as in the run before is only named, so that a person reads what changes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from nestcut.sheets.drawings.pictures import Album
from nestcut.sheets.drawings.words import id_list, length, number
from nestcut.sheets.runs.course import along_words, differs, feed_arrow, in_stages
from nestcut.sheets.runs.lying import near
from nestcut.sheets.runs.runs import Feed, Lane, Run
from nestcut.units import counted

__all__ = ["LaneText", "arrow_words", "goes_on", "lane_text"]

_SAME_MM = 0.05
"""Places nearer to each other are the same to a hand with a ruler."""


@dataclass(slots=True)
class LaneText:
    """One paper of a run, in words."""

    label: str
    arrow: str
    ids: str
    across: str
    along: str
    does: str
    """What to do with it before the run's first pass; empty where the measures say it."""
    pull: str
    """How it is pulled on after each pass."""
    rule: str
    """What follows it, where the run's stages don't tell; empty if nothing."""
    new: bool


def arrow_words(lane: Lane, album: Album) -> str:
    """Which way the lane's first paper points; empty where it fits any way round."""
    return "" if lane.any_turn else album.laid_words(lane.first)


def goes_on(lane: Lane, run: Run, pulled: tuple[float, float] | None) -> bool:
    """True where nothing about a paper changes: it was pulled on by ``pulled`` after every pass so far, and still is.

    Args:
        pulled: the shift that the person was told last for this paper, mm; None if none was.
    """
    if (
        pulled is None
        or lane.before not in ("stays", "moved")
        or not (in_stages(lane) or len(lane.feeds) == 1)
    ):
        return False
    shift = lane.moved if lane.before == "moved" else (0.0, 0.0)
    if not near(shift, pulled, _SAME_MM):
        return False
    return run.count == 1 or lane.step is None or near(lane.step, pulled, _SAME_MM)


def lane_text(
    lane: Lane, twins: Sequence[Lane], label: str, run: Run, album: Album, *, folded: bool
) -> LaneText:
    """One row of a run's table.

    Args:
        twins: the same lane in every repeat of a folded run; else just itself.
        folded: the run is told for several repeats at once, so no stages follow.
    """
    view = album.view
    staged = not folded and in_stages(lane)
    distinct = list(dict.fromkeys(scrap for twin in twins for scrap in twin.scraps))
    long = run.count > 1
    still = lane.step is not None and near(lane.step, (0.0, 0.0), _SAME_MM)
    pull = ""
    if long and lane.step is not None:
        pull = "stays" if still else view.step_marks(*lane.step)
    elif long and len(lane.feeds) == 1:
        pull = "stays"
    does = {
        "new": "lay it",
        "next": "lay the next one",
        "stays": "stays",
        "moved": "",
        "turned": "turn it as the arrow says",
    }[lane.before]
    if lane.before == "moved" and (lane.step is None or not near(lane.moved, lane.step, _SAME_MM)):
        does = f"pull it on {view.step_marks(*lane.moved)}"
    if does == pull:
        does = ""
    rule = ""
    if long and not staged and len(lane.feeds) > 1:
        rule = (
            _feed_words(lane, [twin.feeds for twin in twins], album)
            if lane.uneven
            else _even_rule(lane, album)
        )
    across = lane.box[0]
    return LaneText(
        label,
        arrow_words(lane, album),
        # Nobody can lay "3 more": all are named, as long as a person can still read it.
        id_list(distinct[:1] if staged or lane.uneven else distinct, most=24),
        number(across, 0 if abs(across - round(across)) < _SAME_MM else 1),
        along_words(lane.box[1]),
        ", ".join(part for part in (does, "other side up" if lane.first.flipped else "") if part),
        pull,
        rule,
        lane.before in ("new", "next"),
    )


def _even_rule(lane: Lane, album: Album) -> str:
    """Scraps that are all alike: how long each lasts, and where the next one begins."""
    if lane.per_scrap == 1 and lane.first_uses == 1:
        return "a new one each pass"
    follow = counted(len(lane.scraps) - 1, "more like it", "more like it")
    begin = ", starting where this one started"
    if lane.start is not None and not near(lane.start, (lane.box[0], lane.box[1]), _SAME_MM):
        along = (
            f"sticking out {length(-lane.start[1])} past the first end"
            if lane.start[1] < -0.5
            else f"{length(lane.start[1])} from the first end"
        )
        begin = f", laid {length(lane.start[0])} from the {album.view.side}, {along}"
    elif lane.step is None or near(lane.step, (0.0, 0.0), _SAME_MM):
        begin = ""
    if lane.per_scrap and lane.per_scrap == lane.first_uses:
        return f"each one lasts {counted(lane.per_scrap, 'pass', 'passes')}, then the next ({follow}){begin}"
    lasts = f"this one lasts {counted(lane.first_uses, 'pass', 'passes')}, then {follow}"
    each = f", {counted(lane.per_scrap, 'pass', 'passes')} each" if lane.per_scrap else ""
    return f"{lasts}{each}{begin}"


def _feed_words(lane: Lane, twins: Sequence[Sequence[Feed]], album: Album) -> str:
    """How a lane goes through scraps that are not all alike: which, for how many passes, laid where.

    Args:
        twins: the scraps of each repeat.
    """
    view = album.view
    one_column = len({round(feed.corner[0], 1) for feed in lane.feeds}) == 1
    told_apart = differs(lane)
    parts = []
    stretch: list[tuple[Feed, list[str]]] = []
    for k, feed in enumerate(lane.feeds):
        names = [feeds[k].scrap for feeds in twins]
        last = stretch[-1][0] if stretch else None
        alike = (
            last is not None
            and last.uses == feed.uses
            and abs(last.deg - feed.deg) < 1e-6
            and near(last.corner, feed.corner, _SAME_MM)
        )
        if alike:
            stretch[-1][1].extend(names)
        else:
            stretch.append((feed, names))
    for place, (feed, names) in enumerate(stretch):
        lasts = f"{counted(feed.uses, 'pass', 'passes')}" + (" each" if len(set(names)) > 1 else "")
        if not place and len(set(names)) == 1:
            # The scrap itself and its arrow stand beside these words.
            parts.append(f"it lasts {lasts}")
            continue
        words = id_list(dict.fromkeys(names), most=30)
        if told_apart and (arrow := feed_arrow(feed, lane, album)):
            words += f" {arrow}"
        words = ("then " if place else "") + f"{words}, {lasts}"
        if place:
            where = "" if one_column else f"{number(feed.corner[0], 0)} from the {view.side}, "
            words += f", starting {where}{along_words(feed.corner[1])}" + (
                "" if feed.corner[1] < -0.5 else " from the first end"
            )
        parts.append(words)
    return "; ".join(parts)
