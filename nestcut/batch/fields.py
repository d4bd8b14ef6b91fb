"""How single values of a batch file are read: lengths, counts, names, words, spares.

Each reader takes what a person wrote and gives the value, or raises a PydanticCustomError whose
context holds ``what`` is wrong and the ``mend``.
"""

from __future__ import annotations

import datetime
import math
import re
import unicodedata
from collections.abc import Callable
from typing import Annotated, Any, Literal, NoReturn, get_args

from pydantic import PlainValidator, ValidationInfo
from pydantic_core import PydanticCustomError

from nestcut.batch.model import Direction, Extra, Spares, Turns
from nestcut.batch.problems import nearest, show_value
from nestcut.errors import LengthError
from nestcut.units import SHEET_SIZES_MM, Units, parse_length, sheet_size

__all__ = [
    "BoxPath",
    "Clock",
    "Count",
    "DirectionWord",
    "ExtraPasses",
    "Flag",
    "Length",
    "LengthPair",
    "Minutes",
    "Name",
    "NameList",
    "PathList",
    "PathText",
    "Positive",
    "Seconds",
    "Side",
    "SizePair",
    "SparesValue",
    "Swatch",
    "Title",
    "TurnsValue",
    "UnitsWord",
    "WishList",
    "Word",
    "clean_name",
    "count_between",
    "refuse",
]

Wish = Literal["passes", "changes", "trims", "paper", "minutes"]

LEAST_SIDE_MM = 0.1
"""No die, scrap or plate is smaller."""
NOTHING_MM = 1e-6
"""A shorter length is none: what is enforced is enforced within this."""
_NAME_LIMIT = 80
_HIDDEN = {chr(code) for code in (*range(0x202A, 0x202F), *range(0x2066, 0x206A), 0x2028, 0x2029, 0xFEFF)}


def refuse(what: str, mend: str) -> NoReturn:
    """Refuse a value, with the mend."""
    raise PydanticCustomError("said", "{what}", {"what": what, "mend": mend})


def _units(info: ValidationInfo) -> Units:
    """What bare numbers are in this file."""
    return (info.context or {}).get("units", "mm")


def _length(value: Any, units: Units, *, least: float = 0.0, least_open: bool = False) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float, str)):
        number = "mm" if units == "mm" else "inches"
        refuse(f"{show_value(value)} is not a length", f'write a number of {number}, or "2 3/8 in"')
    try:
        length = parse_length(value, bare=units)
    except LengthError as err:
        refuse(err.what, err.mend)
    if length < NOTHING_MM:
        length = 0.0  # 1e-200 has no square
    if length < least or (least_open and length <= 0):
        refuse(
            f"{show_value(value)} is too small",
            "write a length above 0" + (f", {least:g} mm at least" if least else ""),
        )
    return length


def _pair(value: Any, units: Units, *, names: bool = False) -> tuple[float, float]:
    if names and isinstance(value, str):
        if (size := sheet_size(value)) is not None:
            return size
        guess = nearest(value.casefold(), SHEET_SIZES_MM)
        listed = f'did you mean "{guess}"? Or' if guess else 'write "A5", "letter" or'
        refuse(f"the paper size {show_value(value)} is not known", f"{listed} [width, length]")
    if not isinstance(value, list) or len(value) != 2:
        refuse(f"{show_value(value)} is not a pair of lengths", "write [width, length], as in [105, 140]")
    return (_side(value[0], units), _side(value[1], units))


def _side(value: Any, units: Units) -> float:
    return _length(value, units, least=LEAST_SIDE_MM)


def clean_name(value: Any) -> str:
    """A name: not empty, one line, nothing invisible, at most 80 characters; in Unicode's NFC."""
    if not isinstance(value, str):
        refuse(f"{show_value(value)} is not a name", 'write it in quotes: "red"')
    name = unicodedata.normalize("NFC", value[: 4 * _NAME_LIMIT])
    if not name.strip():
        refuse("the name is empty", "give it a name")
    if len(name) > _NAME_LIMIT:
        refuse(f"the name {show_value(name)} is too long", f"use at most {_NAME_LIMIT} characters")
    if name != name.strip():
        refuse(f"the name {show_value(name)} begins or ends with a space", "remove the space")
    for char in name:
        if unicodedata.category(char) in ("Cc", "Cs") or char in _HIDDEN:
            refuse(f"the name {show_value(name)} holds a hidden character (U+{ord(char):04X})", "remove it")
    return name


