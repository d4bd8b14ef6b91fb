"""A value of a JSON file together with its place in it, so that every error can name the key."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from typing import Any, NoReturn

from nestcut.errors import PlanError, Where

__all__ = ["LIMIT_MM", "MOST_COUNT", "JsonNode"]

LIMIT_MM = 1e6
"""No length or coordinate in a plan is larger, mm: beyond it the 1e-6 mm of the checker lose their meaning."""

MOST_COUNT = 10**9
MOST_DEPTH = 40
"""Nesting of what ``proof`` and ``extras`` may hold."""

# C0 and C1 controls would run wild on a terminal, halves of surrogate pairs cannot be written.
_HIDDEN = re.compile("[\x00-\x1f\x7f-\x9f\ud800-\udfff]")
_HIDDEN_IN_LINES = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\ud800-\udfff]")
_SWATCH = re.compile(r"#(?:[0-9a-fA-F]{3}|[0-9a-fA-F]{6})")
_CLOCK = re.compile(r"(?:[01][0-9]|2[0-3]):[0-5][0-9]")


class JsonNode:
    """A JSON value that knows its key path. Methods return plain values or raise PlanError."""

    __slots__ = ("_key", "_parent", "value")

    def __init__(self, value: Any, parent: JsonNode | None = None, key: str | int = "") -> None:
        self.value = value
        self._parent = parent
        self._key = key

    @property
    def path(self) -> str:
        """The place, as ``passes[3].cuts[0].slot``."""
        parts: list[str | int] = []
        node: JsonNode | None = self
        while node is not None:
            parts.append(node._key)
            node = node._parent
        path = ""
        for part in reversed(parts):
            if isinstance(part, int):
                path += f"[{part}]"
            elif part:
                path += f".{part}" if path else part
        return path

    def shown(self) -> str:
        """The value, short enough for a message."""
        if isinstance(self.value, dict):
            return "an object"
        if isinstance(self.value, list):
            return f"a list of {len(self.value)}"
        words = {None: "null", True: "true", False: "false"}
        if self.value is None or isinstance(self.value, bool):
            return words[self.value]
        text = repr(self.value).encode("utf-8", "replace").decode("utf-8")
        return text if len(text) <= 60 else text[:57] + "…"

    def refuse(self, what: str, mend: str) -> NoReturn:
        """Raise a PlanError that names this place."""
        raise PlanError(what, mend=mend, where=Where(element=self.path or "the whole file"))

    def mapping(self) -> dict[str, Any]:
        """The value, if it is an object."""
        if not isinstance(self.value, dict):
            self.refuse(f"this is {self.shown()}, not an object", "write { … } with the keys of the contract")
        return self.value

    def key(self, name: str) -> JsonNode:
        """The value of a key that must be there."""
        data = self.value
        if not isinstance(data, dict):
            data = self.mapping()
        if name not in data:
            self.refuse(f"the key '{name}' is missing", "add it, or make the plan again")
        return JsonNode(data[name], self, name)

    def key_if(self, name: str) -> JsonNode | None:
        """The value of a key, or None when it is missing or null."""
        value = self.mapping().get(name)
        return None if value is None else JsonNode(value, self, name)

    def item(self, number: int) -> JsonNode:
        """An item of a list."""
        return JsonNode(self.value[number], self, number)

    def items(self, *, most: int = 10_000_000) -> list[JsonNode]:
        """The items of a list."""
        if not isinstance(self.value, list):
            self.refuse(f"this is {self.shown()}, not a list", "write [ … ]")
        if len(self.value) > most:
            self.refuse(f"{len(self.value)} entries are too many", f"at most {most} are read")
        return [JsonNode(value, self, number) for number, value in enumerate(self.value)]

    def entries(self) -> Iterator[tuple[str, JsonNode]]:
        """The keys of an object (as texts that can be shown) and their values."""
        for name, value in self.mapping().items():
            _clean(name, self, most=200)
            yield name, JsonNode(value, self, name)

    def text(self, *, most: int = 200, may_be_empty: bool = False) -> str:
        """A text of one line: a name, an id."""
        value = self.value
        if not isinstance(value, str):
            self.refuse(f"this is {self.shown()}, not a text", 'write a name in quotes: "campion"')
        if not may_be_empty and not value.strip():
            self.refuse("the name is empty", "give it a name")
        _clean(value, self, most=most)
        return value

    def prose(self) -> str:
        """A text of any number of lines."""
        if not isinstance(self.value, str):
            self.refuse(f"this is {self.shown()}, not a text", "write it in quotes")
        _clean(self.value, self, most=100_000, lines=True)
        return self.value

    def number(self, least: float, most: float) -> float:
        """A finite number in a range."""
        value = self.value
        if type(value) is not float and type(value) is not int:
            self.refuse(f"this is {self.shown()}, not a number", "write a plain number")
        if not least <= value <= most:  # NaN fails here too
            self.refuse(
                f"{self.shown()} is out of range", f"a number from {least:g} to {most:g} belongs here"
            )
        return float(value)

    def whole(self, least: int, most: int) -> int:
        """A whole number in a range (3.0 is one, as in JSON Schema)."""
        value = self.value
        if type(value) is float and value.is_integer() and abs(value) < 2**53:
            value = int(value)
        if type(value) is not int:
            self.refuse(f"this is {self.shown()}, not a whole number", "write a whole number")
        if not least <= value <= most:
            self.refuse(
                f"{self.shown()} is out of range", f"a whole number from {least} to {most} belongs here"
            )
        return value

    def flag(self) -> bool:
        """true or false."""
        if not isinstance(self.value, bool):
            self.refuse(f"this is {self.shown()}", "write true or false")
        return self.value

    def choice(self, *words: str) -> Any:
        """One of a few words."""
        if not isinstance(self.value, str) or self.value not in words:
            listed = " or ".join(f'"{word}"' for word in words)
            self.refuse(f"{self.shown()} is not known here", f"write {listed}")
        return self.value

    def swatch(self) -> str:
        """A colour as #rgb or #rrggbb; nothing else may travel into a drawing."""
        if not isinstance(self.value, str) or not _SWATCH.fullmatch(self.value):
            self.refuse(f"{self.shown()} is not a colour", 'write "#rrggbb"')
        return self.value

    def clock(self) -> str:
        """A time of day, HH:MM."""
        if not isinstance(self.value, str) or not _CLOCK.fullmatch(self.value):
            self.refuse(f"{self.shown()} is not a time of day", 'write "18:30"')
        return self.value

    def plain_mapping(self) -> dict[str, Any]:
        """Any JSON object, with finite numbers and clean texts all the way down."""
        self.mapping()
        _walk(self, MOST_DEPTH)
        return self.value


def _clean(text: str, node: JsonNode, *, most: int, lines: bool = False) -> None:
    if len(text) > most:
        node.refuse(f"the text has {len(text)} characters", f"use at most {most}")
    hidden = (_HIDDEN_IN_LINES if lines else _HIDDEN).search(text)
    if hidden:
        node.refuse(f"the text holds a control character (U+{ord(hidden[0]):04X})", "remove it")


def _walk(node: JsonNode, depth: int) -> None:
    value = node.value
    if depth == 0:
        node.refuse("this is nested too deeply", f"use at most {MOST_DEPTH} levels")
    if isinstance(value, dict):
        for key, item in value.items():
            _clean(key, node, most=1000)
            if isinstance(item, (dict, list, str, float, int)):
                _walk(JsonNode(item, node, key), depth - 1)
    elif isinstance(value, list):
        for number, item in enumerate(value):
            if isinstance(item, (dict, list, str, float, int)):
                _walk(JsonNode(item, node, number), depth - 1)
    elif isinstance(value, str):
        _clean(value, node, most=1_000_000, lines=True)
    elif isinstance(value, float) and not math.isfinite(value):
        node.refuse("this number is not finite", "write a plain number")
