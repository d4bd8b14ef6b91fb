"""Writing small drawings for tests."""

from __future__ import annotations

from pathlib import Path

from shapely.geometry import MultiPolygon, Polygon

from nestcut.outlines import DieOutline, read_die, read_scrap


def drawing(body: str, head: str = 'width="100mm" height="100mm" viewBox="0 0 100 100"') -> str:
    """An SVG text; 1 unit is 1 mm unless the head says otherwise."""
    return (
        '<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" '
        f"{head}>{body}</svg>"
    )


def die(tmp_path: Path, body: str, head: str | None = None, **options: object) -> DieOutline:
    """The die that a drawing's body gives, with a rim of 1.6 mm unless told otherwise."""
    path = tmp_path / "die.svg"
    text = drawing(body) if head is None else drawing(body, head)
    path.write_text(text, encoding="utf-8")
    options.setdefault("rim_mm", 1.6)
    return read_die(path, **options)  # type: ignore[arg-type]


def scrap(tmp_path: Path, body: str) -> Polygon:
    """The scrap that a drawing's body gives."""
    path = tmp_path / "scrap.svg"
    path.write_text(drawing(body), encoding="utf-8")
    return read_scrap(path).outline


def size(shape: Polygon | MultiPolygon) -> tuple[float, float]:
    """Width and height of the bounding box."""
    x0, y0, x1, y1 = shape.bounds
    return (x1 - x0, y1 - y0)
