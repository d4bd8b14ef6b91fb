"""Prepare a job for the search: variants, no-fit regions, depth tables.

The search's own unit makes the strip 1000 wide, so that tolerances mean the same for every job.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import affinity
from shapely.geometry import MultiPolygon, Polygon
from shapely.geometry.polygon import orient

from nestcut.arithmetic import dot, lengths_of
from nestcut.batch.model import Pose, Shape
from nestcut.placement.shapes.convex import Points, convex_parts, ring_area

__all__ = ["HAIR", "WIDTH", "Planes", "StripJob", "TurnedShape", "prepare"]

WIDTH = 1000.0
"""Width of the strip in the search's unit."""
HAIR = 0.01
"""How far sums are shrunk in the search's depth tables, search units: keeps exact slots findable."""
MOST_SAMPLES = 24_000_000


@dataclass(frozen=True, slots=True)
class TurnedShape:
    """A shape at one of its turns, moved so that its box starts at (0, 0); search units."""

    kind: int
    deg: float
    parts: tuple[Points, ...]
    wide: float
    high: float
    corner_mm: tuple[float, float]
    """Lower left corner of the turned shape's box before the move, mm."""


@dataclass(frozen=True, slots=True)
class Planes:
    """Half-planes n·p ≥ c outside each convex sum of each variant pair (u ≤ v), exact."""

    sum_start: NDArray[np.int64]
    plane_start: NDArray[np.int64]
    plane: NDArray[np.float64]


@dataclass(slots=True)
class StripJob:
    """A prepared job: everything the search needs."""

    unit_mm: float
    """Millimetres per search unit."""
    width: float
    variants: list[TurnedShape]
    part_of: NDArray[np.int64]
    """(n) number of the part that each piece is a copy of."""
    first: NDArray[np.int64]
    count: NDArray[np.int64]
    area: NDArray[np.float64]
    """(n) search units²."""
    planes: Planes
    tables: object
    """:class:`nestcut.placement.strip.kernels.Tables`."""
    longest: float

    def pose(self, variant: int, x: float, y: float) -> Pose:
        """The pose, mm, of a piece whose box corner lies at (x, y) in search units."""
        v = self.variants[variant]
        return Pose(x * self.unit_mm - v.corner_mm[0], y * self.unit_mm - v.corner_mm[1], v.deg)


def _same(one: TurnedShape, two: TurnedShape) -> bool:
    if len(one.parts) != len(two.parts) or abs(one.wide - two.wide) > 1e-6 or abs(one.high - two.high) > 1e-6:
        return False
    a = shapely.union_all([Polygon(p) for p in one.parts])
    b = shapely.union_all([Polygon(p) for p in two.parts])
    # (A Hausdorff distance of areas, taken at the corners as GEOS does, calls a U the same upside down.)
    return bool(a.symmetric_difference(b).area < 1e-6 * a.length)


def prepare(
    shapes: Sequence[Shape],
    turns: Sequence[Sequence[float]],
    quantity: Sequence[int],
    width_mm: float,
    *,
    cells: int = 35,
) -> StripJob:
    """Variants, half-planes and depth tables for a job.

    Args:
        shapes: one per kind, mm, in its own frame.
        turns: allowed turns of each, degrees.
        quantity: copies of each.
        width_mm: width of the strip.
        cells: samples of a depth field across the strip's width. (35 was denser than 50 on three
            of five sets, equal on one: maps cost less.)
    """
    unit_mm = width_mm / WIDTH
    variants: list[TurnedShape] = []
    kind_parts: list[list[Points]] = []
    range_of: list[tuple[int, int]] = []
    for kind, shape in enumerate(shapes):
        parts = [p / unit_mm for p in convex_parts(shape)]
        kind_parts.append(parts)
        begin = len(variants)
        for deg in turns[kind]:
            turned = Pose(0, 0, deg).apply(shape)
            x0, y0, x1, y1 = turned.bounds
            corner = np.array([x0, y0]) / unit_mm
            placed = tuple(_turn(p, deg) - corner for p in parts)
            new = TurnedShape(kind, deg, placed, (x1 - x0) / unit_mm, (y1 - y0) / unit_mm, (x0, y0))
            # Too high by rounding is an exact fit; too high by more does not fit this way.
            if new.high > WIDTH * (1 + 1e-9):
                continue
            if not any(_same(new, old) for old in variants[begin:]):
                variants.append(new)
        range_of.append((begin, len(variants) - begin))
    part_of = np.repeat(np.arange(len(shapes)), quantity).astype(np.int64)
    first = np.array([range_of[k][0] for k in part_of.tolist()], np.int64)
    count = np.array([range_of[k][1] for k in part_of.tolist()], np.int64)
    area = np.array([shapes[k].area / (unit_mm * unit_mm) for k in part_of.tolist()])
    regions, planes = _pairs(variants, kind_parts)
    tables = _tables(variants, first, count, regions, cells)
    longest = float(
        sum(min(v.wide for v in variants[f : f + c]) for f, c in zip(first, count, strict=True) if c)
    )
    return StripJob(unit_mm, WIDTH, variants, part_of, first, count, area, planes, tables, longest)


