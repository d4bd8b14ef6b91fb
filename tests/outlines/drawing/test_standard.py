"""The lists of SVG 1.1 and SVG 2 from end to end: each element and property is honoured, named in a note, or harmless.

Elements: SVG 1.1 appendix K, SVG 2 appendix F, and the drafts that left SVG 2 (meshes, hatches, solidcolor). Properties: SVG
2 appendix G, and those of CSS (Transforms 1 and 2, Masking 1, Motion Path 1, Overflow 3, Animations 1) that move or hide.
"""

from __future__ import annotations

import pytest

from nestcut.errors import OutlineError
from nestcut.outlines.drawing.document import parse_svg
from nestcut.outlines.drawing.visible import visible
from nestcut.outlines.drawing.walk import see
from tests.outlines.svg import drawing

HONOURED = [
    "a",
    "circle",
    "clipPath",
    "ellipse",
    "g",
    "line",
    "path",
    "polygon",
    "polyline",
    "rect",
    "style",
    "svg",
    "switch",
    "symbol",
    "use",
]
"""Read as the standard says; test_drawings.py and test_against_a_browser.py say how."""

NEVER_DRAWN = [
    "color-profile",
    "cursor",
    "defs",
    "desc",
    "filter",
    "font",
    "font-face",
    "hatch",
    "linearGradient",
    "marker",
    "mask",
    "meshgradient",
    "metadata",
    "pattern",
    "radialGradient",
    "solidcolor",
    "title",
    "view",
]
"""Definitions and descriptions: the standard draws none of them where they stand, so nobody misses them."""

NAMED = [
    "altGlyph",
    "altGlyphDef",
    "audio",
    "canvas",
    "discard",
    "foreignObject",
    "iframe",
    "image",
    "mesh",
    "script",
    "text",
    "textPath",
    "tref",
    "tspan",
    "unknown",
    "video",
    "animate",
    "animateColor",
    "animateMotion",
    "animateTransform",
    "set",
    "flowRoot",
]
"""Not read, and drawn or run by a viewer."""

ONLY_INSIDE = [
    "altGlyphItem",
    "feBlend",
    "feColorMatrix",
    "feComponentTransfer",
    "feComposite",
    "feConvolveMatrix",
    "feDiffuseLighting",
    "feDisplacementMap",
    "feDistantLight",
    "feDropShadow",
    "feFlood",
    "feFuncA",
    "feFuncB",
    "feFuncG",
    "feFuncR",
    "feGaussianBlur",
    "feImage",
    "feMerge",
    "feMergeNode",
    "feMorphology",
    "feOffset",
    "fePointLight",
    "feSpecularLighting",
    "feSpotLight",
    "feTile",
    "feTurbulence",
    "font-face-format",
    "font-face-name",
    "font-face-src",
    "font-face-uri",
    "glyph",
    "glyphRef",
    "hatchpath",
    "hkern",
    "meshpatch",
    "meshrow",
    "missing-glyph",
    "mpath",
    "stop",
    "vkern",
]
"""Parts of one of the others: never met in a good drawing, and named where they stray."""


def read(body: str) -> tuple[list[tuple[float, ...]], str]:
    """The bounds of all that is seen, rounded, and the notes."""
    from nestcut.outlines.shapes.curves import extent

    found = see(parse_svg(drawing(body).encode()))
    shown = visible(found)
    return sorted(tuple(round(n, 3) for n in extent(one.run.curves)) for one in shown), " ".join(found.told())


SQUARE = '<rect id="square" x="10" y="20" width="30" height="20"/>'


@pytest.mark.parametrize("tag", NAMED + ONLY_INSIDE)
def test_elements_that_are_not_read_are_named(tag):
    """A note with the line and the element, and nothing of it is seen."""
    inside = "<circle cx='70' cy='70' r='9'/>"
    shown, notes = read(f"{SQUARE}\n<{tag} id='x'>{inside}</{tag}>")
    assert shown == read(SQUARE)[0]
    assert f"line 2, {tag} id='x'" in notes


@pytest.mark.parametrize("tag", NEVER_DRAWN)
def test_definitions_are_not_drawn(tag):
    """Neither seen nor noted."""
    inside = "<circle cx='70' cy='70' r='9'/>"
    assert read(f"{SQUARE}<{tag}>{inside}</{tag}>") == read(SQUARE)


def test_movements_inside_anything_are_named():
    """Animations stand inside the shapes that they move."""
    for body in (
        "<rect x='10' y='20' width='30' height='20'><animateTransform attributeName='transform'/></rect>",
        f"<g>{SQUARE}<set attributeName='x'/></g>",
        f"<defs>{SQUARE}</defs><use href='#square'><animateMotion path='M0 0h9'/></use>",
    ):
        shown, notes = read(body)
        assert shown == read(SQUARE)[0]
        assert "Animations were ignored" in notes


