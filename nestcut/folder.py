"""The output folder: whole or absent, and never somebody else's.

All files are written into a temporary sibling of the folder first. Then the two are swapped in one step of
the file system where it offers one (Linux: renameat2 with RENAME_EXCHANGE, since 3.15), so a kill at any moment leaves the
old output or the new one. Elsewhere the old folder steps aside for the instant between two renames, and the next run
puts it back if it was killed in between.
"""

from __future__ import annotations

import ctypes
import errno
import glob
import hashlib
import json
import os
import shutil
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from nestcut.errors import OutputError, Where

if TYPE_CHECKING:
    from nestcut.plans import Plan

__all__ = ["check_writable", "replace_folder", "write_plan_folder"]

MANIFEST = ".nestcut-files.json"
_ASIDE = ".nestcut-aside"
_LONGEST_BYTES = 150
"""Of a folder's name in the names of its temporary siblings: file systems take 255 bytes at most."""
_RENAME_EXCHANGE = 2
_AT_FDCWD = -100


def write_plan_folder(plan: Plan, folder: str | os.PathLike[str]) -> list[Path]:
    """Check the plan, then write plan.json, the sheets and the tables into ``folder``.

    Returns: the paths of the files written.
    Raises: OutputError when the folder is not ours or cannot be written; AssertionError-like
        RuntimeError when the plan breaks a rule (a mistake of the planner, never written).
    """
    from nestcut.checks import check_plan
    from nestcut.plans import shortened, write_plan
    from nestcut.sheets import write_sheets

    plan = shortened(plan)
    report = check_plan(plan)
    if not report.ok:
        raise RuntimeError("the plan breaks a rule and is not written: " + str(report.faults[0]))

    def fill(where: Path) -> None:
        write_plan(plan, where / "plan.json")
        write_sheets(plan, where)

    try:
        return replace_folder(Path(folder), fill)
    except OutputError as err:
        kept = _kept_elsewhere(fill)
        if kept is not None:
            err.mend = f"the plan was written to {kept} instead; {err.mend}"
        raise


def _kept_elsewhere(fill: Callable[[Path], None]) -> Path | None:
    """An hour's planning must not be lost because a disk filled up meanwhile: try the folder for temporary files."""
    try:
        return replace_folder(Path(tempfile.mkdtemp(prefix="nestcut-")) / "plan", fill)[0].parent
    except (OutputError, OSError):
        return None


def check_writable(
    folder: str | os.PathLike[str],
    *,
    batch: str | os.PathLike[str] | None = None,
    reads: Sequence[Path] = (),
) -> None:
    """Say now, before an hour of planning, that the folder can't take the plan.

    Args:
        folder: where the plan is to go.
        batch: the batch file, which must not lie in it.
        reads: what that file names, which must not either.
    Raises: OutputError.
    """
    path = _resolved(folder)
    _refuse_places(path)
    if batch is not None and _resolved(batch).is_relative_to(path):
        raise OutputError(
            "this folder holds the batch file, and an output folder is replaced as a whole",
            mend="name a new folder with --out, as in --out plan",
            where=Where(str(path)),
        )
    for name in reads:
        if _resolved(name).is_relative_to(path):
            raise OutputError(
                f"this folder holds {name.name}, which the batch reads, and an output folder is replaced as a whole",
                mend="name a new folder with --out, as in --out plan-2",
                where=Where(str(path)),
            )
    with _disk_errors(path):
        _recover(path)
    _refuse_foreign(path)
    with _disk_errors(path):
        _make_parents(path.parent)
        _sweep(path)
        probe = tempfile.mkdtemp(prefix=_temporary_prefix(path), dir=path.parent)
        os.rmdir(probe)


def replace_folder(folder: Path, fill: Callable[[Path], None]) -> list[Path]:
    """Let ``fill`` write into an empty folder, then put that in the place of ``folder``.

    Files that somebody else laid into an earlier output of ours are carried over.

    Raises: OutputError; whatever ``fill`` raises (nothing is left behind then).
    """
    path = _resolved(folder)
    _refuse_places(path)
    with _disk_errors(path):
        _recover(path)
    _refuse_foreign(path)
    with _disk_errors(path):
        _make_parents(path.parent)
        fresh = Path(tempfile.mkdtemp(prefix=_temporary_prefix(path), dir=path.parent))
        try:
            os.chmod(fresh, 0o755)
            fill(fresh)
            names = sorted(p.relative_to(fresh).as_posix() for p in fresh.rglob("*") if p.is_file())
            (fresh / MANIFEST).write_text(
                json.dumps({"made by": "nestcut", "files": names}, indent=1) + "\n", encoding="utf-8"
            )
            if path.exists():
                _carry_over(path, fresh)
                _swap(fresh, path)
            else:
                os.rename(fresh, path)
        finally:
            shutil.rmtree(fresh, ignore_errors=True)
    return [path / name for name in names]


def _resolved(folder: str | os.PathLike[str]) -> Path:
    return Path(os.path.abspath(os.path.realpath(folder)))


def _make_parents(parent: Path) -> None:
    parent.mkdir(parents=True, exist_ok=True)


def _temporary_prefix(path: Path) -> str:
    return f"{_temporary_stem(path)}{os.getpid()}-"


def _temporary_stem(path: Path) -> str:
    return f".{_short(path.name)}-nestcut-"


