"""What a drawing can hold that is not read, and the words of the notes about it.

Every element of SVG 1.1 and SVG 2, and every property that can move, hide or shape what is seen, is either honoured by
:mod:`nestcut.outlines.drawing.walk`, named here, or harmless: ``tests/outlines/drawing/test_standard.py`` goes through the lists.
"""

from __future__ import annotations

import re

from nestcut.outlines.drawing.document import Element

__all__ = [
    "DEFINITIONS",
    "LANGUAGE",
    "MOVING",
    "NOTED_PROPERTIES",
    "is_harmless",
    "is_rim",
    "passed_over",
    "perhaps_rim",
    "speaks",
]

DEFINITIONS = frozenset(
    [
        "clipPath",
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
        "style",
        "symbol",
        "title",
        "view",
    ]
) | {""}
"""Never drawn where they stand; "" are private notes of drawing programs."""

MOVING = frozenset(["animate", "animateColor", "animateMotion", "animateTransform", "set", "discard"])

_NOT_READ = {
    "Text was ignored: turn it into paths if the die cuts it": (
        "altGlyph altGlyphDef flowRoot glyph glyphRef text textPath textArea tref tspan foreignObject"
    ),
    "Pictures were ignored": "image audio canvas iframe video mesh",
    "Animations were ignored: the drawing is read without them": " ".join(sorted(MOVING)),
    "A script was ignored: the drawing is read without it": "script",
}
_WORDS = {tag: note for note, tags in _NOT_READ.items() for tag in tags.split()}

_RIM = re.compile(r"rim(?:[-_ ]?\d+_?)?", re.IGNORECASE)
_PERHAPS_RIM = re.compile(r"(?<![a-z])rims?(?![a-z])", re.IGNORECASE)
LANGUAGE = "en"
"""Of drawings for several languages this part is read: messages are in English, too."""

_MASK = "A mask was ignored: the whole outline is used"
_PATH = "A place along a path (offset) was ignored: the outline is read where it lies without it"
_MARKERS = "Markers (arrow heads and the like) were ignored"
NOTED_PROPERTIES = {
    "all": "A style that resets all properties was ignored",
    "animation": "Animations were ignored: the drawing is read without them",
    "animation-name": "Animations were ignored: the drawing is read without them",
    "clip": "A clip in a style was ignored: the whole outline is used",
    "filter": "A filter was ignored: the outline is read without it",
    "marker": _MARKERS,
    "marker-end": _MARKERS,
    "marker-mid": _MARKERS,
    "marker-start": _MARKERS,
    "mask": _MASK,
    "mask-border": _MASK,
    "mask-border-source": _MASK,
    "mask-image": _MASK,
    "offset": _PATH,
    "offset-path": _PATH,
    "perspective": "A perspective was ignored: the outline is read flat",
    "stroke-dasharray": "A dashed line was read as a whole line",
    "vector-effect": "A vector-effect was ignored: the outline is read without it",
    "zoom": "A zoom was ignored: the outline is read at its own size",
}
"""Properties that are not honoured, and the note where one has an effect."""

_HARMLESS = re.compile(r"|none|auto|normal|initial|unset|revert|revert-layer|inherit", re.IGNORECASE)
_HARMLESS_HERE = {
    "stroke-dasharray": re.compile(r"(0+(\.0*)?[a-z%]*[\s,]*)+"),
    "vector-effect": re.compile(r"non-scaling-stroke"),
    "zoom": re.compile(r"1|1\.0+|100%|0+"),
}


def is_harmless(name: str, value: str) -> bool:
    """Whether a property of :data:`NOTED_PROPERTIES` has no effect at this value."""
    if name == "all":
        return False
    here = _HARMLESS_HERE.get(name)
    return bool(_HARMLESS.fullmatch(value) or (here and here.fullmatch(value)))


def passed_over(tag: str) -> str:
    """What to say about an element that is not read where it would be drawn."""
    if tag.startswith("html "):
        return "Parts of a web page were ignored"
    return _WORDS.get(tag, f'The element "{tag[:40]}" is unknown to nestcut and was ignored')


def speaks(languages: str) -> bool:
    """Whether a list of language tags holds the language that is read."""
    tags = [tag.strip().lower() for tag in languages.split(",")]
    return any(tag == LANGUAGE or tag.startswith(f"{LANGUAGE}-") for tag in tags)


def is_rim(element: Element, *, root: bool) -> bool:
    """Whether an element is called "rim": by id or class, and within the drawing by a label, too."""
    names = [element.id] if root else [element.id, *element.labels]
    return any(_RIM.fullmatch(name) for name in names) or any(n.lower() == "rim" for n in element.classes)


def perhaps_rim(element: Element) -> str:
    """A name of the element that speaks of a rim."""
    return next((name for name in [*element.labels, element.id] if _PERHAPS_RIM.search(name)), "")
