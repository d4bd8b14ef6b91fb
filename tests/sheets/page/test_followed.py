"""A person follows the run sheet, word by word: every pass of the plan comes out.

Only what is printed is used (tags, measures, pull marks, boxes); what lies on the plate is carried from run to run.
"""

from __future__ import annotations

import csv
import html
import io
import re
from collections import Counter
from itertools import pairwise

import pytest
import shapely
from shapely.geometry import Polygon, box

from nestcut.batch import read_scraps_csv
from nestcut.batch.model import Hand, Machine
from nestcut.plans.fitting import SQUARE_MM
from nestcut.sheets import render_sheets, write_sheets
from nestcut.sheets.drawings.pictures import Album
from nestcut.sheets.drawings.tables import time_line
from nestcut.sheets.drawings.trimming import trim_kinds
from nestcut.sheets.drawings.words import paper_codes
from nestcut.sheets.runs.pass_texts import group_texts
from tests.shared import sheet_plans as plans
from tests.sheets.html import Page

ARROWS = {"↑": (0, -1), "↓": (0, 1), "→": (1, 0), "←": (-1, 0)}


def along(words: str) -> float:
    return -float(words.removesuffix(" past it")) if words.endswith("past it") else float(words)


def shift(marks: str) -> tuple[float, float]:
    dx = dy = 0.0
    for size, arrow in re.findall(r"([\d.]+)\u00a0(\S)", marks.replace(",", " ")):
        dx, dy = dx + float(size) * ARROWS[arrow][0], dy + float(size) * ARROWS[arrow][1]
    return dx, dy


def dies_named(words: str) -> set[int]:
    return {int(part.split()[0]) - 1 for part in words.split(", ") if part}


def follow_rule(lane: list) -> None:
    """Lay the next scrap where the rule says that the one before is used up."""
    rule, passed = lane[5], lane[6]
    alike = re.match(r"each one lasts (\d+) pass", rule)
    first = re.match(r"this one lasts (\d+) pass.*?, (\d+) pass(?:es)? each", rule)
    laid = re.search(r"laid (\d+)\u00a0mm from the \w+, (sticking out )?(\d+)\u00a0mm", rule)
    if alike:
        begins = passed and passed % int(alike[1]) == 0
    else:
        begins = first and passed >= int(first[1]) and (passed - int(first[1])) % int(first[2]) == 0
    if begins:
        lane[1], lane[2] = lane[4]
        if laid:
            lane[1], lane[2] = float(laid[1]), float(laid[3]) * (-1 if laid[2] else 1)


def followed(plan):
    """Pass → (dies on the plate, tag → (scrap or None where a rule names it, x, y)), from the printed words alone."""
    album = Album(plan)
    groups = group_texts(plan, album, paper_codes([one.name for one in plan.papers]), time_line(plan))
    told = {}
    for group in groups:
        slots = set(range(len(plan.layup(group.layup).slots)))
        lifted: set[int] = set()
        lying: dict[str, list] = {}
        for block in group.blocks:
            assert block.times == 1
            for run in block.runs:
                if run.lifted or not (run.lift or run.put_back):
                    lifted = (
                        dies_named(run.lifted) if run.lifted or run is group.blocks[0].runs[0] else lifted
                    )
                lifted = (lifted | dies_named(run.lift)) - dies_named(run.put_back)
                before, lying = lying, {}
                for label, scrap, y in run.as_before:
                    old = before[label]
                    lying[label] = [old[0], *old[1:]]
                    assert lying[label][2] == pytest.approx(along(y), abs=1)
                    assert lying[label][0] in (scrap, None)
                for lane in run.lanes:
                    scrap = None if lane.rule else lane.ids
                    start = (float(lane.across), along(lane.along))
                    lying[lane.label] = [scrap, *start, shift(lane.pull), start, lane.rule, 0]
                stages = {stage.first: stage.feeds for stage in run.stages}
                for number in range(run.first, run.last + 1):
                    for feed in stages.get(number, ()):
                        lane = lying[feed.label]
                        x, y = lane[4]
                        if feed.where:
                            *across, end = feed.where.split(", ")
                            x, y = float(across[0]) if across else x, along(end)
                        lane[0], lane[1], lane[2], lane[4] = feed.scrap, x, y, (x, y)
                    for lane in lying.values():
                        follow_rule(lane)
                    told[number] = (
                        slots - lifted,
                        {label: (lane[0], lane[1], lane[2]) for label, lane in lying.items()},
                    )
                    for lane in lying.values():
                        lane[1], lane[2], lane[6] = lane[1] + lane[3][0], lane[2] + lane[3][1], lane[6] + 1
    return told


