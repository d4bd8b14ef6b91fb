"""The house rules that can be checked by walking the imports."""

from __future__ import annotations

import ast
from pathlib import Path
from types import FunctionType

import pytest

TESTS = Path(__file__).parent
PACKAGE = TESTS.parent / "nestcut"

# Top to bottom: a room may import the rooms before it, never those after it (docs/architecture.md).
ORDER = [
    "errors",
    "_stop",
    "_stopwatch",
    "_cache",
    "_files",
    "data",
    "arithmetic",
    "units",
    "outlines",
    "pictures",
    "batch",
    "plans",
    "box",
    "hands",
    "checks",
    "placement",
    "passes",
    "evening",
    "sheets",
    "folder",
    "cli",
    "__main__",
]

# The floors of a room, top to bottom: a floor may import the floors before it, never those after it. What stands beside the
# floors in a room's own folder may import them all, and no floor imports it.
FLOORS = {
    "outlines": [
        "shapes",
        "drawing",
    ],
    "checks": [
        "measures",
        "rules",
        "proof",
    ],
    "placement": [
        "shapes",
        "bounds",
        "engine",
        "exact",
        "fill",
        "strip",
    ],
    "passes": [
        "common",
        "disproofs",
        "plate",
        "parts",
        "drafts",
        "short",
        "makers.door",
        "makers.chips",
        "makers.strips",
        "makers.whole",
        "makers.ends",
        "makers.mixed",
        "makers.nests",
        "makers.one_paper",
        "makers.rows",
        "advice",
        "makers.scarce",
        "makers.board",
        "makers.steps",
    ],
    "sheets": [
        "drawings",
        "runs",
        "page",
    ],
}
MOST_MODULES = 15
"""Modules of a folder: more is a floor to be."""

# Libraries that only some rooms may meet.
KEPT_TO = {
    "ortools": {"placement", "passes"},
    "numba": {"placement", "passes"},
    "svgpathtools": {"outlines"},
    "defusedxml": {"outlines"},
    "svgwrite": {"sheets"},
    "jinja2": {"sheets"},
    "typer": {"cli"},
    "rich": {"cli"},
    "pydantic": {"batch", "plans"},
    "sqlite3": {"box", "evening"},
}


def modules() -> list[Path]:
    return sorted(p for p in PACKAGE.rglob("*.py") if "_data" not in p.parts)


def room_of(path: Path) -> str:
    first = path.relative_to(PACKAGE).parts[0]
    return first.removesuffix(".py")


