"""Least length in regions of any form: everything in, exact, near one side, and no bound above what was found."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
import shapely
from shapely.geometry import Point, Polygon, box
from typer.testing import CliRunner

from nestcut.cli import app
from nestcut.placement import Part, least_reach
from nestcut.placement.fill.fill import room_in
from nestcut.placement.shapes.layout import lies_well
from tests.shared.shapes import blossom

ODD = Polygon([(0, 0), (64, 2), (70, 30), (48, 59), (20, 52), (4, 35)])
SIDES = [(1.0, 0.0), (0.0, 1.0), (0.6, -0.8)]


@pytest.mark.parametrize("direction", SIDES)
def test_odd_scrap_with_a_hole(direction: tuple[float, float]) -> None:
    """Two kinds in an odd scrap: counts, clearances, and the reach is what shapely measures."""
    scrap = ODD.difference(Point(35, 28).buffer(6))
    parts = [
        Part("blossom", blossom(5, 6.0), least=3),
        Part("none", box(0, 0, 5, 5)),
        Part("b", box(0, 0, 14, 6), least=2),
    ]
    told: list[float] = []
    found = least_reach(
        parts, scrap, direction, gap_mm=2.0, edge_mm=2.0, moves_limit=450,
        on_layout=lambda reach: told.append(reach.reach_mm),
    )  # fmt: skip
    assert found is not None
    assert sorted(one.part for one in found.placed) == [0, 0, 0, 2, 2]
    assert lies_well(parts, found.placed, room_in(scrap, 2.0), gap_mm=2.0)
    along = shapely.get_coordinates(scrap) @ direction
    ends = [
        shapely.get_coordinates(one.pose.apply(parts[one.part].shape)) @ direction for one in found.placed
    ]
    assert max(end.max() for end in ends) - along.min() == pytest.approx(found.reach_mm, abs=1e-9)
    assert found.bound_mm <= found.reach_mm < 0.75 * (along.max() - along.min())
    assert told == sorted(told, reverse=True)
    assert told[-1] == found.reach_mm


def kept_whole(scrap: str, count: int, *, seconds: int) -> Any:
    """What ``fill --keep-whole`` says of so many speedwells."""
    options = [
        "--die",
        "speedwell",
        "--count",
        str(count),
        "--keep-whole",
        "--seconds",
        str(seconds),
        "--json",
    ]
    return CliRunner().invoke(app, ["fill", scrap, *options])


def told_of(result: Any) -> dict[str, Any]:
    """The answer of a command that went well."""
    assert result.exit_code == 0, result.output
    told: dict[str, Any] = json.loads(result.stdout)
    return told


def test_squares_in_a_box_reach_the_bound() -> None:
    """Where the least is known: six squares of 10 in two columns of three, to the micrometre."""
    parts = [Part("square", box(0, 0, 10, 10), (0.0,), least=6)]
    found = least_reach(parts, box(5, 5, 65, 35), (-1.0, 0.0), gap_mm=0.0, moves_limit=3000)
    assert found is not None
    assert 20.0 - 1e-6 <= found.reach_mm < 20.2
    assert 19.9 < found.bound_mm <= found.reach_mm


def test_same_moves_same_layout_and_nothing_where_nothing_fits() -> None:
    """Deterministic with a limit in moves; None where the pieces are too many; no pieces reach nowhere."""
    parts = [Part("blossom", blossom(5, 7.0), least=4)]
    one, two = (least_reach(parts, ODD, (0.0, 1.0), gap_mm=2, moves_limit=300, seed=4) for _ in range(2))
    assert one is not None
    assert one == two
    assert (
        least_reach([Part("b", box(0, 0, 30, 30), least=4)], ODD, (1.0, 0.0), gap_mm=2, moves_limit=50)
        is None
    )
    nothing = least_reach([Part("b", box(0, 0, 9, 9))], ODD, (1.0, 0.0), gap_mm=2, moves_limit=50)
    assert nothing is not None
    assert nothing.placed == ()


def test_keep_whole_on_an_odd_scrap(tmp_path: Path) -> None:
    """fill --keep-whole takes a scrap of any form and says what stays in one piece."""
    outline = " L".join(f"{x} {y}" for x, y in ODD.exterior.coords[:-1])
    scrap = tmp_path / "odd.svg"
    scrap.write_text(
        '<svg xmlns="http://www.w3.org/2000/svg" width="70mm" height="59mm" viewBox="0 0 70 59">'
        f'<path d="M{outline}Z"/></svg>',
        encoding="utf-8",
    )
    told = told_of(kept_whole(str(scrap), 3, seconds=4))
    assert told["count"] == {"speedwell": 3}
    assert "stay whole in one piece" in told["reason"]
    result = kept_whole(str(scrap), 300, seconds=4)
    assert result.exit_code == 2
    assert "do not fit" in result.output


def test_keep_whole_on_a_sheet() -> None:
    """A rectangular sheet keeps a rectangle, as long as the widest piece allows."""
    told = told_of(kept_whole("90 x 40 mm", 2, seconds=2))
    assert told["count"] == {"speedwell": 2}
    assert "a rectangle of " in told["reason"]
    assert all(0 <= cut["pose"][0] <= 90 and 0 <= cut["pose"][1] <= 40 for cut in told["cuts"])