def _turn(ring: Points, deg: float) -> Points:
    a, b, d, e, _, _ = Pose(0, 0, deg).matrix()
    return np.column_stack((a * ring[:, 0] + b * ring[:, 1], d * ring[:, 0] + e * ring[:, 1]))


def _pairs(variants: list[TurnedShape], kind_parts: list[list[Points]]) -> tuple[list[Shape], Planes]:
    """No-fit region and half-planes of every unordered variant pair, in order (0,0), (0,1), (1,1), (0,2), …

    A pair turned as a whole has a no-fit region turned as a whole, so each relative turn is computed once.
    """
    known: dict[tuple[int, int, float], tuple[Shape, NDArray[np.float64], NDArray[np.int64]]] = {}
    regions: list[Shape] = []
    sums, ends = [np.zeros(1, np.int64)], [np.zeros(1, np.int64)]
    rows: list[NDArray[np.float64]] = []
    corner = [_corner(v, kind_parts) for v in variants]
    for v, two in enumerate(variants):
        for u, one in enumerate(variants[: v + 1]):
            relative = round((two.deg - one.deg) % 360.0, 9)
            key = (one.kind, two.kind, relative)
            if key not in known:
                fixed = kind_parts[one.kind]
                moving = [_turn(p, two.deg - one.deg) for p in kind_parts[two.kind]]
                known[key] = _sums(fixed, moving)
            region, planes, end = known[key]
            # Origin of the moving box against origin of the fixed box.
            a, b, d, e, _, _ = Pose(0, 0, one.deg).matrix()
            shift = corner[v] - corner[u]
            regions.append(affinity.affine_transform(region, [a, b, d, e, shift[0], shift[1]]))
            normal = np.column_stack((dot(planes, a, b), dot(planes, d, e)))
            rows.append(np.column_stack((normal, planes[:, 2] + dot(normal, *shift))))
            sums.append(sums[-1][-1:] + len(end))
            ends.append(ends[-1][-1] + end)
    return regions, Planes(np.concatenate(sums), np.concatenate(ends), np.concatenate(rows))


def _sums(fixed: list[Points], moving: list[Points]) -> tuple[Shape, NDArray[np.float64], NDArray[np.int64]]:
    """No-fit region and half-planes of two shapes given by their convex parts; kept on disk between runs."""
    from nestcut.placement.shapes.store import kept
    from nestcut.placement.shapes.sums import Sums

    def make() -> tuple[NDArray, ...]:
        sums = Sums(fixed, moving)
        return (np.frombuffer(shapely.to_wkb(sums.region(HAIR)), np.uint8), *sums.planes())

    between = np.full((1, 2), np.nan)
    region, planes, ends = kept([np.array([HAIR]), *fixed, between, *moving], make)
    shape: Shape = shapely.from_wkb(region.tobytes())
    return shape, planes, ends


def _corner(variant: TurnedShape, kind_parts: list[list[Points]]) -> Points:
    """Box corner of the variant in the turned frame of its kind, search units."""
    turned = _turn(kind_parts[variant.kind][0], variant.deg)
    return turned[0] - variant.parts[0][0]


def _edges_of(region: Shape) -> NDArray[np.float64]:
    """Edges of all rings with the inside on the left: rows (x, y, ux, uy, length)."""
    polygons = list(region.geoms) if isinstance(region, MultiPolygon) else [region]
    rows = []
    for polygon in polygons:
        turned = orient(polygon, 1.0)
        for ring in (turned.exterior, *turned.interiors):
            xy = np.asarray(ring.coords)
            edge = np.diff(xy, axis=0)
            length = lengths_of(edge)
            keep = length > 1e-9
            rows.append(np.column_stack((xy[:-1][keep], edge[keep] / length[keep, None], length[keep])))
    return np.concatenate(rows)


