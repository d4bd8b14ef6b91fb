"""plan.json on disk: read as hostile, written whole or not at all."""

from __future__ import annotations

import gc
import json
import os
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from importlib.resources import files
from typing import Any, NoReturn

from nestcut._files import decode_text, read_bytes, shown, write_whole
from nestcut.errors import PlanError, Where, found_at
from nestcut.plans.decode import plan_from_json
from nestcut.plans.encode import plan_text, plan_to_json
from nestcut.plans.model import Plan

__all__ = ["MOST_BYTES", "plan_schema", "read_plan", "write_plan"]

MOST_BYTES = 256_000_000
"""A class of 25,000 pieces, each from a part of its own, has about 100 MB."""
MOST_THINGS = 45_000_000
"""Lists and values in one file, and ten for each object. A plan of the largest size has some 40 million; a file of that
size that holds nothing but empty objects has many more, and would take 15 GB of memory."""


def read_plan(path: str | os.PathLike[str]) -> Plan:
    """Read a plan.json.

    Raises: PlanError, with file, key path and mend, for whatever is not a plan of version 1.
    """
    where = Where(file=shown(path))
    data = read_bytes(path, limit_bytes=MOST_BYTES, kind="a plan.json", error=PlanError)
    # Each opening and each comma makes one thing more; those within texts are few.
    if data.count(b"[") + data.count(b",") + 10 * data.count(b"{") > MOST_THINGS:
        raise PlanError(
            "the file holds too many values", mend="make sure that this is a plan.json", where=where
        )
    text = decode_text(data, where=where, error=PlanError)
    del data
    with found_at(where), _no_search_for_cycles():
        return plan_from_json(parse_json(text))


def write_plan(plan: Plan, path: str | os.PathLike[str]) -> None:
    """Write a plan.json, whole or not at all: the old file stays until the new one is on disk.

    Raises: OutputError when it cannot be written; PlanError, with nothing written, when the plan
    could not be read back.
    """
    with _no_search_for_cycles():
        text = plan_text(plan_to_json(plan))
        with found_at(Where(file=shown(path))):
            plan_from_json(parse_json(text))
    write_whole(path, text)


@contextmanager
def _no_search_for_cycles() -> Iterator[None]:
    """Millions of small lists are made here, none of which points back: looking for cycles takes half the time."""
    searching = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if searching:
            gc.enable()


@cache
def _schema_text() -> str:
    return files("nestcut.plans").joinpath("plan.schema.json").read_text(encoding="utf-8")


def plan_schema() -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of plan.json, version 1."""
    return json.loads(_schema_text())


def parse_json(text: str) -> Any:
    """JSON text (RFC 8259) to plain values: no NaN, no key twice in one object, no endless nesting.

    Raises: PlanError, with the line where the text stops being JSON.
    """
    try:
        return json.loads(text, parse_constant=_no_constant, object_pairs_hook=_no_key_twice)
    except json.JSONDecodeError as err:
        cut_short = not text[err.pos :].strip()
        raise PlanError(
            "the file ends too early" if cut_short else f"this is not JSON: {err.msg} (column {err.colno})",
            mend="copy the file again, or make the plan again",
            where=Where(line=err.lineno),
        ) from None
    except RecursionError:
        raise PlanError("the file is nested too deeply", mend="this is not a plan of nestcut") from None
    except ValueError as err:  # a whole number of thousands of digits
        raise PlanError(f"a number cannot be read ({err})", mend="write plain numbers") from None


def _no_constant(word: str) -> NoReturn:
    raise PlanError(f"{word} is not a number", mend="all numbers in a plan are finite")


def _no_key_twice(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    data = dict(pairs)
    if len(data) < len(pairs):
        seen: set[str] = set()
        for key, _ in pairs:
            if key in seen:
                name = key[:80].encode("utf-8", "replace").decode("utf-8")
                raise PlanError(f"the key {name!r} appears twice in one object", mend="keep one of them")
            seen.add(key)
    return data