def test_web_pages_and_private_data():
    """Elements of a web page are named; what drawing programs write for themselves is theirs."""
    shown, notes = read(SQUARE + '<video xmlns="http://www.w3.org/1999/xhtml"/>')
    assert shown == read(SQUARE)[0]
    assert "web page" in notes
    assert read(SQUARE + '<view xmlns="http://example.org/program"><guide at="3"/></view>') == read(SQUARE)


def test_what_is_never_used():
    """A symbol that nothing shows is named, one that is shown is not."""
    symbol = '<symbol id="s" viewBox="0 0 9 9"><rect width="9" height="9"/></symbol>'
    assert (
        "A symbol that is not used anywhere was ignored (line 1, symbol id='s')." in read(SQUARE + symbol)[1]
    )
    used = read(SQUARE + symbol + '<use href="#s" x="60" y="60" width="20" height="20"/>')
    assert len(used[0]) == 2
    assert used[1] == ""
    assert "names nothing" in read(SQUARE + "<use/>")[1]


HONOURED_PROPERTIES = {
    "clip-path": "circle(1px at 900px 900px)",
    "clip-rule": None,  # of shapes in a clip: test_against_a_browser.py
    "display": "none",
    "fill": None,  # with the stroke it decides what is painted: below
    "fill-opacity": None,
    "height": "5px",
    "opacity": "0",
    "overflow": None,  # of inner drawings: test_against_a_browser.py
    "rotate": "30deg",
    "rx": None,  # changes no bounds: test_against_a_browser.py
    "ry": None,
    "scale": "2",
    "stroke": None,
    "stroke-opacity": None,
    "stroke-width": None,
    "transform": "rotate(30deg)",
    "transform-box": None,  # test_against_a_browser.py
    "transform-origin": None,
    "translate": "5px",
    "visibility": "hidden",
    "width": "5px",
    "x": "5px",
    "y": "5px",
}
NAMED_PROPERTIES = {
    "all": "unset",
    "animation": "spin 1s",
    "animation-name": "spin",
    "clip": "rect(0 5px 5px 0)",
    "filter": "url(#f)",
    "marker": "url(#m)",
    "marker-end": "url(#m)",
    "marker-mid": "url(#m)",
    "marker-start": "url(#m)",
    "mask": "url(#m)",
    "mask-border": "url(#m)",
    "mask-border-source": "url(#m)",
    "mask-image": "url(#m)",
    "offset": "path('M0 0h9')",
    "offset-path": "path('M0 0h9')",
    "perspective": "10px",
    "stroke-dasharray": "1",
    "vector-effect": "fixed-position",
    "zoom": "2",
    "-webkit-mask": "url(#m)",
    "-webkit-filter": "blur(2px)",
    "display": "var(--shown)",
    "clip-path": "shape(from 0 0, line to 9px 9px)",
}
HARMLESS_PROPERTIES = {
    # Paint and order of paint: a die cuts lines, whatever is filled, and with what.
    "color": "red", "color-interpolation": "linearRGB", "color-rendering": "auto", "fill-rule": "evenodd",
    "paint-order": "stroke", "shape-rendering": "crispEdges", "stop-color": "red", "flood-color": "red",
    "lighting-color": "red", "mix-blend-mode": "multiply", "isolation": "isolate", "image-rendering": "pixelated",
    # The middle of a line is the outline, whatever its width and ends.
    "stroke-linecap": "round", "stroke-linejoin": "round", "stroke-miterlimit": "9", "stroke-dashoffset": "2",
    # Of text, of web pages and of the mouse.
    "font-size": "9px", "letter-spacing": "2px", "text-anchor": "end", "writing-mode": "tb", "direction": "rtl",
    "alignment-baseline": "middle", "dominant-baseline": "middle", "baseline-shift": "2px", "word-spacing": "2px",
    "text-decoration": "underline", "text-rendering": "auto", "white-space": "pre", "inline-size": "9px", "shape-inside": "none",
    "cursor": "help", "pointer-events": "none", "position": "absolute", "left": "9px", "top": "9px", "margin": "9px",
    "padding": "9px", "float": "left", "will-change": "transform", "transform-style": "preserve-3d",
    # Where there is no path to follow, or no mask, the rest of their properties does nothing.
    "offset-distance": "50%", "offset-rotate": "30deg", "offset-anchor": "0 0", "mask-type": "alpha", "mask-mode": "alpha",
    "transition": "all 1s", "animation-duration": "1s", "perspective-origin": "9px 9px",
}  # fmt: skip


