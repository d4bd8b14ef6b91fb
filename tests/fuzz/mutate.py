"""Changes to files, seeded: bytes, words, lines, cells and JSON values.

Source: mutation of seeds with a dictionary, as in common coverage-guided fuzzers (common practice); the JSON changes are our own.
"""

from __future__ import annotations

import json
import random
from collections.abc import Sequence
from typing import Any

from tests.fuzz.readers import as_bytes
from tests.fuzz.seeds import NUMBERS

__all__ = ["mutate"]

LARGEST = 60_000
"""Bytes of an input. Larger ones are the business of the bombs in the tests."""


def mutate(
    data: bytes, rng: random.Random, *, shape: str, words: Sequence[str], others: Sequence[bytes]
) -> bytes:
    """A changed copy of ``data``, never longer than LARGEST.

    Args:
        shape: "text", "rows" (cells of a table) or "json".
        words: put in now and then.
        others: inputs to take parts from.
    """
    changes = rng.choice((1, 1, 1, 2, 2, 3, 5, 9))
    if shape == "json" and rng.random() < 0.9:
        return _json(data, rng, words, others, changes)[:LARGEST]
    for _ in range(changes):
        if shape == "rows" and rng.random() < 0.5:
            data = _cell(data, rng, words)
        else:
            data = _text(data, rng, words, others)
    return data[:LARGEST]


def _word(rng: random.Random, words: Sequence[str]) -> bytes:
    return rng.choice(words).encode("utf-8", "surrogatepass")


def _text(data: bytes, rng: random.Random, words: Sequence[str], others: Sequence[bytes]) -> bytes:
    at = rng.randrange(len(data) + 1)
    to = min(len(data), at + int(rng.expovariate(1 / 12)))
    way = rng.randrange(11)
    if way == 0 and data:  # one byte
        at = rng.randrange(len(data))
        return data[:at] + bytes([rng.randrange(256)]) + data[at + 1 :]
    if way == 1:  # take away
        return data[:at] + data[to:]
    if way == 2:  # twice, or very often
        return data[:to] + data[at:to] * rng.choice((1, 1, 2, 30)) + data[to:]
    if way in (3, 4):
        return data[:at] + _word(rng, words) + data[at:]
    if way == 5:
        return data[:at] + _word(rng, words) + data[to:]
    if way in (6, 7):
        return _number(data, rng)
    if way == 8:  # a part of another input
        other = rng.choice(others) if others else data
        start = rng.randrange(len(other) + 1)
        return data[:at] + other[start : start + rng.choice((5, 40, 400))] + data[to:]
    if way == 9:  # two lines change places, or one goes
        lines = data.split(b"\n")
        i, j = rng.randrange(len(lines)), rng.randrange(len(lines))
        lines[i], lines[j] = lines[j], lines[i]
        if rng.random() < 0.4:
            del lines[i]
        return b"\n".join(lines)
    return data[:at] if rng.random() < 0.3 else data[:at] + data[at:to][::-1] + data[to:]


def _number(data: bytes, rng: random.Random) -> bytes:
    """Another number in the place of one that is there."""
    places = [
        i for i, byte in enumerate(data) if 48 <= byte <= 57 and (i == 0 or not 48 <= data[i - 1] <= 57)
    ]
    if not places:
        return data
    at = rng.choice(places)
    to = at
    while to < len(data) and (48 <= data[to] <= 57 or data[to] in b".e"):
        to += 1
    if rng.random() < 0.5:
        new = rng.choice(NUMBERS).encode()
    else:
        new = f"{rng.choice((1, -1)) * 10 ** rng.uniform(-4, 5):.{rng.randrange(9)}g}".encode()
    return data[:at] + new + data[to:]