def _short(name: str) -> str:
    """The name, or its beginning and a digest of the whole where it is very long."""
    raw = os.fsencode(name)
    if len(raw) <= _LONGEST_BYTES:
        return name
    digest = hashlib.sha256(raw).hexdigest()[:16]
    return f"{raw[: _LONGEST_BYTES - 17].decode('utf-8', 'ignore')}-{digest}"


def _sweep(path: Path) -> None:
    """Remove what killed runs left beside the folder: their process is gone, and for an hour at least."""
    stem = _temporary_stem(path)
    for left in path.parent.glob(glob.escape(stem) + "*"):
        pid = left.name.removeprefix(stem).partition("-")[0]
        try:
            if time.time() - left.stat().st_mtime > 3600 and not _alive(int(pid)):
                shutil.rmtree(left, ignore_errors=True)
        except (OSError, ValueError):
            continue


def _alive(pid: int) -> bool:
    if os.name != "posix":
        return True  # elsewhere signal 0 is not a question but a blow
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True
    return True


def _our_files(path: Path) -> list[str] | None:
    """Names in our manifest; None when the folder is not an output of ours."""
    try:
        listed = json.loads((path / MANIFEST).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    files = listed.get("files") if isinstance(listed, dict) else None
    if not isinstance(files, list) or not all(isinstance(name, str) for name in files):
        return None
    return files


def _refuse_places(path: Path) -> None:
    """The whole folder is replaced: that must not pull the floor from under anybody."""
    if path.parent == path:
        raise OutputError(
            "this is the root of the disk",
            mend="name a new folder with --out, as in --out plan",
            where=Where(str(path)),
        )
    for place, what in ((Path.cwd, "the folder you are in"), (Path.home, "your home folder")):
        try:
            here = _resolved(place())
        except (OSError, RuntimeError):  # gone meanwhile; nobody's home
            continue
        if here.is_relative_to(path):
            raise OutputError(
                f"this is {what}" if here == path else f"this folder holds {what}",
                mend="name a new folder with --out, as in --out plan",
                where=Where(str(path)),
            )


def _refuse_foreign(path: Path) -> None:
    where = Where(file=str(path))
    with _disk_errors(path):
        try:
            path.lstat()
        except FileNotFoundError:
            return
    if not path.is_dir():
        raise OutputError("is a file, not a folder", mend="name another folder with --out", where=where)
    with _disk_errors(path):
        empty = next(path.iterdir(), None) is None
    if not empty and _our_files(path) is None:
        raise OutputError(
            "holds files that nestcut did not write, so it is left alone",
            mend="name a new or empty folder with --out",
            where=where,
        )


def _carry_over(old: Path, fresh: Path) -> None:
    """Copy what other people laid into our old folder (a photo, notes) into the fresh one."""
    ours = {*(_our_files(old) or ()), MANIFEST}
    for item in sorted(old.rglob("*")):
        name = item.relative_to(old)
        target = fresh / name
        if name.as_posix() in ours or target.exists():
            continue
        if item.is_dir() and not item.is_symlink():
            # A folder of ours comes again if something is left to lie in it.
            if not any(one.startswith(f"{name.as_posix()}/") for one in ours):
                target.mkdir(parents=True, exist_ok=True)
        else:
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(item, target, follow_symlinks=False)


def _swap(fresh: Path, path: Path) -> None:
    if _exchange(fresh, path):
        return
    aside = path.with_name(_short(path.name) + _ASIDE)
    shutil.rmtree(aside, ignore_errors=True)
    os.rename(path, aside)
    os.rename(fresh, path)
    shutil.rmtree(aside, ignore_errors=True)


def _exchange(a: Path, b: Path) -> bool:
    """Swap two folders in one step; False where the system has no such call."""
    if not sys.platform.startswith("linux"):
        return False
    try:
        renameat2 = ctypes.CDLL(None, use_errno=True).renameat2
    except (OSError, AttributeError):
        return False
    done = renameat2(_AT_FDCWD, os.fsencode(a), _AT_FDCWD, os.fsencode(b), ctypes.c_uint(_RENAME_EXCHANGE))
    if done == 0:
        return True
    code = ctypes.get_errno()
    if code in (errno.EINVAL, errno.ENOSYS, errno.ENOTSUP):
        return False  # this file system can't; two renames will do
    raise OSError(code, os.strerror(code), str(b))


def _recover(path: Path) -> None:
    """Put back a folder that stepped aside when an earlier run was killed between two renames."""
    aside = path.with_name(_short(path.name) + _ASIDE)
    if aside.is_dir() and not path.exists():
        os.rename(aside, path)


@contextmanager
def _disk_errors(path: Path) -> Iterator[None]:
    try:
        yield
    except PermissionError as err:
        raise OutputError(
            "can't be written: no permission", mend="name another folder with --out", where=Where(str(path))
        ) from err
    except OSError as err:
        if err.errno == errno.ENOSPC:
            what, mend = "can't be written: the disk is full", "make room, or name a folder on another disk"
        elif err.errno == errno.EROFS:
            what, mend = "can't be written: the disk is read-only", "name a folder on another disk with --out"
        elif err.errno == errno.ENAMETOOLONG:
            what, mend = (
                "can't be written: the name is too long",
                "name a folder with a shorter name with --out",
            )
        else:
            what, mend = f"can't be written: {err.strerror or err}", "name another folder with --out"
        raise OutputError(what, mend=mend, where=Where(str(path))) from err
