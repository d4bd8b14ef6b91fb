"""Reading HTML pages back with the standard library's parser."""

from __future__ import annotations

from html.parser import HTMLParser

VOID = {"meta", "link", "br", "hr", "img", "input"}


class Page(HTMLParser):
    """Elements, ids, references and text of a page."""

    def __init__(self, text: str):
        super().__init__(convert_charrefs=True)
        self.elements: list[tuple[str, dict[str, str]]] = []
        self.open: list[str] = []
        self.text: list[str] = []
        self.unbalanced: list[str] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, {key: value or "" for key, value in attrs}))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.elements.append((tag, {key: value or "" for key, value in attrs}))

    def handle_endtag(self, tag):
        if not self.open or self.open[-1] != tag:
            # The page leaves no end tag out.
            self.unbalanced.append(tag)
            return
        self.open.pop()

    def handle_data(self, data):
        if self.open and self.open[-1] not in ("style", "script"):
            self.text.append(data)

    @property
    def words(self) -> str:
        return " ".join(" ".join(self.text).split())

    def with_class(self, name: str) -> list[dict[str, str]]:
        return [attrs for _, attrs in self.elements if name in attrs.get("class", "").split()]

    def tags(self, name: str) -> list[dict[str, str]]:
        return [attrs for tag, attrs in self.elements if tag == name]
