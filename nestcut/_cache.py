"""Files of what was worked out before, in the user's cache folder: guarded by a digest, never needed.

Each file begins with the SHA-256 digest of what follows; one that was damaged, cut short or is no plain file is as good as
none. Where nothing can be written, or ``NESTCUT_CACHE`` is ``off``, everything is worked out anew.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import stat
import tempfile
from pathlib import Path

__all__ = ["cache_folder", "keep", "recall"]

_DIGEST = 32


def cache_folder(room: str) -> Path | None:
    """Where a room keeps its files: in ``NESTCUT_CACHE``, or nestcut's folder among the user's caches; None: nowhere."""
    own = os.environ.get("NESTCUT_CACHE", "")
    if own.strip().lower() == "off":
        return None
    home = os.environ.get("XDG_CACHE_HOME") or os.path.join(os.path.expanduser("~"), ".cache")
    return Path(own or os.path.join(home, "nestcut")) / room


def recall(path: Path, *, most_bytes: int) -> bytes | None:
    """What was kept in this file; None where there is none, or it isn't whole, or is larger than that."""
    flags = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
    try:
        # A pipe of that name would be waited for without end.
        with open(os.open(path, flags), "rb") as file:
            if not stat.S_ISREG(os.fstat(file.fileno()).st_mode):
                return None
            data = file.read(_DIGEST + most_bytes + 1)
    except (OSError, ValueError):
        return None
    kept = data[_DIGEST:]
    if len(kept) > most_bytes or hashlib.sha256(kept).digest() != data[:_DIGEST]:
        return None
    return kept


def keep(path: Path, data: bytes) -> bool:
    """Keep this, whole or not at all; False where that can't be done (a full or read-only disk)."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(dir=path.parent, prefix="new-")
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(hashlib.sha256(data).digest() + data)
            os.replace(name, path)
        except OSError:
            with contextlib.suppress(OSError):
                os.unlink(name)
            return False
    except OSError:
        return False
    return True
