"""Shapes prepared for the compiled kernels: centred, cut into convex cores, packed into arrays.

Any angle is allowed here: cores are turned where they are needed, nothing is tabulated by angle.
"""

from __future__ import annotations

import math
from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from nestcut.arithmetic import lengths_of
from nestcut.batch.model import Pose, Shape, Turns
from nestcut.placement.shapes.convex import Points, convex_parts

__all__ = ["Cores", "Kit", "cores_of", "kernel_pose", "make_kit", "pose_of"]

_DISC_SLACK = 0.003  # a polygon within 0.3 % of a disc around it counts as the disc (safe side)
_CACHE_SIZE = 512
_cache: OrderedDict[tuple[bytes, float], Cores] = OrderedDict()


@dataclass(frozen=True, slots=True)
class Cores:
    """A shape around its middle: convex cores (counter-clockwise rings, or one point) with radii, mm."""

    middle: tuple[float, float]
    """Middle of the smallest disc around the shape, in the shape's frame."""
    rings: tuple[Points, ...]
    radii: tuple[float, ...]
    normals: tuple[Points, ...]
    """Outward unit normals of the edges of each ring (0 for a point)."""
    outmost: tuple[int, ...]
    """Numbers (in the order of the rings) of the vertices that can lie farthest out in some direction."""
    reach_mm: float
    """Radius of that disc."""

    @property
    def disc(self) -> bool:
        """One point with a radius: angles make no difference."""
        return len(self.rings) == 1 and len(self.rings[0]) == 1


@dataclass(frozen=True, slots=True)
class Kit:
    """The arrays for the kernels, and what leads back to poses."""

    arrays: tuple[NDArray, ...]
    middles: tuple[tuple[float, float], ...]
    turns_deg: tuple[tuple[float, ...], ...]
    """Listed turns by type; empty: any angle."""
    box: NDArray[np.float64]
    """Bounds of the region: x0, y0, x1, y1."""


def _round_of(shape: Shape) -> tuple[tuple[float, float], float] | None:
    """Middle and radius if the shape is a disc drawn as a polygon, else None."""
    if isinstance(shape, MultiPolygon) or shape.interiors or len(shape.exterior.coords) < 13:
        return None
    ring = np.asarray(shape.exterior.coords)[:-1, :2]
    x0, y0, x1, y1 = shape.bounds
    middle = np.array([(x0 + x1) / 2, (y0 + y1) / 2])
    far = lengths_of(ring - middle)
    radius = float(far.max())
    # The edges' nearest points tell how much of the disc is missing.
    nearest = shape.exterior.distance(shapely.Point(middle))
    if not shape.contains(shapely.Point(middle)) or nearest < radius * (1 - _DISC_SLACK):
        return None
    return (float(middle[0]), float(middle[1])), radius


def cores_of(shape: Shape, *, coarse_mm: float = 0.0) -> Cores:
    """Cut a shape into cores.

    Args:
        shape: polygon or multipolygon, holes allowed, mm.
        coarse_mm: how far outlines may be simplified (both ways); 0 keeps every vertex.
    """
    key = (shape.wkb, coarse_mm)
    found = _cache.get(key)
    if found is not None:
        _cache.move_to_end(key)
        return found
    made = _make_cores(shape, coarse_mm)
    _cache[key] = made
    while len(_cache) > _CACHE_SIZE:
        _cache.popitem(last=False)
    return made


def _make_cores(shape: Shape, coarse_mm: float) -> Cores:
    round_ = _round_of(shape)
    if round_ is not None:
        middle, radius = round_
        point = np.zeros((1, 2))
        return Cores(middle, (point,), (radius,), (point,), (0,), radius)
    bound = shapely.minimum_bounding_circle(shape)
    # the box of the circle, which the sines of its corners do not move
    x0, y0, x1, y1 = bound.bounds
    middle = ((x0 + x1) / 2, (y0 + y1) / 2)
    if coarse_mm > 0:
        simple = shape.simplify(coarse_mm)
        if isinstance(simple, Polygon | MultiPolygon) and not simple.is_empty and simple.is_valid:
            shape = simple
    shift = np.array(middle)
    rings = tuple(ring - shift for ring in convex_parts(shape))
    points = np.concatenate(rings)
    reach = float(lengths_of(points).max())
    normals = tuple(_normals(ring) for ring in rings)
    return Cores(middle, rings, (0.0,) * len(rings), normals, _outmost(points), reach)


def _normals(ring: Points) -> Points:
    """Outward unit normals of the edges of a counter-clockwise ring."""
    if len(ring) < 2:
        return np.zeros_like(ring)
    edge = np.roll(ring, -1, axis=0) - ring
    length = lengths_of(edge)
    return np.column_stack((edge[:, 1] / length, -edge[:, 0] / length))


def _outmost(points: Points) -> tuple[int, ...]:
    """Numbers of the corners of the convex hull."""
    hull = shapely.convex_hull(shapely.MultiPoint(points))
    if len(points) <= 3 or not isinstance(hull, Polygon):
        return tuple(range(len(points)))
    number = {(x, y): k for k, (x, y) in enumerate(points.tolist())}
    return tuple(number[xy] for xy in hull.exterior.coords[:-1])


def _polygons(geometry: BaseGeometry) -> list[Polygon]:
    return [g for g in shapely.get_parts(geometry) if isinstance(g, Polygon) and g.area > 0]


