"""The tables of a batch file as pydantic models: which keys there are and how each is read."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from nestcut.batch import fields as f
from nestcut.batch.model import Extra, Spares
from nestcut.batch.problems import Problems, nearest, show_value
from nestcut.units import Units

__all__ = [
    "MOST_CARDS",
    "MOST_COPIES",
    "MOST_COUNT",
    "MOST_DIES",
    "MOST_KITS",
    "MOST_PAPERS",
    "MOST_SCRAPS",
    "BatchForm",
    "CardForm",
    "DieForm",
    "PieceForm",
    "ScrapForm",
    "read_form",
    "units_of",
]

MOST_KITS = 1_000_000
MOST_COUNT = 1_000_000
MOST_COPIES = 100
MOST_SCRAPS = 5_000
MOST_DIES = 1_000
MOST_PAPERS = 500
MOST_CARDS = 1_000


class _FileForm(BaseModel):
    model_config = ConfigDict(
        extra="forbid", frozen=True, arbitrary_types_allowed=True, populate_by_name=False
    )


class MachineForm(_FileForm):
    plate: f.LengthPair
    clear: f.Length = 2.0
    dies: f.Word("over", "under") = "over"  # type: ignore[valid-type]
    overhang: f.Length = 150.0
    # No longer used: time is counted action by action ([hand.seconds]). Read, so that old files still are.
    seconds_per_pass: f.Seconds | None = None
    seconds_per_die: f.Seconds | None = None
    seconds_per_trim: f.Seconds | None = None
    load_limit: f.Positive | None = None


class SecondsForm(_FileForm):
    """Seconds of each action; what is not written keeps its default."""

    crank: f.Seconds | None = None
    lay: f.Seconds | None = None
    pull_on: f.Seconds | None = None
    turn: f.Seconds | None = None
    take_away: f.Seconds | None = None
    lift: f.Seconds | None = None
    put_back: f.Seconds | None = None
    set_up: f.Seconds | None = None
    lift_under: f.Seconds | None = None
    put_back_under: f.Seconds | None = None
    set_up_under: f.Seconds | None = None
    place_loose: f.Seconds | None = None
    free: f.Seconds | None = None
    trim_take: f.Seconds | None = None
    trim_cut: f.Seconds | None = None
    trim_cut_again: f.Seconds | None = None
    scissors: f.Seconds | None = None


class HandForm(_FileForm):
    web: f.Length = 2.5
    edge: f.Length = 2.0
    gap: f.Length = 1.0
    papers: f.Word("square", "any") = "square"  # type: ignore[valid-type]
    trims: f.Word("none", "straight", "scissors") = "scissors"  # type: ignore[valid-type]
    dies: f.Word("held", "loose") = "held"  # type: ignore[valid-type]
    pace: f.Pace = 1.0
    seconds: SecondsForm = SecondsForm()


class PaperForm(_FileForm):
    swatch: f.Swatch | None = None
    direction: f.DirectionWord = "none"
    both_sides: f.Flag = False


class _ShapeForm(_FileForm):
    """What a scrap and a die have in common: a drawing, or a plain shape."""

    outline: f.PathText | None = None
    circle: f.Side | None = None
    oval: f.LengthPair | None = None
    rectangle: f.LengthPair | None = None
    corner: f.Length | None = None


class ScrapForm(_ShapeForm):
    paper: f.Name
    size: f.SizePair | None = None
    count: f.Count(1, MOST_SCRAPS) = 1  # type: ignore[valid-type]
    id: f.Name | None = None


class DieForm(_ShapeForm):
    copies: f.Count(1, MOST_COPIES) = 1  # type: ignore[valid-type]
    rim: f.Length | None = None
    turns: f.TurnsValue = "any"
    mirror: f.Flag = False
    trips: f.Count(1, 20) = 1  # type: ignore[valid-type]
    pieces: f.Word("nested", "separate") = "nested"  # type: ignore[valid-type]
    marks: f.Flag = True


class PieceForm(_FileForm):
    die: f.Name | None = None
    any_of: f.NameList | None = None
    paper: f.Name | None = None
    papers: f.NameList | None = None
    count: f.Count(1, MOST_COUNT) = 1  # type: ignore[valid-type]


class CardForm(_FileForm):
    name: f.Name
    count: f.Count(1, MOST_COUNT) = 1  # type: ignore[valid-type]
    pieces: list[PieceForm]


class ClassForm(_FileForm):
    kits: f.Count(1, MOST_KITS) = 1  # type: ignore[valid-type]
    spares: f.SparesValue = Spares()


class WishesForm(_FileForm):
    order: f.WishList | None = None
    extra_passes: f.ExtraPasses = Extra()


class EveningForm(_FileForm):
    start: f.Clock | None = None
    break_every: f.Count(0, MOST_COUNT) = 0  # type: ignore[valid-type]
    break_minutes: f.Minutes = 5.0


class BatchForm(_FileForm):
    title: f.Title = ""
    units: f.UnitsWord | None = None
    rim: f.Length | None = None
    dies_folder: f.PathList = ()
    scraps_csv: f.PathList = ()
    cards_csv: f.PathList = ()
    box: f.BoxPath | None = None
    machine: MachineForm
    hand: HandForm = HandForm()
    papers: dict[str, PaperForm] = {}
    scraps: list[ScrapForm] = []
    dies: dict[str, DieForm] = {}
    cards: list[CardForm] = []
    klass: ClassForm = Field(default=ClassForm(), alias="class")
    wishes: WishesForm = WishesForm()
    evening: EveningForm = EveningForm()


_TABLES: dict[tuple[str, ...], type[_FileForm]] = {
    (): BatchForm,
    ("machine",): MachineForm,
    ("hand",): HandForm,
    ("hand", "seconds"): SecondsForm,
    ("papers", "*"): PaperForm,
    ("scraps", "*"): ScrapForm,
    ("dies", "*"): DieForm,
    ("cards", "*"): CardForm,
    ("cards", "*", "pieces", "*"): PieceForm,
    ("class",): ClassForm,
    ("wishes",): WishesForm,
    ("evening",): EveningForm,
}
_NAMED = ("papers", "dies")
"""Tables whose next key is a name that the person chose."""

_HOW_TO_BEGIN = {
    "machine": "begin it with\n[machine]\nplate = [150, 220]",
    "plate": "add the plate's sides, as in plate = [150, 220]",
    "paper": 'add the paper, as in paper = "red"',
    "name": 'add a name, as in name = "campion wreath"',
    "pieces": 'add what is glued on it, as in pieces = [{ die = "campion", paper = "red", count = 3 }]',
}


def units_of(data: Mapping[str, Any]) -> Units:
    """What bare numbers of a file are; what is no unit is refused elsewhere."""
    return "in" if data.get("units") == "in" else "mm"


def read_form(data: dict[str, Any], problems: Problems) -> BatchForm | None:
    """The whole file as a form, or None with the problems noted."""
    try:
        return BatchForm.model_validate(data, context={"units": units_of(data)})
    except ValidationError as err:
        for number, one in enumerate(err.errors(include_url=False)):
            if problems.full:
                problems.more += err.error_count() - number
                break
            what, mend = _in_words(one)
            problems.add(
                what, mend=mend, at=tuple(part for part in one["loc"] if isinstance(part, (str, int)))
            )
    except RecursionError:
        problems.add("the file is nested too deeply", mend="see the documentation of the batch file", at=())
    return None


def _in_words(error: Any) -> tuple[str, str]:
    """(what, mend) of one error of pydantic's."""
    kind, loc, value = error["type"], error["loc"], error["input"]
    if kind == "said":
        return error["ctx"]["what"], error["ctx"]["mend"]
    key = str(loc[-1]) if loc else "the file"
    if kind == "extra_forbidden":
        known = _keys_at(loc[:-1])
        guess = nearest(key, known)
        elsewhere = [place for place, form in _TABLES.items() if place != loc[:-1] and key in _keys_of(form)]
        mend = f'did you mean "{guess}"?' if guess else f"known keys here: {', '.join(known)}"
        if not guess and elsewhere:
            tables = " or ".join(_header(place) for place in elsewhere)
            mend = f"it belongs in {tables}"
        return f'the key "{_safe(key)}" is not known here (it says {show_value(value)})', mend
    if kind == "missing":
        return f'the key "{key}" is missing', _HOW_TO_BEGIN.get(key, "add it")
    if kind in ("model_type", "dict_type", "model_attributes_type"):
        return f"{show_value(value)} stands where a table belongs", f"write it as a table: {_header(loc)}"
    if kind == "list_type":
        header = f"[[{loc[0]}]]" if len(loc) == 1 else "[ … ]"
        return f"{show_value(value)} stands where a list belongs", f"write {header}"
    return (
        f"{show_value(value)} cannot be used here ({error['msg']})",
        "see the documentation of the batch file",
    )


def _safe(key: str) -> str:
    return show_value(key).strip('"')


def _keys_of(form: type[_FileForm]) -> list[str]:
    return [field.alias or name for name, field in form.model_fields.items()]


def _keys_at(loc: Sequence[str | int]) -> list[str]:
    pattern = tuple(
        "*" if isinstance(part, int) or (position == 1 and loc[0] in _NAMED) else part
        for position, part in enumerate(loc)
    )
    form = _TABLES.get(pattern)
    return _keys_of(form) if form else []


def _header(loc: Sequence[str | int]) -> str:
    """The header of the table at a place: ``[machine]``, ``[[scraps]]``, ``[dies.campion]``."""
    if not loc:
        return "the top of the file, before the first table"
    if loc[0] in ("scraps", "cards"):
        return f"[[{loc[0]}]]" if len(loc) <= 2 else "{ … } of pieces"
    return "[" + ".".join("name" if part == "*" else _safe(str(part)) for part in loc) + "]"
