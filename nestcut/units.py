"""Lengths as people write them, in millimetres; counts and durations in words, the same on screen and on paper.

``12``, ``"12 mm"``, ``"1.2cm"``, ``"12,5 mm"``, ``"2 3/8 in"``, ``"2-3/8\\""``, ``"½ in"``, ``"36 pt"``, ``"96 px"``.
Ratios of the units: CSS Values and Units Level 3, "Absolute lengths": 1 in = 25.4 mm = 72 pt = 96 px.
"""

from __future__ import annotations

import difflib
import math
import re
import unicodedata
from fractions import Fraction
from numbers import Real
from typing import Literal, TypeAlias

from nestcut.errors import LengthError, Where

__all__ = [
    "LONGEST_MM",
    "MM_PER_UNIT",
    "SHEET_SIZES_MM",
    "Units",
    "counted",
    "format_length",
    "format_pair",
    "is_bare",
    "letters",
    "minutes_words",
    "parse_length",
    "sheet_size",
]

Units: TypeAlias = Literal["mm", "in"]
"""What a bare number means."""

LONGEST_MM = 10_000.0
"""Nothing in a papercraft class is longer than 10 m; a longer length is a slip of the pen."""

MM_PER_UNIT: dict[str, Fraction] = {
    "mm": Fraction(1),
    "cm": Fraction(10),
    "m": Fraction(1000),
    "q": Fraction(1, 4),
    "in": Fraction(127, 5),
    "pt": Fraction(127, 5) / 72,
    "pc": Fraction(127, 5) / 6,
    "px": Fraction(127, 5) / 96,
}

SHEET_SIZES_MM: dict[str, tuple[float, float]] = {
    # ISO 216:2007, main series A and B, trimmed sizes.
    "a0": (841, 1189),
    "a1": (594, 841),
    "a2": (420, 594),
    "a3": (297, 420),
    "a4": (210, 297),
    "a5": (148, 210),
    "a6": (105, 148),
    "a7": (74, 105),
    "a8": (52, 74),
    "a9": (37, 52),
    "a10": (26, 37),
    "b4": (250, 353),
    "b5": (176, 250),
    # ANSI/ASME Y14.1: size A (letter) 8.5 × 11 in, size B (ledger) 11 × 17 in.
    "letter": (215.9, 279.4),
    "ledger": (279.4, 431.8),
    # Half a letter sheet, 5.5 × 8.5 in (common practice, no standard).
    "halfletter": (139.7, 215.9),
    # 12 × 12 in: the common square of patterned paper (common practice, no standard).
    "12x12": (304.8, 304.8),
}
"""Stock sheets by name (lower case, without blanks): width and length, mm."""

_UNIT_WORDS = {
    '"': "in",
    "inch": "in",
    "inches": "in",
    "millimeter": "mm",
    "millimeters": "mm",
    "millimetre": "mm",
    "millimetres": "mm",
    "centimeter": "cm",
    "centimeters": "cm",
    "centimetre": "cm",
    "centimetres": "cm",
    "point": "pt",
    "points": "pt",
    "pixel": "px",
    "pixels": "px",
}

_SAME_AS = str.maketrans(
    {
        "″": '"',
        "”": '"',
        "“": '"',
        "„": '"',
        "‟": '"',
        "〃": '"',
        "\uff02": '"',  # full-width quotation mark
        "⁄": "/",
        "∕": "/",
        "−": "-",
        "‐": "-",
        "‑": "-",
        "–": "-",
        "—": "-",
    }
)

_NUMBER = re.compile(
    r"""(?P<sign>[-+]?)\s*
    (?:
        (?P<whole>\d{1,9})(?:\s*-\s*|\s+)(?P<top>\d{1,9})\s*/\s*(?P<bottom>\d{1,9})
      | (?P<top_only>\d{1,9})\s*/\s*(?P<bottom_only>\d{1,9})
      | (?P<decimal>(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d{1,3})?)
    )
    \s*(?P<unit>[^\d\s].*)?$""",
    re.VERBOSE | re.ASCII,
)