@pytest.mark.parametrize("name", [name for name, value in HONOURED_PROPERTIES.items() if value])
def test_properties_that_are_honoured(name):
    """What is seen changes, by style attributes and by style sheets."""
    value = HONOURED_PROPERTIES[name]
    other = '<circle cx="70" cy="70" r="9"/>'
    by_sheet = f"<style>#square{{{name}:{value}}}</style>{SQUARE}{other}"
    by_style = SQUARE.replace("<rect", f'<rect style="{name}:{value}"') + other
    assert read(by_style)[0] == read(by_sheet)[0] != read(SQUARE + other)[0]


@pytest.mark.parametrize("name", NAMED_PROPERTIES)
def test_properties_that_are_not_read_are_named(name):
    """The outline stays as it is, and a note says so, with the element."""
    value = NAMED_PROPERTIES[name]
    bodies = [
        f"<style>#square{{{name}:{value}}}</style>{SQUARE}",
        SQUARE.replace("<rect", f'<rect style="{name}:{value}"'),
    ]
    if name in (
        "clip",
        "filter",
        "marker-end",
        "marker-mid",
        "marker-start",
        "mask",
        "stroke-dasharray",
        "vector-effect",
    ):
        bodies.append(SQUARE.replace("<rect", f'<rect {name}="{value}"'))
    for body in bodies:
        shown, notes = read(body)
        assert shown == read(SQUARE)[0]
        assert "ignored" in notes or "read as a whole line" in notes, body


@pytest.mark.parametrize("name", [*NAMED_PROPERTIES])
def test_properties_without_effect_are_not_named(name):
    """At their first values they do nothing."""
    if name != "all":
        assert read(SQUARE.replace("<rect", f'<rect style="{name}:none"'))[1] in ("", read(SQUARE)[1])


@pytest.mark.parametrize("name", HARMLESS_PROPERTIES)
def test_properties_that_are_harmless(name):
    """Neither the outline nor the notes change."""
    value = HARMLESS_PROPERTIES[name]
    assert read(SQUARE.replace("<rect", f'<rect style="{name}:{value}" {name}="{value}"')) == read(SQUARE)


@pytest.mark.parametrize(
    ("paint", "seen"),
    [
        ("fill:none", False), ("fill:transparent", False), ("fill:rgba(0,0,0,0)", False), ("fill-opacity:0", False),
        ("fill:none;stroke:#000", True), ("fill:none;stroke:#000;stroke-width:0", False), ("fill:none;stroke:initial", False),
        ("fill:none;stroke:#000;stroke-opacity:0%", False), ("fill:initial", True), ("fill:none!important;fill:red", False),
    ],
)  # fmt: skip
def test_paint_decides_what_is_seen(paint, seen):
    """Neither fill nor stroke: invisible."""
    shown, _ = read(SQUARE.replace("<rect", f'<rect style="{paint}"'))
    assert bool(shown) == seen


STYLES = {
    "@media print{rect{display:none}}": "special media",
    "@supports (x:y){rect{display:none}}": "@supports",
    "@layer a{rect{display:none}}": "@layer",
    "@keyframes spin{to{rotate:9deg}}": "@keyframes",
    "rect:hover{display:none}": "selector",
    "[id]{display:none}": "selector",
    "rect{display:none": "",
    "rect{display none}": "can't be read",
    "rect{width:calc(1px + 2px)}": "refused",
    "rect{transform:rotateX(9deg)}": "refused",
    "rect{transform:perspective(9px)}": "refused",
    "rect{transform:translate(1em)}": "refused",
    "rect{rotate:1 0 0 9deg}": "refused",
    "rect{d:none}": "",
}


@pytest.mark.parametrize("sheet", STYLES)
def test_styles_that_can_not_be_followed(sheet):
    """A note names them, or the drawing is refused; what is understood is done without one."""
    words = STYLES[sheet]
    if words == "refused":
        with pytest.raises(OutlineError, match=r"transform|length|size|rotate") as caught:
            read(f"<style>{sheet}</style>{SQUARE}")
        assert caught.value.mend
        return
    shown, notes = read(f"<style>{sheet}</style>{SQUARE}")
    assert words in notes
    assert bool(notes) == bool(words)
    assert shown == ([] if sheet == "rect{display:none" else read(SQUARE)[0])


def test_styles_for_other_media():
    """A sheet for print alone is not that of the screen."""
    shown, notes = read(f'<style media="print">rect{{display:none}}</style>{SQUARE}')
    assert shown == read(SQUARE)[0]
    assert "special media" in notes


def test_notes_are_told_once():
    """Twenty masks are one note, which counts them."""
    _, notes = read("".join(f'<rect x="{4 * k}" width="2" height="2" mask="url(#m)"/>' for k in range(20)))
    assert notes.count("mask") == 1
    assert "(line 1, rect, and 19 more)" in notes
