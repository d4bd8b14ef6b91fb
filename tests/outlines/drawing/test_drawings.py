"""SVG drawings as drawing programs save them."""

from __future__ import annotations

import math

import pytest
from shapely.geometry import MultiPolygon, Point

from nestcut.errors import OutlineError
from nestcut.outlines import outline_size, read_die, read_scrap
from tests.outlines.svg import die, drawing, scrap

SQUARE = '<rect x="10" y="10" width="20" height="10"/>'


@pytest.mark.parametrize(
    ("head", "mm"),
    # CSS Values and Units Level 3: 96 px = 1 in = 25.4 mm = 72 pt. SVG 2 section 8.2: the viewBox is scaled to fit.
    [
        ('width="100mm" height="100mm" viewBox="0 0 100 100"', (20, 10)),
        ('width="100mm" height="50mm" viewBox="0 0 500 250"', (4, 2)),
        ('width="10cm" height="10cm" viewBox="0 0 100 100"', (20, 10)),
        ('width="1in" height="1in" viewBox="0 0 100 100"', (5.08, 2.54)),
        ('width="72pt" height="72pt" viewBox="0 0 100 100"', (5.08, 2.54)),
        ('width="96px" height="96px" viewBox="0 0 100 100"', (5.08, 2.54)),
        ('width="96" height="96"', (20 * 25.4 / 96, 10 * 25.4 / 96)),
        ('viewBox="0 0 100 100"', (20 * 25.4 / 96, 10 * 25.4 / 96)),
        ('width="100%" height="100%" viewBox="0 0 100 100"', (20 * 25.4 / 96, 10 * 25.4 / 96)),
        ('width="100mm" viewBox="0 0 100 100"', (20, 10)),
        ('height="50mm" viewBox="0 0 100 100"', (10, 5)),
        ('width="200mm" height="100mm" viewBox="0 0 100 100"', (20, 10)),
        ('width="200mm" height="100mm" viewBox="0 0 100 100" preserveAspectRatio="xMinYMin slice"', (40, 20)),
        ('width="200mm" height="100mm" viewBox="0 0 100 100" preserveAspectRatio="none"', (40, 10)),
        ('style="width:100mm;height:100mm" viewBox="0 0 100 100"', (20, 10)),
    ],
)
def test_physical_size(tmp_path, head, mm):
    """Width, height, viewBox and preserveAspectRatio give the size in mm."""
    cut = die(tmp_path, SQUARE, head).cut
    assert outline_size(cut) == pytest.approx(mm, abs=1e-9)


def test_a_drawing_without_size_says_so(tmp_path):
    """The note gives the size that was taken and how to mend it."""
    notes = die(tmp_path, SQUARE, 'viewBox="0 0 100 100"').notes
    assert any("no physical size" in note and "5.3 × 2.6 mm" in note for note in notes)
    assert not any("no physical size" in note for note in die(tmp_path, SQUARE).notes)


TRANSFORMS = [
    ("translate(5 7)", (20, 10)),
    ("translate(5)", (20, 10)),
    ("rotate(90)", (10, 20)),
    ("rotate(45 20 15)", (30 / math.sqrt(2), 30 / math.sqrt(2))),
    ("scale(2)", (40, 20)),
    ("scale(2,.5)", (40, 5)),
    ("matrix(0 1 -1 0 0 0)", (10, 20)),
    ("skewX(45)", (30, 10)),
    ("skewY(45)", (20, 30)),
    ("translate(3 4),rotate(90) scale(.5)", (5, 10)),
    ("scale(-1 1)", (20, 10)),
]


@pytest.mark.parametrize(("transform", "mm"), TRANSFORMS)
def test_transforms(tmp_path, transform, mm):
    """Each kind of transform, on the shape, on nested groups and in CSS."""
    for body in (
        f'<rect x="10" y="10" width="20" height="10" transform="{transform}"/>',
        f'<g transform="translate(1,1)"><g transform="{transform}">{SQUARE}</g></g>',
    ):
        assert outline_size(die(tmp_path, body).cut) == pytest.approx(mm, abs=1e-9)


