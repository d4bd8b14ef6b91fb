"""Where compiled kernels are kept between runs.

numba keeps them beside the sources, or in the user's cache folder where the sources are read-only. Where
neither can be written it refuses to compile at all; then a folder of this run's own is used.
"""

from __future__ import annotations

import os
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

__all__ = ["keep_kernels", "tell_if_new"]


def keep_kernels() -> Path | None:
    """Make sure that numba finds a place to keep kernels in; call before numba is imported.

    Returns: the folder that had to be made for this run, or None when numba's own choice will do.
    """
    if os.environ.get("NUMBA_CACHE_DIR"):
        return None
    if os.access(Path(__file__).parent, os.W_OK) or _user_folder_works():
        return None
    folder = Path(tempfile.gettempdir()) / f"nestcut-kernels-{os.getuid() if hasattr(os, 'getuid') else 0}"
    try:
        folder.mkdir(mode=0o700, exist_ok=True)
        # Somebody else's folder of this name could hold anything.
        if hasattr(os, "getuid") and folder.stat().st_uid != os.getuid():
            raise PermissionError(folder)
    except OSError:
        folder = Path(tempfile.mkdtemp(prefix="nestcut-kernels-"))
    os.environ["NUMBA_CACHE_DIR"] = str(folder)
    return folder


def _user_folder_works() -> bool:
    home = os.environ.get("XDG_CACHE_HOME") or os.path.join(os.path.expanduser("~"), ".cache")
    place = Path(home)
    while not place.exists() and place != place.parent:
        place = place.parent
    return os.access(place, os.W_OK)


_ROOM = Path(__file__).parent.parent


def tell_if_new(kernel: str, tell: Callable[[str], None] | None = None) -> bool:
    """Say 'preparing (once)' when a kernel of this package has not been compiled yet.

    Args:
        kernel: module and function, such as "kernels.sweeps"; take the one that is compiled last.
        tell: who is told; standard error by default.
    Returns: whether it was said.
    """
    own = os.environ.get("NUMBA_CACHE_DIR")
    home = os.environ.get("XDG_CACHE_HOME") or os.path.join(os.path.expanduser("~"), ".cache")
    source = next(_ROOM.rglob(kernel.split(".")[0] + ".py"))
    folders = [Path(own)] if own else [source.parent / "__pycache__", Path(home) / "numba"]
    for folder in folders:
        pattern = f"{kernel}-*.nbi"
        found = folder.glob(pattern) if not own and folder.name == "__pycache__" else folder.rglob(pattern)
        if any(entry.stat().st_mtime >= source.stat().st_mtime for entry in found):
            return False
    if tell is None:
        print(
            "preparing (once): the search is being compiled for this machine …", file=sys.stderr, flush=True
        )
    else:
        tell("preparing (once)")
    return True
