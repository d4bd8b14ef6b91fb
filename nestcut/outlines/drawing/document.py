"""An SVG file as a tree of elements, read without trusting it.

Entities and references to other files are refused, size and depth are bounded, and every element
remembers its line. Nothing is ever fetched.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from nestcut.errors import OutlineError, Where

__all__ = ["Element", "load_svg", "read_drawing", "where_is"]

MOST_BYTES = 20_000_000
MOST_ELEMENTS = 50_000
DEEPEST = 100

SVG = "http://www.w3.org/2000/svg"
XLINK = "http://www.w3.org/1999/xlink"
XHTML = "http://www.w3.org/1999/xhtml"

_PRIVATE_NAME = re.compile(r"\{[^}]*\}(id|name)")
"""Where an id had to be changed to be a good one, some programs keep what was typed beside it."""


@dataclass(slots=True)
class Element:
    """One element of the drawing. ``tag`` has no namespace; elements of other namespaces are ``""``."""

    tag: str
    attributes: dict[str, str]
    line: int
    children: list[Element] = field(default_factory=list)
    text: str = ""

    def get(self, name: str, default: str = "") -> str:
        """An attribute, or the default."""
        return self.attributes.get(name, default)

    @property
    def id(self) -> str:
        """The element's id, or an empty text."""
        return self.attributes.get("id", "").strip()

    @property
    def classes(self) -> list[str]:
        """The names in the class attribute."""
        return self.attributes.get("class", "").split()

    @property
    def labels(self) -> list[str]:
        """The names that drawing programs show for the element, beside its id: labels, and a title in it."""
        named = [
            value
            for name, value in self.attributes.items()
            if name == "data-name" or name.rpartition("}")[2] == "label" or _PRIVATE_NAME.match(name)
        ]
        named += [child.text for child in self.children if child.tag == "title"]
        return [" ".join(name.split()) for name in named if name.strip()]

    def walk(self) -> Iterator[Element]:
        """The element and all in it, in the order of the file."""
        yield self
        for child in self.children:
            yield from child.walk()

    def __str__(self) -> str:
        return f"{self.tag} id='{self.id}'" if self.id else self.tag


def where_is(element: Element) -> Where:
    """The place of an element in its file."""
    return Where(line=element.line, element=str(element))


def load_svg(path: Path) -> Element:
    """The root element of an SVG file.

    Raises: OutlineError when the file is missing, too large, not SVG, or refers to other files.
    """
    return parse_svg(read_drawing(path))


def read_drawing(path: Path) -> bytes:
    """What the file holds. Raises OutlineError when it is missing, no plain file, or too large."""
    try:
        if path.is_dir():
            raise OutlineError("this is a folder, not a drawing", mend="give the path of an SVG file")
        if path.exists() and not path.is_file():
            raise OutlineError("this is not a regular file", mend="give the path of an SVG file")
        with path.open("rb") as file:
            data = file.read(MOST_BYTES + 1)
    except FileNotFoundError as err:
        raise OutlineError("there is no such file", mend="check the path and its spelling") from err
    except (OSError, ValueError) as err:
        reason = getattr(err, "strerror", None) or str(err)
        raise OutlineError(
            f"the file can't be opened ({reason})", mend="check its name and its permissions"
        ) from err
    if len(data) > MOST_BYTES:
        raise OutlineError(
            f"the drawing is larger than {MOST_BYTES // 1_000_000} MB",
            mend="take pictures and other drawings out of it; an outline takes a few kB",
        )
    return data


class _ElementBuilder:
    """Target of the XML parser: makes elements, and gives up on files that no outline needs."""

    def __init__(self) -> None:
        self.root: Element | None = None
        self.stack: list[Element] = []
        self.count = 0
        self.parser: Any = None

    def start(self, tag: str, attributes: dict[str, str]) -> None:
        self.count += 1
        line = self.parser.CurrentLineNumber
        if self.count > MOST_ELEMENTS or len(self.stack) >= DEEPEST:
            what = "too many elements" if self.count > MOST_ELEMENTS else "elements nested too deeply"
            raise OutlineError(
                f"the drawing has {what}",
                mend="save only the outline, as a plain SVG",
                where=Where(line=line),
            )
        element = Element(_local(tag), _attributes(attributes), line)
        if self.stack:
            self.stack[-1].children.append(element)
        else:
            self.root = element
        self.stack.append(element)

    def end(self, tag: str) -> None:
        self.stack.pop()

    def data(self, data: str) -> None:
        if self.stack and self.stack[-1].tag in ("style", "title"):
            self.stack[-1].text += data

    def pi(self, target: str, data: str | None = None) -> None:
        if target == "xml-stylesheet":
            raise OutlineError(
                "the drawing takes its styles from another file",
                mend="save it with its styles inside",
                where=Where(line=self.parser.CurrentLineNumber),
            )

    def comment(self, data: str) -> None:
        """Comments are passed over."""

    def close(self) -> Element | None:
        return self.root


def parse_svg(data: bytes) -> Element:
    """The root element of an SVG document. Raises OutlineError."""
    from xml.etree.ElementTree import ParseError

    from defusedxml.common import DefusedXmlException
    from defusedxml.ElementTree import XMLParser

    if data[:2] == b"\x1f\x8b":
        raise OutlineError("the drawing is compressed (SVGZ)", mend="save it as plain SVG")
    if not data.strip(b"\xef\xbb\xbf \t\r\n\0"):
        raise OutlineError("the file is empty", mend="save the drawing again")
    builder = _ElementBuilder()
    parser = XMLParser(target=builder, forbid_dtd=False, forbid_entities=True, forbid_external=True)
    builder.parser = parser.parser
    try:
        parser.feed(data)
        root = parser.close()
    except DefusedXmlException as err:
        raise OutlineError(
            "the drawing defines or uses entities, which nestcut doesn't read",
            mend='save it as "plain SVG", without a document type declaration',
            where=Where(line=parser.parser.CurrentLineNumber),
        ) from err
    except ParseError as err:
        line = err.position[0] if getattr(err, "position", None) else None
        reason = re.sub(r":? *line \d+, column \d+", "", str(err))
        raise OutlineError(
            f"this is not an SVG drawing ({reason})", mend="save the drawing as SVG", where=Where(line=line)
        ) from err
    except (ValueError, LookupError, UnicodeError) as err:
        raise OutlineError(
            f"the text of the file can't be read ({err})", mend="save the drawing as SVG in UTF-8"
        ) from err
    if root is None or root.tag != "svg":
        name = root.tag if root is not None and root.tag else "something else"
        raise OutlineError(f"this is not an SVG drawing (it holds {name})", mend="save the drawing as SVG")
    return root


def _local(tag: str) -> str:
    if tag.startswith("{"):
        space, _, name = tag[1:].partition("}")
        return name if space == SVG else f"html {name}" if space == XHTML else ""
    # Files without xmlns are not quite SVG, but people write them, and they can mean nothing else.
    return "" if ":" in tag else tag


def _attributes(found: dict[str, str]) -> dict[str, str]:
    """Attributes by name; those of other namespaces as ``{namespace}name``."""
    named = dict(found)
    for space in (SVG, XLINK):
        link = named.pop(f"{{{space}}}href", None)
        if link is not None:
            named.setdefault("href", link)  # SVG 2 section 16.1: href beats xlink:href
    return named