def test_transforms_nest_outside_in(tmp_path):
    """scale then translate is not translate then scale: the hole lands where matrices put it."""
    body = (
        '<rect width="60" height="60"/><g transform="scale(2)"><g transform="translate(10 5)">'
        '<rect width="5" height="5"/></g></g>'
    )
    cut = die(tmp_path, body).cut
    (hole,) = cut.interiors
    # (10, 5)·2 … (15, 10)·2 in a frame whose origin is the middle of the 60 × 60 square.
    assert hole.bounds == pytest.approx((-10, -20, 0, -10), abs=1e-9)


SHAPES = [
    ('<circle cx="50" cy="50" r="10"/>', math.pi * 100),
    ('<ellipse cx="50" cy="50" rx="20" ry="10"/>', math.pi * 200),
    ('<ellipse cx="50" cy="50" rx="20"/>', math.pi * 400),
    ('<rect width="20" height="10"/>', 200),
    ('<rect width="20" height="10" rx="2"/>', 200 - (4 - math.pi) * 4),
    ('<rect width="20" height="10" ry="50" rx="5"/>', 200 - (4 - math.pi) * 25),
    ('<polygon points="0,0 20,0 20,10"/>', 100),
    ('<polygon points="0,0,20,0,20,10,0,0"/>', 100),
    ('<polyline points="0 0 20 0 20 10 0 0"/>', 100),
    ('<path d="M0 0h20v10H0z"/>', 200),
    ('<path d="m0,0 20,0 0,10 -20,0z"/>', 200),
    ('<path d="M0 0L20 0 20 10 0 10"/><path d="M0 10V0"/>', 200),
    ('<path d="M0 0 10-10 20 0z"/>', 100),
    ('<path d="M.5.5L20.5.5 20.5 1e1l-20-0z"/>', 190),
    ('<path d="M0 0Q10 20 20 0z"/>', 400 / 3),
    ('<path d="M0 0C0 20 20 20 20 0z"/>', 240),
    ('<path d="M0 0c0 10 10 10 10 0s10-10 10 0v20h-20z"/>', 400),
    ('<path d="M0 0h20v10h-20z m40 0h20v10h-20z"/>', 400),
]


@pytest.mark.parametrize(("body", "area"), SHAPES)
def test_shapes_and_commands(tmp_path, body, area):
    """Each shape and path command encloses the area that geometry says."""
    cut = die(tmp_path, body).cut
    assert area - 1e-6 <= cut.area <= area + 0.05 * cut.length


def test_smooth_quadratics_mirror_the_handle(tmp_path):
    """q … t draws the mirrored arch: area of both arches with their chords is 2/3 · base · height each."""
    cut = die(tmp_path, '<path d="M0 0q5 10 10 0t10 0V-20H0z"/>').cut
    # 20 × 20 box plus an arch of height 5 below and minus one above: (2/3)·10·5 cancels.
    assert cut.area == pytest.approx(400, abs=0.05 * cut.length)
    assert outline_size(cut)[1] == pytest.approx(25, abs=0.05)


def test_a_new_subpath_after_z_begins_at_the_start(tmp_path):
    """Relative commands after Z count from the start of the closed subpath (SVG 1.1, 8.3.3)."""
    cut = die(tmp_path, '<path d="M10 10h20v10h-20z m0 20h20v10h-20z"/>').cut
    assert isinstance(cut, MultiPolygon)
    assert outline_size(cut) == pytest.approx((20, 30), abs=1e-9)


def test_percentages_refer_to_the_viewbox(tmp_path):
    """Lengths in % are shares of the viewBox; with units they are absolute at 96 per inch."""
    assert outline_size(die(tmp_path, '<rect width="20%" height="10%"/>').cut) == pytest.approx((20, 10))
    head = 'width="100mm" height="100mm"'
    assert outline_size(die(tmp_path, '<rect width="2cm" height="1cm"/>', head).cut) == pytest.approx(
        (20, 10)
    )


