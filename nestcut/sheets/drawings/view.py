"""How the person sees the plate, and where they measure from.

A plan is in good-side view. Where dies lie under the paper, the paper's good side faces down and
the person sees everything mirrored left to right: x → width − x. A distance from the left edge of
the good-side view is then one from the *right* edge as seen, so the measures themselves stay
what they are (papers lie on whole millimetres) and only the corner changes.

The end that goes in first is the upper edge of every sheet (y = 0).
"""

from __future__ import annotations

from dataclasses import dataclass

from shapely.affinity import affine_transform
from shapely.geometry.base import BaseGeometry

from nestcut.batch.model import Machine
from nestcut.sheets.drawings.words import number

__all__ = ["Bounds", "View", "view_of"]

Bounds = tuple[float, float, float, float]
"""Smallest x, smallest y, largest x, largest y; mm."""


@dataclass(frozen=True, slots=True)
class View:
    """The plate as the person sees it."""

    width_mm: float
    length_mm: float
    mirrored: bool

    @property
    def side(self) -> str:
        """The side that measures are taken from: "left" or "right"."""
        return "right" if self.mirrored else "left"

    @property
    def corner(self) -> str:
        """The corner to measure from."""
        return f"upper {self.side} corner"

    @property
    def words(self) -> str:
        """What the person looks at, in one sentence."""
        if self.mirrored:
            return (
                "Drawn as you see it, mirrored: dies under the paper, cutting edge up; "
                "papers on top, good side down."
            )
        return "Drawn as you see it: papers on the plate, good side up; dies on top, cutting edge down."

    def x(self, x_mm: float) -> float:
        """Where a point of the good-side view is seen."""
        return self.width_mm - x_mm if self.mirrored else x_mm

    def bounds(self, box: Bounds) -> Bounds:
        """A box of the good-side view, as seen."""
        if not self.mirrored:
            return box
        return (self.width_mm - box[2], box[1], self.width_mm - box[0], box[3])

    def shape(self, geometry: BaseGeometry) -> BaseGeometry:
        """A shape of the good-side view, as seen."""
        if not self.mirrored:
            return geometry
        return affine_transform(geometry, [-1.0, 0.0, 0.0, 1.0, self.width_mm, 0.0])

    def matrix(
        self, own: tuple[float, float, float, float, float, float]
    ) -> tuple[float, float, float, float, float, float]:
        """An affine map (a, b, d, e, xoff, yoff) into the good-side view, followed by the look of it."""
        if not self.mirrored:
            return own
        a, b, d, e, x, y = own
        return (-a, -b, d, e, self.width_mm - x, y)

    def step_marks(self, dx_mm: float, dy_mm: float) -> str:
        """A shift for a table, as seen on the sheet: "36 ↓" is 36 mm away from the first end; good-side view."""
        marks = []
        if abs(dy_mm) > 0.05:
            marks.append(f"{number(abs(dy_mm), 0)}\u00a0{'↑' if dy_mm < 0 else '↓'}")
        if abs(dx_mm) > 0.05:
            marks.append(f"{number(abs(dx_mm), 0)}\u00a0{'→' if (dx_mm > 0) != self.mirrored else '←'}")
        return ", ".join(marks)


def view_of(machine: Machine) -> View:
    """The person's view of this machine's plate."""
    width_mm, length_mm = machine.plate_mm
    return View(width_mm, length_mm, machine.dies == "under")
