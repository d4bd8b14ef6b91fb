"""The little CSS that drawing programs use to style and hide elements.

Rules from ``<style>`` with type, class and id selectors (also compound, descendant and child ones),
presentation attributes and ``style`` attributes, in the order of the cascade. tinycss2 does the parsing.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

from nestcut.errors import OutlineError
from nestcut.outlines.drawing.document import Element
from nestcut.outlines.drawing.known import NOTED_PROPERTIES

__all__ = [
    "Rule",
    "computed",
    "declarations",
    "is_filled",
    "is_hidden",
    "is_invisible",
    "is_pale",
    "is_stroked",
    "is_unpainted",
    "read_rules",
]

MOST_RULES = 1_000
"""More that matter to outlines than any drawing program writes."""

INHERITED = ("visibility", "fill", "stroke", "stroke-width", "fill-opacity", "stroke-opacity", "clip-rule")
_PLAIN = (*INHERITED, "display", "opacity", "overflow", "transform", "transform-origin", "clip-path")
_NOTED_ATTRIBUTES = frozenset(
    [
        "clip",
        "filter",
        "marker-start",
        "marker-mid",
        "marker-end",
        "mask",
        "stroke-dasharray",
        "vector-effect",
    ]
)
_OWN_GRAMMAR = ("transform", "transform-origin", "clip-path")
"""Written otherwise in attributes (bare numbers) than in styles: kept apart as "css transform" and so on."""
_GEOMETRY = ("cx", "cy", "r", "rx", "ry", "x", "y", "width", "height", "d")
_KNOWN = frozenset((*_PLAIN, *_GEOMETRY, *NOTED_PROPERTIES, "transform-box", "translate", "rotate", "scale"))
_HARMLESS_AT_RULES = (
    "charset",
    "namespace",
    "font-face",
    "font-feature-values",
    "page",
    "property",
    "counter-style",
)
_SPECIAL_MEDIA = "Styles for special media in the drawing were ignored."
_RESET = ("initial", "unset", "revert", "revert-layer")
_COMPOUND = re.compile(r"(\*|[A-Za-z_][\w-]*)?((?:[.#][A-Za-z_-][\w-]*)*)$")


@dataclass(frozen=True, slots=True)
class Rule:
    """One selector with its declarations: (property, value, important)."""

    steps: tuple[tuple[str, str], ...]
    """(combinator before it, compound selector), from the outermost to the element itself."""
    weight: tuple[int, int, int, int]
    declarations: tuple[tuple[str, str, bool], ...]


def read_rules(root: Element, notes: list[str]) -> list[Rule]:
    """All rules of the drawing's style sheets that matter to outlines, weakest first."""
    rules: list[Rule] = []
    for sheet in root.walk():
        if sheet.tag != "style" or sheet.get("type", "text/css").strip().lower() not in ("", "text/css"):
            continue
        if sheet.get("media", "all").strip().lower() not in ("", "all", "screen"):
            notes.append(_SPECIAL_MEDIA)
            continue
        rules += _rules_of(sheet.text, len(rules), notes)
        if len(rules) > MOST_RULES:
            raise OutlineError(
                f"the drawing has more than {MOST_RULES} style rules", mend="save it as plain SVG"
            )
    return sorted(rules, key=lambda rule: rule.weight)


def _rules_of(css: str, order: int, notes: list[str]) -> Iterator[Rule]:
    import tinycss2

    for item in tinycss2.parse_stylesheet(css, skip_comments=True, skip_whitespace=True):
        if item.type == "at-rule":
            if item.lower_at_keyword == "import":
                raise OutlineError(
                    "the drawing takes its styles from another file", mend="save it with its styles inside"
                )
            if item.lower_at_keyword == "media":
                notes.append(_SPECIAL_MEDIA)
            elif item.lower_at_keyword not in _HARMLESS_AT_RULES:
                notes.append(f"Styles under @{item.lower_at_keyword[:40]} in the drawing were ignored.")
            continue
        if item.type != "qualified-rule":
            if item.type == "error":
                notes.append("A part of a style sheet can't be read, and was ignored.")
            continue
        wanted = declarations(item.content, lambda note: notes.append(note + "."))
        if not wanted:
            continue
        for selector in tinycss2.serialize(item.prelude).split(","):
            steps = _steps(selector)
            if steps is None:
                notes.append(
                    f'The style rule "{selector.strip()[:40]}" was ignored: its selector is not a plain one.'
                )
                continue
            order += 1
            ids = sum(step.count("#") for _, step in steps)
            classes = sum(step.count(".") for _, step in steps)
            types = sum(not step.startswith(("*", ".", "#")) for _, step in steps)
            yield Rule(steps, (ids, classes, types, order), wanted)


def _steps(selector: str) -> tuple[tuple[str, str], ...] | None:
    words = re.sub(r"\s*>\s*", " > ", selector.strip()).split()
    steps: list[tuple[str, str]] = []
    combinator = ""
    for word in words:
        if word == ">":
            combinator = ">"
            continue
        if not _COMPOUND.match(word):
            return None
        steps.append((combinator or " ", word))
        combinator = ""
    return tuple(steps) if steps and not combinator else None