def test_use_and_symbol(tmp_path):
    """use moves its target, symbols are fitted to their box, definitions alone are not seen."""
    body = (
        '<defs><rect id="a" width="20" height="10"/></defs>'
        '<symbol id="s" viewBox="0 0 2 1"><rect width="2" height="1"/></symbol>'
        '<use href="#a" x="5" y="5"/><use xlink:href="#s" x="50" y="50" width="20" height="10"/>'
    )
    cut = die(tmp_path, body).cut
    assert isinstance(cut, MultiPolygon)
    assert [outline_size(p) for p in cut.geoms] == [pytest.approx((20, 10)), pytest.approx((20, 10))]
    assert outline_size(cut) == pytest.approx((65, 55))


def test_nested_svg_has_its_own_viewport(tmp_path):
    """An inner svg is placed and fitted."""
    body = '<svg x="10" y="10" width="40" height="40" viewBox="0 0 4 4"><rect width="2" height="1"/></svg>'
    assert outline_size(die(tmp_path, body).cut) == pytest.approx((20, 10))


HIDING = [
    '<rect x="50" width="5" height="5" display="none"/>',
    '<rect x="50" width="5" height="5" style="display : none"/>',
    '<g style="display:none"><rect x="50" width="5" height="5" display="inline"/></g>',
    '<rect x="50" width="5" height="5" visibility="hidden"/>',
    '<g visibility="collapse"><rect x="50" width="5" height="5"/></g>',
    '<rect x="50" width="5" height="5" opacity="0"/>',
    '<rect x="50" width="5" height="5" fill="none"/>',
    '<rect x="50" width="5" height="5" style="fill:none;stroke:black;stroke-width:0"/>',
    "<style>.h{display:none}</style><rect class='g h' x='50' width='5' height='5'/>",
    "<style>#h{visibility:hidden}</style><rect id='h' x='50' width='5' height='5'/>",
    "<style><![CDATA[ g > rect.h , .q { display: none !important } ]]></style>"
    "<g><rect class='h' style='display:inline' x='50' width='5' height='5'/></g>",
    "<style>/* note */ g rect{display:none}</style><g><g><rect x='50' width='5' height='5'/></g></g>",
    '<clipPath id="c"><rect x="50" width="5" height="5"/></clipPath>',
    '<marker id="m"><rect x="50" width="5" height="5"/></marker>',
    '<switch><foreignObject requiredExtensions="x"/></switch>',
]


@pytest.mark.parametrize("hidden", HIDING)
def test_hidden_things_are_not_cut(tmp_path, hidden):
    """What a viewer of the drawing can't see is no outline."""
    assert outline_size(die(tmp_path, SQUARE + hidden).cut) == pytest.approx((20, 10))


def test_visible_inside_hidden(tmp_path):
    """visibility may be switched on again inside; display may not."""
    body = (
        SQUARE + '<g visibility="hidden"><rect x="50" y="10" width="5" height="5" visibility="visible"/></g>'
    )
    assert isinstance(die(tmp_path, body).cut, MultiPolygon)


def test_nesting_tells_pieces_from_pierced_detail(tmp_path):
    """Even depth is a piece, odd depth a hole in it, wherever the subpaths are written."""
    body = (
        '<path d="M30 30h10v10h-10z M0 0h90v90h-90z M60 60h20v20h-20z M65 65h5v5h-5z"/>'
        '<circle cx="35" cy="35" r="2"/>'
    )
    cut = die(tmp_path, body).cut
    assert isinstance(cut, MultiPolygon)
    big, *small = sorted(cut.geoms, key=lambda p: -p.area)
    assert len(big.interiors) == 2
    assert len(small) == 2
    assert cut.is_valid


def test_separate_pieces(tmp_path):
    """pieces = "separate": the frame and what falls out of it are two pieces, hair-parted and valid."""
    body = '<circle cx="50" cy="50" r="30"/><circle cx="50" cy="50" r="20"/>'
    assert len(die(tmp_path, body).cut.interiors) == 1
    both = die(tmp_path, body, pieces="separate").cut
    assert both.is_valid
    assert len(both.geoms) == 2
    assert math.pi * 900 - 2 <= both.area <= math.pi * 900 + 0.05 * 2 * math.pi * 31


def test_open_lines_are_marks(tmp_path):
    """Vein and score lines are kept, with a note, in the die's frame."""
    read = die(tmp_path, SQUARE + '<path d="M12 15h6M20 15q2-2 5 0" fill="none" stroke="#000"/>')
    assert len(read.marks) == 2
    assert any("2 open lines" in note for note in read.notes)
    assert read.marks[0].bounds == pytest.approx((-8, 0, -2, 0), abs=1e-9)