def _cell(data: bytes, rng: random.Random, words: Sequence[str]) -> bytes:
    lines = data.split(b"\n")
    row = rng.randrange(len(lines))
    mark = rng.choice((b",", b";", b"\t"))
    cells = lines[row].split(mark)
    at = rng.randrange(len(cells))
    way = rng.randrange(4)
    if way == 0:
        cells[at] = _word(rng, words)
    elif way == 1:
        cells.insert(at, _word(rng, words))
    elif way == 2:
        del cells[at]
    else:
        lines.insert(row, mark.join(rng.sample(cells, len(cells))))
        return b"\n".join(lines)
    lines[row] = mark.join(cells)
    return b"\n".join(lines)


def _json(
    data: bytes, rng: random.Random, words: Sequence[str], others: Sequence[bytes], changes: int
) -> bytes:
    try:
        value = json.loads(data)
    except (ValueError, RecursionError):
        return _text(data, rng, words, others)
    for _ in range(changes):
        places: list[tuple[Any, Any]] = []
        _walk(value, places)
        if places:
            _change(value, places, rng, words, others)
    return as_bytes(value)


def _change(
    value: Any,
    places: list[tuple[Any, Any]],
    rng: random.Random,
    words: Sequence[str],
    others: Sequence[bytes],
) -> None:
    """One change somewhere in a JSON value."""
    holder, key = rng.choice(places)
    if _coordinate(holder) and rng.random() < 0.6:
        # Long lists of coordinates would take nearly every change: look for something else.
        holder, key = next((p for p in rng.choices(places, k=60) if not _coordinate(p[0])), (holder, key))
    way = rng.randrange(8)
    old = holder[key]
    if way in (0, 1, 2):
        holder[key] = _like(old, rng, words)
    elif way == 3:
        holder[key] = rng.choice(
            (None, True, False, 0, -1, 1.5, 10**30, 1e308, float("nan"), "", [], {}, [[]], "x")
        )
    elif way == 4:
        del holder[key]
    elif way == 5 and isinstance(holder, list):
        holder.insert(key, old)
    elif way == 6:
        other_holder, other_key = rng.choice(places)
        one, other = json.loads(as_bytes(old)), json.loads(as_bytes(other_holder[other_key]))
        holder[key], other_holder[other_key] = other, one
    else:
        source: list[tuple[Any, Any]] = places
        if others and rng.random() < 0.3 and _is_json(others):
            source = []
            _walk(json.loads(rng.choice(others)), source)
        same = [h[k] for h, k in source if k == key] or [old]
        holder[key] = json.loads(as_bytes(rng.choice(same)))


def _is_json(others: Sequence[bytes]) -> bool:
    try:
        for other in others:
            json.loads(other)
    except (ValueError, RecursionError):
        return False
    return True


def _coordinate(holder: Any) -> bool:
    return isinstance(holder, list) and bool(holder) and isinstance(holder[0], (int, float, list))


def _like(old: Any, rng: random.Random, words: Sequence[str]) -> Any:
    """Another value of the same kind, near or far."""
    if isinstance(old, bool):
        return not old
    if isinstance(old, int):
        return rng.choice((old + 1, old - 1, -old, 0, 10**9, 10**6, 2**63, old + 0.5, old * 10))
    if isinstance(old, float):
        shift = rng.choice((1e-9, 1e-6, 2e-6, 1e-3, 0.01, 1.0, 90.0, 25.4))
        return rng.choice((old + shift, old - shift, -old, old * 25.4, 0.0, 1e300, 1e-300, 999_999.0))
    if isinstance(old, str):
        return rng.choice((rng.choice(list(words)), old + "x", old[:-1], old * 2))
    if isinstance(old, list):
        return rng.choice((old[::-1], old[1:], old + old, rng.sample(old, len(old)), old[:1] * 50))
    return old


def _walk(value: Any, places: list[tuple[Any, Any]]) -> None:
    if isinstance(value, dict):
        items: Any = value.items()
    elif isinstance(value, list):
        items = enumerate(value)
    else:
        return
    for key, item in list(items):
        places.append((value, key))
        _walk(item, places)