def _tables(
    variants: list[TurnedShape],
    first: NDArray[np.int64],
    count: NDArray[np.int64],
    regions: list[Shape],
    cells: int,
) -> object:
    from nestcut.placement.strip import kernels

    V = len(variants)
    wide = np.array([v.wide for v in variants])
    high = np.array([v.high for v in variants])
    step = WIDTH / cells
    total = float(
        sum((((wide[u] + wide) / step + 3) * ((high[u] + high) / step + 3)).sum() for u in range(V))
    )
    if total > MOST_SAMPLES:
        step *= math.sqrt(total / MOST_SAMPLES)
    # A depth between large shapes counts more, by the geometric mean of their sizes: otherwise small shapes,
    # which find a place easily, push large ones about. (Measured: shirts at 85 % free of overlaps in seconds.
    # Counting overlap area instead of depth, or along with it, was worse on shirts, the same on shapes1.)
    size_of = np.sqrt(np.sqrt([sum(ring_area(p) for p in v.parts) for v in variants]))
    scale = size_of[:, None] * size_of[None, :]
    scale /= scale.mean()
    pair = np.zeros((V, V), np.int64)
    P = len(regions)
    grid, grid_n = np.zeros((P, 5)), np.zeros((P, 4), np.int64)
    raster_at, raster_n = np.zeros((V * V, 2)), np.zeros((V * V, 3), np.int64)
    at = 0
    for u in range(V):
        for v in range(V):
            q = u * V + v
            raster_at[q] = (-wide[v] - step, -high[v] - step)
            nx = math.ceil((wide[u] + wide[v]) / step) + 3
            ny = math.ceil((high[u] + high[v]) / step) + 3
            raster_n[q] = (nx, ny, at)
            at += nx * ny
    raster = np.zeros(at + 64, np.float32)
    all_edges, all_counts, all_near = [], [], []
    edge_at, cell_at = 0, 0
    row = 0
    for v in range(V):
        for u in range(v + 1):
            pair[u, v] = pair[v, u] = row
            region = regions[row]
            edges = _edges_of(region)
            x0, y0, x1, y1 = region.bounds
            across = min(max(int(3 * math.sqrt(len(edges))), 8), 48)
            margin = 1.5 * step
            size = max(x1 - x0, y1 - y0) / across
            x0, y0, x1, y1 = x0 - margin, y0 - margin, x1 + margin, y1 + margin
            nx, ny = math.ceil((x1 - x0) / size), math.ceil((y1 - y0) / size)
            depth = np.empty(nx * ny, np.float32)
            counts = np.zeros(nx * ny, np.int64)
            none = np.empty(0, np.int64)
            k = kernels.fill_cells(edges, x0, y0, size, nx, ny, step, depth, counts, none, False)
            near = np.empty(k, np.int64)
            kernels.fill_cells(edges, x0, y0, size, nx, ny, step, depth, counts, near, True)
            grid[row] = (x0, y0, 1.0 / size, size * math.sqrt(0.5), 0.0)
            grid_n[row] = (nx, ny, cell_at, 0)
            for flip in (False, True)[: 1 + (u != v)]:
                q = v * V + u if flip else u * V + v
                mx, my, start = (int(a) for a in raster_n[q])
                field = raster[start : start + mx * my]
                kernels.sample_depth(
                    edges, flip, raster_at[q, 0], raster_at[q, 1], step, mx, my, scale[u, v], field
                )
            all_edges.append(edges)
            all_counts.append(counts)
            all_near.append(near + edge_at)
            edge_at += len(edges)
            cell_at += nx * ny
            row += 1
    counts = np.concatenate(all_counts)
    cell_list = np.zeros(len(counts) + 1, np.int32)
    np.cumsum(counts, out=cell_list[1:])
    return kernels.Tables(
        wide, high, first, count, scale, pair, grid, grid_n, cell_list,
        np.concatenate(all_near).astype(np.int32), np.concatenate(all_edges), raster_at, raster_n, raster, step,
    )  # fmt: skip