def test_ends_that_nearly_meet_are_closed(tmp_path):
    """0.08 mm apart: closed. 0.3 mm apart: no outline, and the message gives the gap."""
    assert die(tmp_path, '<path d="M0 0H20V10H0V.08"/>').cut.area == pytest.approx(200, abs=0.1)
    with pytest.raises(OutlineError, match=r"open by 0\.30 mm") as caught:
        die(tmp_path, '<path id="gap" d="M0 0H20V10H0V.3"/>')
    assert caught.value.where.element == "path id='gap'"
    assert "close" in caught.value.mend


def test_lines_that_meet_are_joined(tmp_path):
    """Separate lines and arcs in any order and direction, as converters write them, make one outline."""
    body = (
        '<line x1="0" y1="0" x2="20" y2="0"/><path d="M0 10H20.05"/><line x1="0" y1="10" x2="0" y2="0.02"/>'
    )
    body += '<path d="M20 0A5 5 0 0 1 20 10"/>'
    cut = die(tmp_path, f'<g stroke="#000">{body}</g>').cut
    assert cut.area == pytest.approx(200 + math.pi * 12.5, abs=1.5)


def test_veins_that_meet_on_a_rib_stay_marks(tmp_path):
    """Three ends in one point are no outline."""
    read = die(tmp_path, SQUARE + '<path d="M15 12V18M15 15L20 12M15 15L20 18" stroke="#000"/>')
    assert len(read.marks) == 3


def test_a_double_outline_counts_once(tmp_path):
    """The same outline drawn twice is one piece, with a note."""
    read = die(tmp_path, SQUARE + '<path d="M30 20H10V10H30Z"/>')
    assert read.cut.area == pytest.approx(200)
    assert any("twice" in note for note in read.notes)


def test_offset_rim(tmp_path):
    """Offset by rim_mm, straight edges exact, centred, containing the cut."""
    read = die(tmp_path, SQUARE, rim_mm=2.0)
    assert read.rim.bounds == pytest.approx((-12, -7, 12, 7), abs=1e-9)
    assert read.rim.covers(read.cut)
    assert any("1.6 mm" in note for note in die(tmp_path, SQUARE, rim_mm=None).notes)


@pytest.mark.parametrize("mark", ['class="rim"', 'class="a rim b"', 'id="rim"', 'id="Rim_2"'])
def test_drawn_rim_with_an_opening(tmp_path, mark):
    """A rim in the file is used as drawn; its hole is an opening, contained in the true one."""
    body = (
        f'<g {mark}><rect x="0" y="0" width="60" height="60"/><circle cx="30" cy="30" r="12"/></g>'
        '<rect x="2" y="2" width="56" height="56"/><circle cx="30" cy="30" r="14"/>'
    )
    read = die(tmp_path, body)
    assert outline_size(read.rim) == pytest.approx((60, 60))
    (opening,) = read.rim.interiors
    assert max(math.hypot(*p) for p in opening.coords) <= 12 + 1e-9
    assert opening.length >= 0.99 * 24 * math.pi
    assert read.rim.covers(read.cut)
    assert read.cut.is_valid


def test_several_rims(tmp_path):
    """Two cuts with a drawn rim each."""
    body = ""
    for x in (0, 50):
        body += f'<rect class="rim" x="{x}" width="24" height="24"/><rect x="{x + 2}" y="2" width="20" height="20"/>'
    read = die(tmp_path, body)
    assert len(read.rim.geoms) == len(read.cut.geoms) == 2


def test_a_rim_must_contain_its_cut(tmp_path):
    """A cut that sticks out of the drawn rim is refused with the place."""
    with pytest.raises(OutlineError, match="does not contain its cut near x"):
        die(tmp_path, '<rect class="rim" width="20" height="20"/><rect x="5" y="5" width="20" height="10"/>')
    # An opening where paper is cut is no opening.
    with pytest.raises(OutlineError, match="does not contain"):
        die(
            tmp_path,
            '<g class="rim"><rect width="40" height="40"/><circle cx="20" cy="20" r="9"/></g>'
            '<rect x="2" y="2" width="36" height="36"/>',
        )


