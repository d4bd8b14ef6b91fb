"""Where the shapes and examples that come with nestcut lie."""

from __future__ import annotations

from pathlib import Path

__all__ = ["examples_folder", "shapes_folder"]

_PACKAGE = Path(__file__).parent


def shapes_folder() -> Path:
    """The folder of the die outlines that come with nestcut."""
    return _folder("shapes")


def examples_folder() -> Path:
    """The folder of the example batches; they use the shapes beside it."""
    return _folder("examples")


def _folder(name: str) -> Path:
    installed = _PACKAGE / "_data" / name
    # In a checkout nothing is copied into the package: the folders lie beside it.
    return installed if installed.is_dir() else _PACKAGE.parent / name
