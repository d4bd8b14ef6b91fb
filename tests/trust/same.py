"""Layouts and plans by work, as digests: ``python -m tests.trust.same [names]`` prints a line for each (all quick ones).

Run under other processor settings (see :mod:`tests.trust.test_same_everywhere`) the lines must not change.
"""

from __future__ import annotations

import hashlib
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

from shapely.geometry import Polygon, box
from shapely.geometry.base import BaseGeometry

from nestcut.batch import read_batch
from nestcut.passes import plan_batch
from nestcut.placement import (
    Part,
    Placed,
    fill_region,
    fits_together,
    largest_scale,
    least_length,
    least_reach,
)
from nestcut.placement.engine.spread import spread
from nestcut.plans import plan_to_json
from nestcut.sheets import write_sheets
from tests.benchmarks.passes_classes import random_class
from tests.passes.makers.test_nests import class_of_five
from tests.shared.places import ROOT
from tests.shared.shapes import blossom

__all__ = ["CASES", "QUICK", "digests"]


def rounded(shape: BaseGeometry) -> Polygon:
    """An outline whose numbers do not depend on whose sines it was made with."""
    return Polygon([(round(x, 4), round(y, 4)) for x, y in shape.exterior.coords[:-1]])


LEAF = Polygon([(0, 0), (6, -3), (18, -3), (24, 0), (18, 3), (6, 3)])
FLOWER = rounded(blossom(5, 8.0))
PETAL = rounded(blossom(3, 5.5, 0.45, 36))
ROOM = box(0, 0, 70, 60).difference(Polygon([(30, 20), (41, 24), (36, 33), (27, 29)]))


def of_layout(placed: Sequence[Placed]) -> str:
    """Every bit of a layout."""
    return repr([(one.part, one.pose.x_mm.hex(), one.pose.y_mm.hex(), one.pose.deg.hex()) for one in placed])


def mix_by_value() -> str:
    parts = [Part(str(k), s, value=s.area) for k, s in enumerate((LEAF, FLOWER))]
    found = fill_region(ROOM, parts, web_mm=2.0, edge_mm=2.0, moves_limit=50, seed=3)
    return of_layout(found.placed) + found.bound.hex()


def mix_of_three() -> str:
    parts = [Part(str(k), s, value=s.area) for k, s in enumerate((LEAF, FLOWER, PETAL))]
    found = fill_region(ROOM, parts, web_mm=2.0, edge_mm=2.0, moves_limit=200, seed=3)
    return of_layout(found.placed) + found.bound.hex()


def mix_in_proportions() -> str:
    parts = [Part("leaf", LEAF), Part("flower", FLOWER, (0.0, 90.0)), Part("petal", PETAL)]
    found = fill_region(
        ROOM, parts, web_mm=2.0, edge_mm=1.0, moves_limit=40, seed=4, proportions=(2.0, 1.0, 3.0)
    )
    return of_layout(found.placed)


def one_kind() -> str:
    found = fill_region(ROOM, [Part("f", FLOWER)], web_mm=1.5, edge_mm=2.0, moves_limit=40, seed=3)
    turned = fill_region(ROOM, [Part("l", LEAF, (0.0, 30.0))], web_mm=1.5, edge_mm=2.0, moves_limit=8)
    return of_layout(found.placed) + of_layout(turned.placed)


def strip() -> str:
    parts = [Part("leaf", LEAF, (0.0, 180.0), least=6), Part("flower", FLOWER, (0.0, 36.0), least=5)]
    parts.append(Part("petal", PETAL, least=4))
    found = least_length(parts, 50.0, gap_mm=1.0, seconds=3600, moves_limit=150, seed=2)
    return of_layout(found.placed) + found.length_mm.hex()


def together() -> str:
    parts = [Part("leaf", LEAF, least=3, most=3), Part("flower", FLOWER, least=3, most=3)]
    room = box(0, 0, 45, 46)
    found = fits_together(parts, room, gap_mm=1.0, moves_limit=100, seed=1) or ()
    apart = spread(parts, found, room) if found else ()
    reach = least_reach(parts, ROOM, (1.0, 0.4), gap_mm=1.0, moves_limit=30)
    factor, scaled = largest_scale(parts, room, gap_mm=1.0, moves_limit=30)
    laid = [found, apart, reach.placed if reach else (), scaled]
    return "".join(map(of_layout, laid)) + float(factor).hex()


def scraps_by_work() -> str:
    """A plan with drawings of scraps, and every sheet of it."""
    plan = plan_batch(read_batch(ROOT / "examples" / "scraps.toml"), seconds=3600, work_limit=5, seed=1)
    with tempfile.TemporaryDirectory() as folder:
        paths = write_sheets(plan, Path(folder))
        sheets = b"".join(path.read_bytes() for path in sorted(paths))
    return repr(plan_to_json(plan)) + hashlib.sha256(sheets).hexdigest()


def nests_by_work() -> str:
    """Five discs in a scrap that holds them only as a nest, and chips that ride along."""
    batch = class_of_five(riders=8)
    dies = tuple(replace(die, cut=rounded(die.cut), rim=rounded(die.rim)) for die in batch.dies)
    return repr(plan_to_json(plan_batch(replace(batch, dies=dies), seconds=3600, work_limit=20)))


def class_short_of_paper() -> str:
    """A class whose paper does not do: nests, lay-ups of their own."""
    batch = random_class(10, size="small", supply=2.0)
    dies = tuple(replace(die, cut=rounded(die.cut), rim=rounded(die.rim)) for die in batch.dies)
    batch = replace(batch, dies=dies)
    return repr(plan_to_json(plan_batch(batch, seconds=3600, work_limit=20)))


CASES: dict[str, Callable[[], str]] = {
    case.__name__.replace("_", "-"): case
    for case in (
        mix_by_value,
        mix_of_three,
        mix_in_proportions,
        one_kind,
        strip,
        together,
        scraps_by_work,
        nests_by_work,
        class_short_of_paper,
    )
}


QUICK = tuple(name for name in CASES if name not in ("mix-of-three", "class-short-of-paper"))
"""A quarter of a minute in all, with the kernels compiled; the others take a minute."""


def digests(names: Sequence[str]) -> dict[str, str]:
    """The SHA-256 of each named case."""
    return {name: hashlib.sha256(CASES[name]().encode()).hexdigest() for name in names}


if __name__ == "__main__":
    for name in sys.argv[1:] or QUICK:
        began = time.perf_counter()
        print(name, digests([name])[name], flush=True)
        print(f"{name} {time.perf_counter() - began:.1f} s", file=sys.stderr)