def test_mirror(tmp_path):
    """mirror turns x over, in cut, rim and marks."""
    body = '<path d="M0 0H30V5H10V20H0Z"/><path d="M2 2H20" stroke="#000"/>'
    plain, turned = die(tmp_path, body), die(tmp_path, body, mirror=True)
    from shapely.affinity import scale

    assert turned.cut.symmetric_difference(scale(plain.cut, -1, 1, origin=(0, 0))).area < 1e-9
    assert turned.marks[0].bounds[2] == pytest.approx(-plain.marks[0].bounds[0])


def test_scrap_with_a_hole(tmp_path):
    """Upper left at the origin; contained in the true outline; its hole contains the true hole."""
    outline = scrap(tmp_path, '<path d="M10 20h80v50h-80z M40 40a8 8 0 1 0 16 0a8 8 0 1 0-16 0z"/>')
    assert outline.bounds == pytest.approx((0, 0, 80, 50), abs=1e-9)
    (hole,) = outline.interiors
    from shapely.geometry import Polygon

    assert Polygon(hole).buffer(1e-6).covers(Point(38, 20).buffer(8, quad_segs=512))
    assert Polygon(hole).area <= math.pi * 64 + 0.05 * 2 * math.pi * 8.1


def test_scrap_of_two_papers_is_refused(tmp_path):
    """One scrap, one file."""
    with pytest.raises(OutlineError, match="more than one piece of paper"):
        scrap(tmp_path, SQUARE + '<rect x="50" width="5" height="5"/>')


def test_clips(tmp_path):
    """A clip around everything is harmless, one that hides a part is refused."""
    wide = '<clipPath id="c"><rect width="100" height="100"/></clipPath>'
    narrow = '<clipPath id="c"><rect width="20" height="100"/></clipPath>'
    body = f'<g clip-path="url(#c)">{SQUARE}</g>'
    assert outline_size(die(tmp_path, wide + body).cut) == pytest.approx((20, 10))
    with pytest.raises(OutlineError, match="clip hides part"):
        die(tmp_path, narrow + body)


def test_text_and_pictures_are_passed_over(tmp_path):
    """With a note each."""
    body = SQUARE + '<text>x</text><image width="5" height="5" href="data:image/png;base64,AAAA"/>'
    notes = " ".join(die(tmp_path, body).notes)
    assert "Text" in notes
    assert "Pictures" in notes


@pytest.mark.parametrize(
    "encode",
    [
        lambda t: t.encode(),
        lambda t: b"\xef\xbb\xbf" + t.encode(),
        lambda t: t.replace(">", ">\r\n").encode(),
        lambda t: ('<?xml version="1.0" encoding="UTF-16"?>' + t).encode("utf-16"),
        lambda t: ('<?xml version="1.0" encoding="ISO-8859-1"?>' + t).encode("latin-1"),
        lambda t: ('<?xml version="1.0" encoding="windows-1252"?>' + t).encode("cp1252"),
        lambda t: (
            '<!DOCTYPE svg PUBLIC "-//W3C//DTD SVG 1.1//EN" "http://www.w3.org/Graphics/SVG/1.1/DTD/svg11.dtd">'
            + t
        ).encode(),
    ],
)
def test_encodings(tmp_path, encode):
    """BOM, CRLF, UTF-16, Latin-1 and a document type without entities are read."""
    path = tmp_path / "é.svg"
    path.write_bytes(encode(drawing("<title>Möhre</title>" + SQUARE)))
    assert outline_size(read_die(path, rim_mm=1.0).cut) == pytest.approx((20, 10))
    assert outline_size(read_scrap(path).outline) == pytest.approx((20, 10))


def test_no_namespace(tmp_path):
    """Hand-written files without xmlns are read all the same."""
    path = tmp_path / "a.svg"
    path.write_text(f'<svg width="10mm" height="10mm" viewBox="0 0 100 100">{SQUARE}</svg>')
    assert outline_size(read_die(path).cut) == pytest.approx((2, 1))
