"""Where the box lies unless somebody says otherwise."""

from __future__ import annotations

import os
import sys
from pathlib import Path

__all__ = ["usual_place"]


def usual_place() -> Path:
    """The file of the box: ``NESTCUT_BOX``, or ``nestcut/box.db`` in the folder where this system keeps people's data.

    That is ``XDG_DATA_HOME`` or ``~/.local/share`` (XDG Base Directory Specification), on macOS
    ``~/Library/Application Support``, on Windows ``%LOCALAPPDATA%``.
    """
    own = os.environ.get("NESTCUT_BOX", "")
    if own.strip():
        return Path(own)
    home = Path.home()
    if sys.platform == "darwin":
        folder = home / "Library" / "Application Support"
    elif sys.platform == "win32":
        folder = Path(os.environ.get("LOCALAPPDATA") or home / "AppData" / "Local")
    else:
        given = os.environ.get("XDG_DATA_HOME", "")
        # The specification: a path that is not absolute is to be ignored.
        folder = Path(given) if os.path.isabs(given) else home / ".local" / "share"
    return folder / "nestcut" / "box.db"