_UNIT_NAMES: dict[Units, str] = {"mm": "mm", "in": "inches"}
_EXAMPLES = 'write it like 12, "12 mm", "1.2 cm" or "2 3/8 in"'


def sheet_size(name: str) -> tuple[float, float] | None:
    """Width and length of a named stock sheet ("A5", "half letter", "12 × 12"), mm; None for an unknown name."""
    return SHEET_SIZES_MM.get(re.sub(r"\s+", "", name.casefold()).replace("×", "x"))


def is_bare(value: object) -> bool:
    """Whether a length was written without a unit: a number, or a text that holds nothing else ("2 3/8")."""
    if isinstance(value, str):
        return bool(re.fullmatch(r"[-+\d\s.,/]*\d[\d\s.,/]*", _spell_out(value[:100])))
    return isinstance(value, Real) and not isinstance(value, bool)


def parse_length(value: object, *, key: str = "", allow_negative: bool = False, bare: Units = "mm") -> float:
    """A length in mm from a number or from what a person wrote.

    Args:
        value: int or float, or text with an optional unit.
        key: where the length was written, for the message (``machine.clear``).
        allow_negative: lengths below 0 are a mistake unless this is set.
        bare: what is meant where there is no unit.
    Returns: length, mm, finite, at most 10 m in size.
    Raises: LengthError when it can't be read, is not finite, is negative or is longer than 10 m.
    Source of the unit ratios: CSS Values and Units Level 3, "Absolute lengths".
    """
    where = Where(element=key or None)
    if isinstance(value, bool) or not isinstance(value, Real | str):
        raise LengthError(f"{_shown(value)} is not a length", mend=_EXAMPLES, where=where)
    if isinstance(value, str):
        length_mm = _from_text(value, where, bare)
    else:
        try:
            number = float(value)
        except OverflowError:
            number = math.inf
        # As a fraction: 3 in are 76.2 mm, 3 × 25.4 in binary a hair less.
        length_mm = float(Fraction(number) * MM_PER_UNIT[bare]) if math.isfinite(number) else number
    if not math.isfinite(length_mm):
        raise LengthError(f"{_shown(value)} is not a finite length", mend=_EXAMPLES, where=where)
    if length_mm < 0 and not allow_negative:
        raise LengthError(
            f"the length {_shown(value)} is negative", mend="write a length of 0 or more", where=where
        )
    if abs(length_mm) > LONGEST_MM:
        raise LengthError(
            f"the length {_shown(value)} is longer than 10 m",
            mend=f"check the number and its unit; a plain number is in {_UNIT_NAMES[bare]}",
            where=where,
        )
    # -0.0 would print as "-0"
    return length_mm + 0.0


def format_length(mm: float, system: Literal["mm", "in"] = "mm") -> str:
    """A length for people: ``12.5 mm``, or in inches the fraction a ruler shows (``2 3/8 in``).

    Args:
        mm: length, mm.
        system: "mm" (rounded to 0.01 mm) or "in" (halves to thirty-seconds where one is within
            0.02 mm, else two decimals).
    """
    if system == "mm":
        return f"{_plain(mm, 2)} mm"
    thirty_seconds = round(mm / 25.4 * 32)
    if abs(thirty_seconds * 25.4 / 32 - mm) > 0.02:
        return f"{_plain(mm / 25.4, 2)} in"
    sign = "-" if thirty_seconds < 0 else ""
    whole, part = divmod(abs(thirty_seconds), 32)
    if not part:
        return f"{sign}{whole} in"
    fraction = Fraction(part, 32)
    lead = f"{whole} " if whole else ""
    return f"{sign}{lead}{fraction.numerator}/{fraction.denominator} in"


def format_pair(width_mm: float, length_mm: float) -> str:
    """Width and length for people: ``105 × 148 mm``."""
    return f"{_plain(width_mm, 2)} × {_plain(length_mm, 2)} mm"


def _plain(number: float, digits: int) -> str:
    text = f"{number:.{digits}f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