def make_kit(
    shapes: Sequence[Cores],
    turns: Sequence[Turns],
    region: Polygon | MultiPolygon,
    *,
    gap_mm: float,
    obstacles: Sequence[Shape] = (),
) -> Kit:
    """Pack types of shapes, the region and obstacles for the kernels.

    Args:
        shapes, turns: one per type; turns in degrees.
        region: where shapes must lie (clearance 0), mm.
        gap_mm: distance to be kept between shapes, and between shapes and obstacles.
    """
    tv0, tp0, pv0, th0, turn0 = [0], [0], [0], [0], [0]
    vertices: list[Points] = []
    normals: list[Points] = []
    centres, pr, rho = [], [], []
    hidx: list[int] = []
    angles: list[float] = []
    hull_radius, reach, still = [], [], []
    turns_deg: list[tuple[float, ...]] = []
    for cores, allowed in zip(shapes, turns, strict=True):
        base = tv0[-1]
        for ring, radius in zip(cores.rings, cores.radii, strict=True):
            vertices.append(ring)
            low, high = ring.min(axis=0), ring.max(axis=0)
            centre = (low + high) / 2
            centres.append(centre)
            pr.append(float(lengths_of(ring - centre).max()))
            rho.append(radius)
            pv0.append(pv0[-1] + len(ring))
        tv0.append(pv0[-1])
        tp0.append(tp0[-1] + len(cores.rings))
        normals.extend(cores.normals)
        hidx.extend(base + k for k in cores.outmost)
        hull_radius.append(cores.radii[0] if cores.disc else 0.0)
        th0.append(th0[-1] + len(cores.outmost))
        reach.append(cores.reach_mm)
        listed = () if allowed == "any" else tuple(allowed)
        if cores.disc and not listed:
            still.append(True)
        else:
            still.append(False)
        turns_deg.append(listed)
        angles.extend(math.radians(deg) for deg in listed)
        turn0.append(turn0[-1] + len(listed))
    hull = shapely.convex_hull(region)
    ring = np.asarray(shapely.orient_polygons(hull, exterior_cw=False).exterior.coords)[:-1, :2]
    ring = ring[np.any(ring != np.roll(ring, -1, axis=0), axis=1)]
    sides = _normals(ring)
    limits = (sides * ring).sum(axis=1)
    static: list[Points] = []
    clear: list[float] = []
    for hole in _polygons(hull.difference(region)):
        for part in convex_parts(hole):
            static.append(part)
            clear.append(0.0)
    for obstacle in obstacles:
        for part in convex_parts(obstacle):
            static.append(part)
            clear.append(gap_mm)
    ends = np.cumsum([len(part) for part in static], dtype=np.int64)
    pieces = np.column_stack((pv0[:-1], pv0[1:]))
    types = np.column_stack(
        (tv0[:-1], tv0[1:], tp0[:-1], tp0[1:], th0[:-1], th0[1:], turn0[:-1], turn0[1:], still)
    )
    table: dict[str, NDArray] = {
        "T": types.astype(np.int64),  # by type: vertices, parts, hull, turns (first, end each); never turned
        "TF": np.column_stack((reach, hull_radius)),  # by type: reach, radius at its hull's vertices
        "P": pieces.astype(np.int64),  # by part: vertices (first, end)
        "PF": np.column_stack((np.array(centres), pr, rho)),  # by part: middle x, y, reach of core, radius
        "V": np.column_stack((np.concatenate(vertices), np.concatenate(normals))),  # x, y, edge normal
        "H": np.array(hidx, dtype=np.int64),
        "A": np.array(angles, dtype=np.float64),
        "R": np.column_stack((sides, limits)),  # region's sides: n·p ≤ limit
        "S": np.column_stack((ends - [len(part) for part in static], ends)).astype(np.int64).reshape(-1, 2),
        "SW": np.concatenate([np.column_stack((p, _normals(p))) for p in static] or [np.empty((0, 4))]),
        "SF": np.array(
            [(*p.min(axis=0), *p.max(axis=0), c) for p, c in zip(static, clear, strict=True)],
            dtype=np.float64,
        ).reshape(-1, 5),
        "G": np.array([gap_mm], dtype=np.float64),
    }
    arrays = tuple(np.ascontiguousarray(values) for values in table.values())
    return Kit(
        arrays,
        tuple(cores.middle for cores in shapes),
        tuple(turns_deg),
        np.array(region.bounds, dtype=float),
    )


def pose_of(kit: Kit, kind: int, row: Sequence[float] | NDArray) -> Pose:
    """A kernel pose (middle x, y, radians) as the pose of the part's own frame; listed turns exactly."""
    x, y, angle = float(row[0]), float(row[1]), float(row[2])
    deg = math.degrees(angle) % 360.0
    listed = kit.turns_deg[kind]
    if listed:
        deg = min(listed, key=lambda turn: abs((turn - deg + 180.0) % 360.0 - 180.0))
    mx, my = kit.middles[kind]
    a, b, d, e, _, _ = Pose(0.0, 0.0, deg).matrix()
    return Pose(x - (a * mx + b * my), y - (d * mx + e * my), deg)


def kernel_pose(kit: Kit, kind: int, pose: Pose) -> tuple[float, float, float]:
    """The kernel's pose of a part's pose."""
    mx, my = kit.middles[kind]
    a, b, d, e, _, _ = pose.matrix()
    return pose.x_mm + a * mx + b * my, pose.y_mm + d * mx + e * my, math.radians(pose.deg)