@pytest.mark.parametrize("make", [plans.evening, plans.two_lanes])
def test_followed_by_hand_the_sheet_gives_back_every_pass(make):
    plan = make()
    pieces = plan.pieces_of_paper()
    told = followed(plan)
    assert set(told) == {one.number for one in plan.passes}
    for one in plan.passes:
        down, lying = told[one.number]
        assert down == {cut.slot for cut in one.cuts}, one.number
        corners = {
            paper.scrap: paper.pose.apply(pieces[paper.scrap][1], flipped=paper.flipped).bounds[:2]
            for paper in one.papers
        }
        assert len(lying) == len(corners), one.number
        named = {scrap: (x, y) for scrap, x, y in lying.values() if scrap}
        assert named.keys() <= corners.keys(), one.number
        for scrap, place in named.items():
            assert place == pytest.approx(corners[scrap], abs=1.0), (one.number, scrap)
        free = sorted(corners[scrap] for scrap in corners.keys() - named.keys())
        ruled = sorted((x, y) for scrap, x, y in lying.values() if not scrap)
        for place, wanted in zip(ruled, free, strict=True):
            assert place == pytest.approx(wanted, abs=1.0), one.number


def in_turn(trips: int, passes: int, *, alone: bool = False):
    """One die that needs several trips and one that does not, on two lay-up places: down in turn, or one of them always.

    Args:
        alone: only the demanding die comes down: one long step of passes that are all alike.
    """
    dies = plans.hedgerow()
    demanding = plans.die("thistle", plans.flower(9, 12), trips=trips)
    book = plans.Book(
        "in turn", Machine((150.0, 100.0)), plans.PAPERS, (dies["speedwell"], demanding), Hand()
    )
    book.layup("A", ("speedwell", 30, 30, 0), ("thistle", 110, 30, 0))
    for k in range(passes):
        slot = 1 if alone or k % 3 == 2 else 0
        scrap = book.scrap(f"s{k}", "red", (40, 40))
        book.press("A", [(scrap, book.corner(scrap, 10 + 80 * slot, 10))], {slot: scrap})
    return book.finish(kits=1)


def trips_told(plan) -> dict[int, int]:
    """Pass → how often to crank, from the words at each step alone: once, where nothing is said."""
    groups = group_texts(plan, Album(plan), paper_codes([one.name for one in plan.papers]), time_line(plan))
    told: dict[int, int] = {}
    for group in groups:
        for block in group.blocks:
            number = block.first
            for _ in range(block.times):
                for run in block.runs:
                    often = re.match(r"Crank (?:(twice)|(\d+) times)\b", run.crank)
                    trips = 1 if not run.crank else 2 if often[1] else int(often[2])
                    for _ in range(run.count):
                        told[number] = trips
                        number += 1
            assert number == block.last + 1
    return told


def boxes_drawn(text: str) -> dict[int, int]:
    """Pass → boxes to tick, from the printed page."""
    found: dict[int, int] = {}
    last = 0
    for kind, label in re.findall(r'<span class="(tick|tick turn|trip)">(\w+)</span>', text):
        if kind == "trip":
            found[last] += 1
            assert label.startswith(str(found[last]))
        else:
            last = int(label)
            assert last not in found
            found[last] = 1
    return found


@pytest.mark.parametrize(
    "make",
    [
        plans.evening,
        plans.two_lanes,
        lambda: in_turn(2, 12),
        lambda: in_turn(3, 7),
        lambda: in_turn(2, 9, alone=True),
        lambda: in_turn(2, 200, alone=True),
    ],
)
def test_followed_by_hand_the_sheet_gives_back_every_crank(make):
    """Cranks by the words at each step, and by the boxes ticked, are the cranks of the plan, pass by pass."""
    plan = make()
    trips = {one.name: one.trips for one in plan.dies}
    wanted = {
        one.number: max(trips[plan.layup(one.layup).slots[cut.slot].die] for cut in one.cuts)
        for one in plan.passes
    }
    assert sum(wanted.values()) == plan.totals.cranks
    text = render_sheets(plan)["run-sheet.html"]
    assert trips_told(plan) == wanted
    assert boxes_drawn(text) == wanted
    words = Page(text).words
    if plan.totals.cranks > plan.totals.passes:
        assert f"{plan.totals.cranks} cranks through the machine (" in words
        assert "Crank" in words
    else:
        assert "cranks through" not in words


# ---------------------------------------------------------------------- what is left


def named(words: str, known: list[str]) -> list[str]:
    """ "a to c, e" → a, b, c, e, in the order of the known names."""
    found = []
    for one in words.split(", "):
        first, _, last = one.partition(" to ")
        found += known[known.index(first) : known.index(last or first) + 1]
    return found


def cut_through(piece: Polygon, frame: tuple, at: list[float], side: str) -> list[tuple[Polygon, tuple]]:
    """A piece and the box that it is measured in, cut right through."""
    axis = 0 if side == "left" else 1
    marks = [frame[axis], *(frame[axis] + one for one in at), frame[axis + 2]]
    found = []
    for low, high in pairwise(marks):
        window = list(frame)
        window[axis], window[axis + 2] = low, high
        found.append((piece.intersection(box(*window)), tuple(window)))
    return found