def _shown(value: object) -> str:
    text = repr(value) if not isinstance(value, str) else f'"{value}"'
    return text if len(text) <= 40 else text[:37] + "…"


def _from_text(value: str, where: Where, bare: Units) -> float:
    text = _spell_out(value)
    if len(text) > 100:
        raise LengthError(f"{_shown(value)} is not a length", mend=_EXAMPLES, where=where)
    if "," in text:
        text = _decimal_comma(text, value, where)
    match = _NUMBER.match(text)
    if not match:
        raise LengthError(f"{_shown(value)} is not a length", mend=_EXAMPLES, where=where)
    unit = _unit(match["unit"], value, where) if match["unit"] else bare
    if match["bottom"] or match["bottom_only"]:
        bottom = int(match["bottom"] or match["bottom_only"])
        if bottom == 0:
            raise LengthError(f"{_shown(value)} divides by zero", mend=_EXAMPLES, where=where)
        number = int(match["whole"] or 0) + Fraction(int(match["top"] or match["top_only"]), bottom)
    else:
        # A Fraction of "1e999" would be a number of a thousand digits: go through float first.
        as_float = float(match["decimal"])
        if not math.isfinite(as_float):
            return math.inf
        number = Fraction(match["decimal"])
    length = float(number * MM_PER_UNIT[unit])
    return -length if match["sign"] == "-" else length


def _spell_out(value: str) -> str:
    """Typographic signs as plain ones: ``2½″`` becomes ``2 1/2"``."""
    parts: list[str] = []
    for char in value:
        spelled = unicodedata.decomposition(char)
        if spelled.startswith("<fraction>"):
            parts.append(" " + "".join(chr(int(code, 16)) for code in spelled.split()[1:]))
        elif char.isspace() or unicodedata.category(char) in ("Zs", "Cf"):
            # Zero-width joiners and byte order marks come along with text copied from web pages.
            parts.append(" " if unicodedata.category(char) != "Cf" else "")
        else:
            parts.append(char)
    return "".join(parts).translate(_SAME_AS).replace("''", '"').strip()


def _decimal_comma(text: str, value: str, where: Where) -> str:
    if not re.match(r"^[-+]?\s*\d*,\d+(?!\d*[.,])", text):
        raise LengthError(f"{_shown(value)} is not a length", mend=_EXAMPLES, where=where)
    if re.match(r"^[-+]?\s*[1-9]\d{0,2},\d{3}(?!\d)", text):
        # One and a quarter to some, twelve hundred and fifty to others.
        point = text.replace(",", ".")
        raise LengthError(
            f"{_shown(value)} can be read in two ways",
            mend=f'write "{point}" or "{text.replace(",", "")}"',
            where=where,
        )
    return text.replace(",", ".", 1)


def _unit(word: str, value: str, where: Where) -> str:
    plain = word.strip().lower().removesuffix(".")
    unit = _UNIT_WORDS.get(plain, plain)
    if unit in MM_PER_UNIT:
        return unit
    near = difflib.get_close_matches(plain, [*MM_PER_UNIT, *(w for w in _UNIT_WORDS if w)], n=1)
    hint = f"; did you mean {near[0]}?" if near else ""
    raise LengthError(
        f'{_shown(value)} has an unknown unit "{word.strip()[:20]}"{hint}',
        mend="use mm, cm, in, pt or px",
        where=where,
    )


def letters(number: int) -> str:
    """0 → a, 25 → z, 26 → aa, …"""
    text = ""
    number += 1
    while number:
        number, rest = divmod(number - 1, 26)
        text = chr(ord("a") + rest) + text
    return text


def counted(count: int, one: str, many: str | None = None) -> str:
    """ "1 pass", "3 passes"."""
    return f"{count:,} {one if count == 1 else (many or one + 's')}".replace(",", "\u202f")


def minutes_words(minutes: float) -> str:
    """ "45 min", "2 h 05 min": begun minutes count."""
    whole = math.ceil(minutes - 1e-9)
    if whole < 60:
        return f"{whole}\u00a0min"
    return f"{whole // 60}\u00a0h {whole % 60:02d}\u00a0min"
