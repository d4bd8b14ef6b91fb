"""The dies that come with nestcut."""

from __future__ import annotations

import pytest
import shapely
from shapely.affinity import translate
from shapely.geometry import MultiPolygon, Polygon

from nestcut.outlines import outline_size, read_die
from tests.shared.places import SHAPES

FILES = sorted(SHAPES.glob("*.svg"))


@pytest.mark.thorough
def test_there_are_enough():
    """At least 18, of very different sizes and characters."""
    assert len(FILES) >= 18
    reads = [read_die(path, rim_mm=1.6) for path in FILES]
    largest = [max(outline_size(r.cut)) for r in reads]
    assert min(largest) < 9
    assert max(largest) > 85
    assert any(isinstance(r.cut, MultiPolygon) for r in reads)
    assert any(isinstance(r.cut, Polygon) and r.cut.interiors for r in reads)
    assert any(r.marks for r in reads)


@pytest.mark.first(4)
@pytest.mark.parametrize("path", FILES, ids=lambda p: p.stem)
def test_own_shape(path):
    """Clean, sized 8–90 mm, valid, few vertices, its rim contains it and is as wide as asked."""
    text = path.read_text(encoding="utf-8")
    assert "<title>" in text
    assert "<!DOCTYPE" not in text
    read = read_die(path, rim_mm=1.6)
    assert not any("no physical size" in note or "ignored" in note for note in read.notes)
    w, h = outline_size(read.cut)
    assert 8 <= max(w, h) <= 90
    assert read.cut.is_valid
    assert read.rim.is_valid
    assert read.rim.covers(read.cut)
    corners = shapely.get_num_coordinates(read.cut)
    assert corners < 40 + 4 * shapely.length(read.cut)
    x0, y0, x1, y1 = read.rim.bounds
    assert (x0 + x1, y0 + y1) == pytest.approx((0, 0), abs=1e-9)
    if 'class="rim"' not in text:
        filled = shapely.union_all([Polygon(p.exterior) for p in getattr(read.cut, "geoms", [read.cut])])
        # Metal reaches 1.6 mm beyond the true outline, to which the cut is within 0.05 mm.
        assert read.rim.covers(filled.buffer(1.6 - 0.05, quad_segs=32))
        # … and no farther, apart from the lagoons between lobes, which count as metal.
        metal = filled.buffer(1.6 + 0.06, quad_segs=64)
        solid = shapely.union_all([Polygon(p.exterior) for p in getattr(metal, "geoms", [metal])])
        assert read.rim.difference(solid).area < 1e-6


def test_the_tag_takes_a_small_die():
    """The opening of the hedge tag's rim is large enough for the speedwell."""
    tag = read_die(SHAPES / "hedge-tag.svg")
    small = read_die(SHAPES / "speedwell.svg", rim_mm=1.6)
    (opening,) = tag.rim.interiors
    # The window is not in the middle of the tag: lay the small die on its centre, with a gap of 1 mm.
    room = Polygon(opening).buffer(-1.0)
    assert room.contains(translate(small.rim, room.centroid.x, room.centroid.y))
