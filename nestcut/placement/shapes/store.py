"""What is costly to work out and depends on nothing but its input, kept on disk between runs.

Files are named by a digest of the input, so that nothing in them ever gets out of date; what is in them is
guarded by a digest of its own. The folder is bounded: the files used longest ago go first. Where it can't be
written, or ``NESTCUT_CACHE`` is ``off``, everything is worked out anew. Nothing rests on trust in these files:
layouts are checked exactly whatever the search was given.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import os
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from zipfile import BadZipFile

import numpy as np
from numpy.typing import NDArray

from nestcut._cache import cache_folder, keep, recall

__all__ = ["MOST_BYTES", "kept", "store_folder"]

MOST_BYTES = 64 * 2**20
"""What the folder may hold."""
WORTH_S = 0.004
"""What takes less to work out than this is not kept, s."""
_VERSION = b"nestcut no-fit 2"
_LOOK_EVERY = MOST_BYTES // 8
_written = _LOOK_EVERY  # so that the first file of a run looks after the folder


def store_folder() -> Path | None:
    """Where files are kept; None: nowhere."""
    return cache_folder("no-fit")


def kept(
    given: Sequence[NDArray[np.float64]], make: Callable[[], tuple[NDArray, ...]]
) -> tuple[NDArray, ...]:
    """What ``make`` returns for this input, from disk if it was worked out before."""
    folder = store_folder()
    if folder is None:
        return make()
    digest = hashlib.sha256(_VERSION)
    for array in given:
        digest.update(repr((array.shape, array.dtype.str)).encode())
        digest.update(np.ascontiguousarray(array).tobytes())
    path = folder / digest.hexdigest()
    found = _read(path)
    if found is not None:
        return found
    began = time.perf_counter()
    made = make()
    if time.perf_counter() - began >= WORTH_S or os.path.lexists(path):  # a damaged one is mended
        _write(path, made)
    return made


def _read(path: Path) -> tuple[NDArray, ...] | None:
    data = recall(path, most_bytes=MOST_BYTES)
    if data is None:
        return None
    try:
        with np.load(io.BytesIO(data), allow_pickle=False) as file:
            arrays = tuple(file[f"arr_{k}"] for k in range(len(file.files)))
    except (OSError, ValueError, KeyError, EOFError, BadZipFile):
        return None
    with contextlib.suppress(OSError):
        os.utime(path)  # used now
    return arrays


def _write(path: Path, arrays: tuple[NDArray, ...]) -> None:
    global _written
    buffer = io.BytesIO()
    np.savez(buffer, *arrays)
    data = buffer.getvalue()
    if len(data) > MOST_BYTES // 8:
        return
    _written += len(data)
    if _written >= _LOOK_EVERY:
        _written = 0
        with contextlib.suppress(OSError):
            _make_room(path.parent)
    keep(path, data)


def _make_room(folder: Path) -> None:
    """Drop the files used longest ago until three quarters are left at most."""
    files = []
    for entry in os.scandir(folder):
        with contextlib.suppress(OSError):
            files.append((entry.stat().st_mtime, entry.stat().st_size, entry.path))
    total = sum(size for _, size, _ in files)
    for _, size, name in sorted(files):
        if total <= MOST_BYTES - 2 * _LOOK_EVERY:
            break
        with contextlib.suppress(OSError):
            os.unlink(name)
        total -= size
