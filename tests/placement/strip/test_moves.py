"""The kernels that place one piece: depths against shapely, corners against a fine grid, descents downhill."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import linprog
from shapely.affinity import translate
from shapely.geometry import Point, Polygon

from nestcut.placement.shapes.nofit import no_fit
from nestcut.placement.strip import kernels
from nestcut.placement.strip.moves import corner, look
from nestcut.placement.strip.tables import HAIR, prepare

U = Polygon([(0, 0), (4, 0), (4, 3), (2.6, 3), (2.6, 1), (1.2, 1), (1.2, 3), (0, 3)])
KITE = Polygon([(0, 0), (3, -1), (5, 0), (3, 2)])


def tables():  # type: ignore[no-untyped-def]
    """U and kite, each in two turns, in a strip of 10; and what leads back to the turned shapes."""
    job = prepare([U, KITE], [(0.0, 180.0), (0.0, 90.0)], [1, 1], 10.0)
    shapes = []
    for variant in job.variants:
        pose = job.pose(job.variants.index(variant), 0.0, 0.0)
        shapes.append(pose.apply((U, KITE)[variant.kind]))
    return job, shapes


def test_depth_is_the_distance_to_the_no_fit_edge() -> None:
    """Against the no-fit region of the same shapes and its boundary, by shapely, to the tables' hair."""
    job, shapes = tables()
    t, unit = job.tables, job.unit_mm
    rng = np.random.default_rng(3)
    met = 0
    for _ in range(400):
        u, v = (int(a) for a in rng.integers(len(shapes), size=2))
        x, y = rng.uniform(-5, 5, 2)
        deep = kernels.depth_of(
            t.wide, t.high, t.pair, t.grid, t.grid_n, t.cell_list, t.near, t.edges, u, v, x / unit, y / unit
        )
        region = no_fit(shapes[u], shapes[v])
        inside = region.contains(Point(x, y))
        true = region.boundary.distance(Point(x, y)) / unit if inside else 0.0
        assert deep == pytest.approx(true, abs=3 * HAIR)
        common = shapes[u].intersection(translate(shapes[v], x, y)).area
        assert (common > 0) == inside or min(common, true * unit) < 1e-3
        met += inside
    assert 50 < met < 350


def test_half_planes_point_the_way_out() -> None:
    """A small step against the gradient lessens the depth by the length of the step."""
    job, shapes = tables()
    t = job.tables
    rng = np.random.default_rng(4)
    x, y, v = np.zeros(1), np.zeros(1), np.zeros(1, np.int64)
    line = np.empty((4, 4))
    seen = 0
    for _ in range(300):
        v[0], w = rng.integers(len(shapes), size=2)
        px, py = rng.uniform(-400, 400, 2)

        def at(qx: float, qy: float, turned: int = int(w)) -> tuple[float, int]:
            return look(
                t.wide, t.high, t.scale, t.pair, t.grid, t.grid_n, t.cell_list, t.near, t.edges, turned, qx, qy,
                x, y, v, np.ones(1), np.zeros(1, np.int64), 1, 10.0, line, 1e300,
            )  # fmt: skip

        cost, rows = at(px, py)
        if rows != 1 or line[0, 1] < 2.0:
            continue
        weight, deep, gx, gy = line[0].copy()
        assert cost == pytest.approx(weight * deep)
        assert gx * gx + gy * gy == pytest.approx(1.0)
        after, _ = at(px - 0.5 * gx, py - 0.5 * gy)
        assert after == pytest.approx(weight * (deep - 0.5), abs=1e-6)
        seen += 1
    assert seen > 20


@pytest.mark.parametrize("seed", range(20))
def test_corner_is_the_least_of_the_model(seed: int) -> None:
    """Σ w·max(0, s + g·δ) over a box, against the linear programme that HiGHS solves."""
    rng = np.random.default_rng(seed)
    m = int(rng.integers(1, 9))
    line = np.empty((m, 4))
    angle = rng.uniform(0, 2 * np.pi, m)
    line[:, 0], line[:, 1] = rng.uniform(0.5, 5, m), rng.uniform(-4, 6, m)
    line[:, 2], line[:, 3] = np.cos(angle), np.sin(angle)
    x0, x1, y0, y1 = -rng.uniform(0, 5), rng.uniform(0, 5), -rng.uniform(0, 5), rng.uniform(0, 5)
    least, dx, dy = corner(line, m, x0, x1, y0, y1, 1e300)
    cost = np.concatenate(([0, 0], line[:, 0]))
    rows = np.hstack((line[:, 2:], -np.eye(m)))
    best = linprog(
        cost, A_ub=rows, b_ub=-line[:, 1], bounds=[(x0, x1), (y0, y1)] + [(0, None)] * m, method="highs"
    )
    assert least == pytest.approx(best.fun, abs=1e-6)
    there = float((line[:, 0] * np.maximum(0, line[:, 1] + line[:, 2] * dx + line[:, 3] * dy)).sum())
    assert there == pytest.approx(least, abs=1e-6)
    assert x0 - 1e-6 <= dx <= x1 + 1e-6
    assert y0 - 1e-6 <= dy <= y1 + 1e-6
