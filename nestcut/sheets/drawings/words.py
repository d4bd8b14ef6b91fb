"""Small helpers for what is written on the sheets: names, numbers, lists of ids, file names."""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Iterable, Sequence

__all__ = [
    "area",
    "clipped",
    "file_stem",
    "id_list",
    "length",
    "number",
    "paper_codes",
    "plain",
    "text_width",
    "times_words",
    "trip_word",
    "xml_id",
]

# Characters that turn the reading direction round: a name must not reorder the line it stands in.
_TURNERS = set("\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\ufeff")


def plain(text: object) -> str:
    """A user's text as it may stand in XML and HTML: no control characters, on one line."""
    kept = []
    for char in str(text):
        kind = unicodedata.category(char)
        if kind == "Cs" or ord(char) in (0xFFFE, 0xFFFF):
            kept.append("\ufffd")
        elif char in _TURNERS:
            continue
        elif kind in ("Cc", "Zl", "Zp"):
            kept.append(" ")
        else:
            kept.append(char)
    return " ".join("".join(kept).split())


def clipped(text: object, most: int = 40) -> str:
    """The text, its end replaced by an ellipsis where it is longer than ``most`` characters."""
    clean = plain(text)
    return clean if len(clean) <= most else clean[: most - 1].rstrip() + "…"


def number(value: float, digits: int = 1) -> str:
    """A number without needless zeros and with a true minus sign: 12, 12.5, −3."""
    if not math.isfinite(value):
        return "–"
    text = f"{value:.{digits}f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    if text in ("-0", ""):
        text = "0"
    return text.replace("-", "−")


def length(value_mm: float) -> str:
    """A length to the whole millimetre, as measured by hand; its unit stays on the same line."""
    return f"{number(value_mm, 0)}\u00a0mm"


def area(value_mm2: float) -> str:
    """An area in cm² (one decimal below 100 cm²)."""
    value_cm2 = value_mm2 / 100.0
    return f"{number(value_cm2, 1 if value_cm2 < 100 else 0)}\u00a0cm²"


def times_words(count: int) -> str:
    """How often: "once", "twice", "3 times"."""
    return {1: "once", 2: "twice"}.get(count, f"{count} times")


def trip_word(number_: int) -> str:
    """Which one: "2nd", "3rd", "4th", "21st"."""
    tail = "th" if number_ % 100 in (11, 12, 13) else {1: "st", 2: "nd", 3: "rd"}.get(number_ % 10, "th")
    return f"{number_}{tail}"


def text_width(text: str, size_mm: float) -> float:
    """How wide a text will be, mm: estimated on the wide side for plain sans-serif letters."""
    width = 0.0
    for char in text:
        if unicodedata.combining(char):
            continue
        if unicodedata.east_asian_width(char) in ("W", "F"):
            width += 1.05
        elif char in "iljtf.,:;|!'()[] ·":
            width += 0.40
        elif char in "mwMW@%—…":
            width += 0.98
        elif char.isupper():
            width += 0.74
        else:
            width += 0.63
    return width * size_mm


def file_stem(text: str, taken: set[str], *, most: int = 40) -> str:
    """A file name's stem from a user's text: letters, digits, - and _ only, different from all in ``taken``.

    ``taken`` holds lower-case stems (some file systems do not tell case apart) and is added to.
    """
    bare = unicodedata.normalize("NFKD", plain(text)).encode("ascii", "ignore").decode()
    stem = re.sub(r"[^A-Za-z0-9_]+", "-", bare).strip("-")[:most].strip("-") or "x"
    found, tail = stem, 2
    while found.lower() in taken:
        found, tail = f"{stem}-{tail}", tail + 1
    taken.add(found.lower())
    return found


def xml_id(*parts: object) -> str:
    """A plain id for an element: letters, digits and dashes, starting with a letter."""
    text = "-".join(re.sub(r"[^A-Za-z0-9_]+", "-", plain(part)).strip("-") or "x" for part in parts)
    return text if text[:1].isalpha() else f"i-{text}"


def paper_codes(names: Sequence[str]) -> dict[str, str]:
    """A short code in capitals for each paper: "R" for red, "RO" where red and rose are both there."""
    codes: dict[str, str] = {}
    used: set[str] = set()
    for place, name in enumerate(names, start=1):
        letters = "".join(char for char in plain(name).upper() if char.isalpha() and char.isascii())
        tries = [letters[:1], letters[:2]]
        tries += [letters[0] + letter for letter in letters[2:]] if letters else []
        code = next((one for one in tries if one and one not in used), f"P{place}")
        while code in used:
            code += "x"
        used.add(code)
        codes[name] = code
    return codes


_TAIL = re.compile(r"^(.*?)(\d+|[a-z])$")


def _next_to(first: str, second: str) -> bool:
    """True where ``second`` follows ``first`` in counting: red-2a, red-2b; leaf-9, leaf-10."""
    one, two = _TAIL.match(first), _TAIL.match(second)
    if not one or not two or one[1] != two[1]:
        return False
    if one[2].isdigit() != two[2].isdigit():
        return False
    if one[2].isdigit():
        return int(two[2]) == int(one[2]) + 1
    return ord(two[2]) == ord(one[2]) + 1


def id_list(ids: Iterable[str], *, most: int = 14) -> str:
    """Ids as a person lists them: "red-2a to red-2f, red-4"; long lists end in "and 12 more"."""
    clean = [plain(one) for one in ids]
    spans: list[list[str]] = []
    for one in clean:
        if spans and _next_to(spans[-1][-1], one):
            spans[-1].append(one)
        else:
            spans.append([one])
    words: list[str] = []
    told = 0
    for span in spans:
        if len(words) >= most:
            break
        if len(span) >= 3:
            words.append(f"{clipped(span[0])} to {clipped(span[-1])}")
        else:
            words.extend(clipped(one) for one in span)
        told += len(span)
    text = ", ".join(words)
    return text if told == len(clean) else f"{text} and {len(clean) - told} more"