def declarations(
    content: object, say: Callable[[str], None] = lambda note: None
) -> tuple[tuple[str, str, bool], ...]:
    """(property, value, important) of each declaration that matters to outlines; ``say`` takes notes on others."""
    import tinycss2

    found = []
    for item in tinycss2.parse_declaration_list(content, skip_comments=True, skip_whitespace=True):
        if item.type != "declaration":
            say("A part of a style can't be read, and was ignored")
            continue
        name = item.lower_name.removeprefix("-webkit-")
        if name not in _KNOWN:
            continue
        value = tinycss2.serialize(item.value).strip()
        if re.search(r"\b(var|env|attr)\(", value, re.IGNORECASE):
            say(f'The style "{name}: {value[:40]}" was ignored: nestcut does not look up such values')
            continue
        name = f"css {name}" if name in _OWN_GRAMMAR else name
        found.append((name, value, bool(item.important)))
    return tuple(found)


def computed(
    element: Element,
    ancestors: Sequence[Element],
    rules: Sequence[Rule],
    inherited: dict[str, str],
    say: Callable[[str], None] = lambda note: None,
) -> dict[str, str]:
    """The element's properties: inherited, then attributes, rules and ``style``, important ones last.

    What comes from attributes and styles in different grammars stays apart: "transform" and "css transform".
    """
    own: dict[str, str] = {}
    important: dict[str, str] = {}
    for name, value in element.attributes.items():
        if name in _PLAIN or name in _NOTED_ATTRIBUTES:
            own[name] = value.strip()
    for rule in rules:
        if _matches(rule.steps, element, ancestors):
            for name, value, strong in rule.declarations:
                (important if strong else own)[name] = value
    if "style" in element.attributes:
        for name, value, strong in declarations(element.attributes["style"], say):
            (important if strong else own)[name] = value
    own |= important
    result = {name: inherited[name] for name in INHERITED if name in inherited}
    for name, value in own.items():
        word = value.lower()
        if word == "inherit" or (word in _RESET and word != "initial" and name in INHERITED):
            if name in inherited:
                result[name] = inherited[name]
        elif word in _RESET and name != "all":
            result.pop(name, None)
            if name.startswith("css "):
                result.pop(name[4:], None)
        else:
            result[name] = value
    return result


def _matches(steps: tuple[tuple[str, str], ...], element: Element, ancestors: Sequence[Element]) -> bool:
    if not _is(element, steps[-1][1]):
        return False
    # Depths at which the step just handled may stand; the work is steps × depth, whatever the selector.
    places, near = {len(ancestors)}, steps[-1][0]
    for combinator, compound in reversed(steps[:-1]):
        if near == ">":
            above = {place - 1 for place in places if place > 0}
        else:
            above = set(range(max(places)))
        places = {place for place in above if _is(ancestors[place], compound)}
        near = combinator
        if not places:
            return False
    return True


@lru_cache(maxsize=4096)
def _parts(compound: str) -> tuple[str, frozenset[str], frozenset[str]]:
    """Type (empty for any), ids and classes of a compound selector."""
    match = _COMPOUND.match(compound)
    assert match is not None  # _steps() lets no other through
    marks = re.findall(r"([.#])([\w-]+)", match[2] or "")
    kind = match[1] if match[1] and match[1] != "*" else ""
    return kind, frozenset(n for m, n in marks if m == "#"), frozenset(n for m, n in marks if m == ".")


def _is(element: Element, compound: str) -> bool:
    kind, ids, classes = _parts(compound)
    if kind and kind != element.tag:
        return False
    return all(element.id == name for name in ids) and classes.issubset(element.classes)


def is_hidden(style: Mapping[str, str]) -> bool:
    """Whether the element and all in it are switched off."""
    return style.get("display", "").lower() == "none" or _is_zero(style.get("opacity", ""))


def is_unpainted(style: Mapping[str, str]) -> bool:
    """Whether a shape of this style leaves no ink: invisible, or with neither stroke nor fill."""
    return is_invisible(style) or not (is_filled(style) or is_stroked(style))


def is_invisible(style: Mapping[str, str]) -> bool:
    """Whether the shape itself is switched off."""
    return style.get("visibility", "visible").lower() in ("hidden", "collapse")


def is_filled(style: Mapping[str, str]) -> bool:
    """Whether the inside of a shape is painted."""
    return not (_is_clear(style.get("fill", "black")) or _is_zero(style.get("fill-opacity", "")))


def is_stroked(style: Mapping[str, str]) -> bool:
    """Whether the line of a shape is painted."""
    return not (
        _is_clear(style.get("stroke", "none"))
        or _is_zero(style.get("stroke-width", ""))
        or _is_zero(style.get("stroke-opacity", ""))
    )


@lru_cache(maxsize=1024)
def is_pale(colour: str) -> bool:
    """Whether a colour is nearly that of white paper: lightness (CSS Color 3, HSL) 75 % or more."""
    from tinycss2.color3 import parse_color

    rgba = parse_color(colour)
    if rgba is None or isinstance(rgba, str):
        return False
    red, green, blue, alpha = rgba
    return 1 - alpha * (1 - (max(red, green, blue) + min(red, green, blue)) / 2) >= 0.75


def _is_clear(colour: str) -> bool:
    if colour.lower() in ("none", "transparent"):
        return True
    if not re.match(r"rgba|hsla", colour, re.IGNORECASE):
        return False
    from tinycss2.color3 import parse_color

    rgba = parse_color(colour)
    return rgba is not None and not isinstance(rgba, str) and rgba.alpha == 0


def _is_zero(value: str) -> bool:
    match = re.fullmatch(r"\s*\+?([\d.]+)\s*(?:[a-z]+|%)?\s*", value)
    try:
        return bool(match) and float(match[1]) == 0  # type: ignore[index]
    except ValueError:
        return False
