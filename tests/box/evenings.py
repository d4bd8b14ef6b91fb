"""Small plans made by hand from what lies in a box: trims, cuts and remnants as a real plan has them."""

from __future__ import annotations

import random
from typing import Any

from shapely.geometry import Polygon
from shapely.geometry import box as rectangle

from nestcut import Box
from nestcut.batch import BoxState
from nestcut.box import StockScrap
from nestcut.plans import Plan, plan_from_json, shape_to_json
from tests.shared.plan_sample import sample

__all__ = ["evening", "fill", "snapshot"]


def fill(box: Box, count: int, rng: random.Random) -> None:
    """Put in so many scraps of four papers (a multiple of 4): rectangles, some of them alike, and some with a corner gone."""
    for paper in ("red", "green", "cream", "navy"):
        left = count // 4
        while left:
            wide, long = rng.uniform(60, 210), rng.uniform(60, 150)
            alike = min(left, rng.randint(1, 9))
            shape: Any = (wide, long)
            if rng.random() < 0.3:
                shape = Polygon([(0, 0), (wide, 0), (wide, long / 2), (wide / 3, long), (0, long)])
            box.add(paper, shape, count=alike)
            left -= alike


def snapshot(box: Box) -> tuple[str, BoxState]:
    """All that the box holds, to the last digit and in its order, as a text without the box's own id; and its state."""
    text = box.export_text()
    return text[text.index('"papers"') :], box.state


def evening(box: Box, scraps: list[StockScrap], *, title: str = "an evening", untouched: int = 2) -> Plan:
    """A plan from the box that uses these scraps: every other one is trimmed first, each is cut once.

    The last ``untouched`` ones are in its stock and never pulled out.
    """
    data = sample()
    used = scraps[: len(scraps) - untouched] if untouched else scraps
    data["title"] = title
    data["papers"] = [
        {"name": name, "swatch": None, "direction": "none", "both_sides": False}
        for name in sorted({one.paper for one in scraps})
    ]
    data["scraps"] = [
        {"id": one.tag, "paper": one.paper, "outline": shape_to_json(one.outline)} for one in scraps
    ]
    data["trims"], data["passes"], data["remnants"] = [], [], []
    for number, one in enumerate(used):
        name, sheet = one.tag, one.outline
        if number % 2:
            name, sheet = f"{one.tag}~a", rectangle(0, 0, 40, 40).intersection(one.outline)
            data["trims"].append({"scrap": one.tag, "into": [{"id": name, "outline": shape_to_json(sheet)}]})
        spot = sheet.representative_point().buffer(3.0)
        data["remnants"].append({"scrap": name, "outline": shape_to_json(sheet.difference(spot))})
        data["passes"].append(
            {
                "number": number + 1,
                "layup": "A",
                "papers": [{"scrap": name, "pose": [10, 20, 0], "flipped": False}],
                "cuts": [{"slot": 0, "scrap": name}],
            }
        )
    state = box.state
    data["extras"] = {"box": {"id": state.id, "state": state.state}}
    data["short"] = []
    return plan_from_json(data)