def _title(value: Any) -> str:
    return "" if value == "" else clean_name(value)


def _names(value: Any) -> tuple[str, ...]:
    if not isinstance(value, list) or not value:
        refuse(f"{show_value(value)} is not a list of names", 'write ["red", "blue"]')
    if len(value) > 1000:
        refuse(f"{len(value)} names are too many", "list at most 1000")
    names = tuple(clean_name(item) for item in value)
    for name in names:
        if names.count(name) > 1:
            refuse(f'"{name}" is listed twice', "list it once")
    return names


def count_between(value: Any, least: int, most: int) -> int:
    """A whole number in a range."""
    if isinstance(value, float) and value.is_integer() and abs(value) < 2**53:
        value = int(value)
    if isinstance(value, bool) or not isinstance(value, int):
        refuse(f"{show_value(value)} is not a whole number", f"write a whole number, {least} or more")
    if value < least:
        refuse(f"{show_value(value)} is too small", f"write a whole number, {least} or more")
    if value > most:
        refuse(f"{show_value(value)} is too large", f"at most {most:,} can be planned for")
    return value


def _seconds(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not 0 <= value <= 86_400:
        refuse(f"{show_value(value)} is not a time", "write a number from 0 to 86400")
    return float(value)


def _pace(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not 0.1 <= value <= 10:
        refuse(f"{show_value(value)} is not a pace", "write a number from 0.1 to 10; 2 is twice as fast")
    return float(value)


def _flag(value: Any) -> bool:
    if not isinstance(value, bool):
        refuse(f"{show_value(value)} is neither true nor false", "write true or false, without quotes")
    return value


def _box(value: Any) -> str | None:
    """The path of a box, "" for the usual one, None for none."""
    if isinstance(value, bool):
        return "" if value else None
    if not isinstance(value, str):
        refuse(f"{show_value(value)} names no box", 'write true, or the path of the box: "stock/box.db"')
    return _path(value)


def _swatch(value: Any) -> str:
    if not isinstance(value, str) or not re.fullmatch(r"#(?:[0-9a-fA-F]{3}|[0-9a-fA-F]{6})", value):
        refuse(f"{show_value(value)} is not a colour", 'write "#rrggbb", as in "#a4452c"')
    return value


def _turns(value: Any) -> Turns:
    if value == "any":
        return "any"
    if not isinstance(value, list) or not value or len(value) > 360:
        refuse(f"{show_value(value)} allows no turns", 'write "any" or a list of degrees, as in [0, 180]')
    for turn in value:
        if isinstance(turn, bool) or not isinstance(turn, (int, float)) or not -360 <= turn <= 360:
            refuse(f"{show_value(turn)} is not a turn", "write degrees from -360 to 360")
    # 0 and 360 are the same turn; keep the order of the file.
    return tuple(dict.fromkeys(math.fmod(float(turn) + 720.0, 360.0) for turn in value))


def _spares(value: Any) -> Spares:
    percent, pieces = _share_or_number(value, "spares", "pieces")
    return Spares(percent, pieces)


def _extra_passes(value: Any) -> Extra:
    return Extra(*_share_or_number(value, "passes", "passes"))


def _share_or_number(value: Any, of: str, unit: str) -> tuple[float, int]:
    """(per cent, plain number): one of them is 0."""
    mend = f'write a share ("10 %") or a plain number of {unit} (5)'
    if isinstance(value, str):
        found = re.fullmatch(r"\s*([0-9]{1,9}(?:[.,][0-9]{1,9})?)\s*(%?)\s*", value)
        if not found:
            refuse(f"{show_value(value)} is not a number of {of}", mend)
        number = float(found[1].replace(",", "."))
        if found[2]:
            if number > 1000:
                refuse(f"{show_value(value)} is too large", f"at most 1000 % {of} can be planned for")
            return number, 0
        value = number
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        refuse(f"{show_value(value)} is not a number of {of}", mend)
    return 0.0, count_between(value, 0, 1_000_000)


def _clock(value: Any) -> str:
    if isinstance(value, datetime.time) and value.tzinfo is None:
        return value.strftime("%H:%M")
    found = re.fullmatch(r"([0-9]{1,2})[:.h]([0-9]{2})", value.strip()) if isinstance(value, str) else None
    if not found or int(found[1]) > 23 or int(found[2]) > 59:
        refuse(f"{show_value(value)} is not a time of day", 'write "18:30"')
    return f"{int(found[1]):02d}:{found[2]}"


def _path(value: Any) -> str:
    if not isinstance(value, str) or not value.strip():
        refuse(f"{show_value(value)} is not a path", 'write it in quotes: "scraps/red.svg"')
    if len(value) > 1000 or any(unicodedata.category(char) in ("Cc", "Cs") for char in value):
        refuse(f"{show_value(value)} is not a path", "use plain characters, 1000 at most")
    if re.match(r"[A-Za-z][A-Za-z0-9+.-]+:", value):
        refuse(f"{show_value(value)} is an address, not a path", "save the file beside the batch file")
    return value.replace("\\", "/")


def _paths(value: Any) -> tuple[str, ...]:
    if isinstance(value, list):
        if len(value) > 100:
            refuse(f"{len(value)} paths are too many", "list at most 100")
        return tuple(_path(item) for item in value)
    return (_path(value),)


def _minutes(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not 0 <= value <= 1440:
        refuse(f"{show_value(value)} is not a number of minutes", "write a number from 0 to 1440")
    return float(value)


def _wishes(value: Any) -> tuple[Wish, ...]:
    known = get_args(Wish)
    listed = ", ".join(f'"{word}"' for word in known)
    if not isinstance(value, list) or not value or len(value) > len(known):
        refuse(
            f"{show_value(value)} is not an order of wishes",
            f"write a list, most important first, of {listed}",
        )
    read = _word(*known)
    for position, word in enumerate(value):
        if read(word) in value[:position]:
            refuse(f'"{word}" is listed twice', "list it once")
    return tuple(value)


def _word(*words: str) -> Callable[[Any], str]:
    def read(value: Any) -> str:
        if not isinstance(value, str) or value not in words:
            guess = nearest(value, words) if isinstance(value, str) else None
            listed = " or ".join(f'"{word}"' for word in words)
            refuse(
                f"{show_value(value)} is not known here",
                f'did you mean "{guess}"? ({listed})' if guess else f"write {listed}",
            )
        return value

    return read


def Word(*words: str) -> Any:  # noqa: N802 (reads as a type in the forms)
    """One of a few words, as a type for a form."""
    return Annotated[str, PlainValidator(_word(*words))]


def Count(least: int, most: int) -> Any:  # noqa: N802
    """A whole number in a range, as a type for a form."""
    return Annotated[int, PlainValidator(lambda value: count_between(value, least, most))]


UnitsWord = Annotated[Units, PlainValidator(_word("mm", "in"))]
Length = Annotated[float, PlainValidator(lambda value, info: _length(value, _units(info)))]
Positive = Annotated[float, PlainValidator(lambda value, info: _length(value, _units(info), least_open=True))]
Side = Annotated[float, PlainValidator(lambda value, info: _side(value, _units(info)))]
LengthPair = Annotated[tuple[float, float], PlainValidator(lambda value, info: _pair(value, _units(info)))]
SizePair = Annotated[
    tuple[float, float], PlainValidator(lambda value, info: _pair(value, _units(info), names=True))
]
Name = Annotated[str, PlainValidator(clean_name)]
Title = Annotated[str, PlainValidator(_title)]
NameList = Annotated[tuple[str, ...], PlainValidator(_names)]
Seconds = Annotated[float, PlainValidator(_seconds)]
Pace = Annotated[float, PlainValidator(_pace)]
Flag = Annotated[bool, PlainValidator(_flag)]
BoxPath = Annotated[str | None, PlainValidator(_box)]
Swatch = Annotated[str, PlainValidator(_swatch)]
TurnsValue = Annotated[Turns, PlainValidator(_turns)]
SparesValue = Annotated[Spares, PlainValidator(_spares)]
ExtraPasses = Annotated[Extra, PlainValidator(_extra_passes)]
Clock = Annotated[str, PlainValidator(_clock)]
PathText = Annotated[str, PlainValidator(_path)]
PathList = Annotated[tuple[str, ...], PlainValidator(_paths)]
Minutes = Annotated[float, PlainValidator(_minutes)]
WishList = Annotated[tuple[Wish, ...], PlainValidator(_wishes)]
DirectionWord = Annotated[Direction, PlainValidator(_word("none", "stripe", "up"))]