def imported(path: Path) -> list[str]:
    """Every module that the file imports, wherever in the file."""
    names = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names.extend(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            package = path.relative_to(PACKAGE.parent).with_suffix("").parts
            base = list(package[: len(package) - node.level]) if node.level else []
            names.append(".".join([*base, *([node.module] if node.module else [])]))
    return names


@pytest.mark.parametrize("path", modules(), ids=lambda p: str(p.relative_to(PACKAGE)))
def test_imports_go_one_way(path: Path) -> None:
    """A room imports only rooms above it in the list."""
    room = room_of(path)
    if room == "__init__":
        return  # the front door names all rooms, and imports them on first use only
    assert room in ORDER, f"{room} has no place in the order of rooms"
    for name in imported(path):
        parts = name.split(".")
        if parts[0] != "nestcut" or len(parts) < 2:
            continue
        assert ORDER.index(parts[1]) <= ORDER.index(room), f"{room} imports {name}"


def floor_of(parts: tuple[str, ...]) -> str | None:
    """The floor that a module, or a name in it, stands on; None for what stands beside the floors."""
    floors = FLOORS.get(parts[0], [])
    names = [".".join(parts[1:k]) for k in range(len(parts), 1, -1)]
    return next((name for name in names if name in floors), None)


@pytest.mark.parametrize("path", modules(), ids=lambda p: str(p.relative_to(PACKAGE)))
def test_floors_import_one_way(path: Path) -> None:
    """Within a room, a floor imports only floors above it in the list."""
    parts = path.relative_to(PACKAGE).with_suffix("").parts
    if parts[0] not in FLOORS or len(parts) == 2:
        return
    floors, own = FLOORS[parts[0]], floor_of(parts)
    if own is None:
        assert path.name == "__init__.py", f"{path} stands on no floor of the list"
        return
    for name in imported(path):
        other = tuple(name.split("."))
        if other[:2] != ("nestcut", parts[0]) or len(other) < 3:
            continue
        floor = floor_of(other[1:])
        assert floor is not None, f"{own} imports {name}, which stands beside the floors"
        assert floors.index(floor) <= floors.index(own), f"{own} imports {name}"


def test_no_folder_holds_more_than_fifteen_modules() -> None:
    """A newcomer can take in what a folder holds; every folder's docstring says what question it answers."""
    for folder in {path.parent for path in modules()} - {PACKAGE}:
        held = [path for path in folder.glob("*.py") if path.name != "__init__.py"]
        assert len(held) <= MOST_MODULES, f"{folder}: {len(held)} modules"
        assert ast.get_docstring(ast.parse((folder / "__init__.py").read_text("utf-8"))), folder


@pytest.mark.parametrize("path", modules(), ids=lambda p: str(p.relative_to(PACKAGE)))
def test_libraries_stay_in_their_rooms(path: Path) -> None:
    """OR-Tools, numba, svgpathtools, svgwrite, typer … are met only behind one door each."""
    room = room_of(path)
    for name in imported(path):
        library = name.split(".")[0]
        if library in KEPT_TO:
            assert room in KEPT_TO[library], f"{room} imports {library}"


def test_checker_shares_no_code_with_the_optimiser() -> None:
    """checks imports neither hands, placement nor passes (nor the box), so a mistake there can't hide itself."""
    for path in (PACKAGE / "checks").rglob("*.py"):
        for name in imported(path):
            assert not name.startswith(
                ("nestcut.hands", "nestcut.placement", "nestcut.passes", "nestcut.box", "ortools", "numba")
            )


def test_every_public_name_of_the_front_door_exists() -> None:
    """import nestcut gives all that __all__ promises."""
    import nestcut

    for name in nestcut.__all__:
        assert getattr(nestcut, name) is not None


def test_front_door_is_plain_functions() -> None:
    """nestcut.plan and nestcut.check are functions, whatever was imported before; no room or module has the name of one."""
    import nestcut
    import nestcut.checks
    import nestcut.plans.model

    assert isinstance(nestcut.plan, FunctionType)
    assert isinstance(nestcut.check, FunctionType)
    beside = {path.stem for path in PACKAGE.iterdir()}
    assert not beside & set(nestcut.__all__)


def test_type_checkers_know_every_public_name() -> None:
    """The program that mypy --strict reads (scripts/check) uses all of __all__, and the marker of typed packages is there."""
    import nestcut

    program = ast.parse((TESTS / "typing" / "api.py").read_text(encoding="utf-8"))
    used = {
        node.attr
        for node in ast.walk(program)
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id == "nestcut"
    }
    assert used == set(nestcut.__all__)
    assert (PACKAGE / "py.typed").is_file()


def test_tests_stand_in_the_rooms_and_on_the_floors_that_they_are_about() -> None:
    """Whoever knows where a piece of nestcut is knows where its tests are."""
    of_all = {"benchmarks", "fuzz", "shared", "trust", "typing"}
    folders = {path.parent.relative_to(TESTS) for path in TESTS.rglob("test_*.py")}
    own = {folder for folder in folders if folder.parts and folder.parts[0] not in of_all}
    assert len(own) > 20
    assert not [str(folder) for folder in sorted(own) if not (PACKAGE / folder).is_dir()]


def test_class_names_mean_one_thing() -> None:
    """No two modules have classes of one name, with or without an underscore: a reader knows which is meant."""
    homes: dict[str, set[str]] = {}
    for path in modules():
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ClassDef):
                homes.setdefault(node.name.lstrip("_"), set()).add(str(path.relative_to(PACKAGE)))
    assert {name: sorted(paths) for name, paths in homes.items() if len(paths) > 1} == {}