def trims_followed(plan, page: str) -> dict[str, list[Polygon]]:
    """Scrap → pieces of paper that lie on the table after its trim, parts apart: from the printed sentences.

    Which part is which is seen from the picture, as a person sees it: the parts' outlines stand for the picture here.
    """
    told = re.findall(r'<div class="parts">(.*?)(?=<div class="parts">|<h2>)', page, re.S)
    kinds = trim_kinds(plan)
    assert len(told) == len(kinds)
    left: dict[str, list[Polygon]] = {}
    for kind, text in zip(kinds, told, strict=True):
        names, parts = kind.labels, dict(zip(kind.labels, kind.parts, strict=True))
        sentences = [html.unescape(one) for one in re.findall(r"<li>(.*?)</li>", text)]
        table = [(kind.outline, kind.outline.bounds)]
        if not sentences:
            assert "cut along the drawn outlines" in text
            rest = kind.outline.difference(shapely.union_all(kind.parts).buffer(1e-3))
            left |= {scrap: list(shapely.get_parts(rest)) for scrap in kind.scraps}
            continue
        for sentence in sentences:
            whole = re.fullmatch(r"Cut at (.*) mm from the (left|upper) side\.", sentence)
            one = re.fullmatch(
                r"Cut the piece for parts? (.*?) at (.*) mm from the (left|upper) side\.", sentence
            )
            many = re.fullmatch(
                r"Cut each of the pieces for parts (.*?) at (.*) mm from the (left|upper) side\.", sentence
            )
            wanted = [names] if whole else [named(words, names) for words in (one or many)[1].split("; ")]
            at, side = (whole or one or many).groups()[-2:]
            for some in wanted:
                (found,) = (
                    place
                    for place, (piece, _) in enumerate(table)
                    if all(piece.buffer(0.06).covers(parts[name]) for name in some)
                )
                table += cut_through(*table.pop(found), [float(x) for x in re.findall(r"[\d.]+", at)], side)
        for part in parts.values():
            (found,) = (
                place
                for place, (piece, _) in enumerate(table)
                if not piece.is_empty and piece.symmetric_difference(part).area < 0.06 * part.length
            )
            table.pop(found)
        pieces = [part for piece, _ in table for part in shapely.get_parts(piece) if part.area > 0]
        left |= dict.fromkeys(kind.scraps, pieces)
    return left


def kinds_of(pieces) -> Counter:
    """Pieces by paper, box and area: what a ruler tells apart."""
    return Counter(
        (paper, *(round(side, 1) + 0.0 for side in (x1 - x0, y1 - y0)), round(area / 100, 1))
        for paper, (x0, y0, x1, y1), area in pieces
    )


@pytest.mark.parametrize("make", [plans.trimmed, plans.evening, plans.two_lanes])
def test_what_is_told_to_go_back_is_what_is_left(make, tmp_path):
    """Trims by their sentences, cuts by the list of cuts: all that lies there then goes back, or is a crumb."""
    plan = make()
    files = render_sheets(plan)
    write_sheets(plan, tmp_path)
    page = files["run-sheet.html"]
    offcuts = trims_followed(plan, page) if plan.trims else {}
    known = plan.pieces_of_paper()
    gone: dict[str, float] = {}
    area = {
        die.name: sum(Polygon(part.exterior).area for part in shapely.get_parts(die.cut)) for die in plan.dies
    }
    inside = {"speedwell"} if any(die.name == "tag" for die in plan.dies) else set()
    tags = {row["scrap"] for row in csv.DictReader(io.StringIO(files["pieces.csv"])) if row["die"] == "tag"}
    for row in csv.DictReader(io.StringIO(files["pieces.csv"])):
        # The small flower is cut in the opening of the tag, which falls out with it.
        if not (row["die"] in inside and row["scrap"] in tags):
            gone[row["scrap"]] = gone.get(row["scrap"], 0.0) + area[row["die"]]
    lying = [
        (known[scrap][0], piece.bounds, piece.area) for scrap, pieces in offcuts.items() for piece in pieces
    ]
    lying += [
        (paper, outline.bounds, outline.area - gone.get(name, 0.0))
        for name, (paper, outline) in known.items()
        if name not in offcuts
    ]
    back = [
        (one.paper, one.outline.bounds, one.outline.area) for one in read_scraps_csv(tmp_path / "box.csv")
    ]
    rest = kinds_of(lying)
    rest.subtract(kinds_of(back))
    assert min(rest.values()) >= 0, [one for one, count in rest.items() if count < 0]
    crumbs = sum(key[3] for key in rest.elements())
    words = Page(page).words.replace("\u00a0", " ")
    said = re.search(r"Too small for another piece: about ([\d.]+) cm²\. Throw it away", words)
    assert (float(said[1]) if said else 0.0) == pytest.approx(crumbs, abs=0.06 * rest.total() + 1)
    # No crumb has a free square of 30 mm or room for the smallest die in its box.
    least = min(
        min(die.cut.bounds[2] - die.cut.bounds[0], die.cut.bounds[3] - die.cut.bounds[1]) for die in plan.dies
    )
    for paper, across, along, cm2 in rest.elements():
        full = cm2 * 100 >= 0.98 * across * along
        assert not (full and min(across, along) >= min(SQUARE_MM, least + 2 * plan.hand.edge_mm) + 0.2), paper
