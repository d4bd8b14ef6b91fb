"""Files read with care and written whole: no half-written output, no endless input.

Every room that reads or writes files can use these; they know nothing of dies or plans.
"""

from __future__ import annotations

import os
import secrets
import stat
from contextlib import suppress
from pathlib import Path

from nestcut.errors import InputError, OutputError, Where

__all__ = ["decode_text", "read_bytes", "shown", "write_whole"]


def shown(path: str | os.PathLike[str]) -> str:
    """The path as text that can always be printed (bytes that are no UTF-8 become ``?``)."""
    text = os.fspath(path).encode("utf-8", "replace").decode("utf-8")
    return "".join(char if char.isprintable() else "?" for char in text)


def read_bytes(
    path: str | os.PathLike[str],
    *,
    limit_bytes: int,
    kind: str,
    error: type[InputError] = InputError,
) -> bytes:
    """The bytes of a regular file, never more than ``limit_bytes`` of them.

    Args:
        kind: what the file should be, for messages: "a batch file".
        error: class of the error raised.
    Raises: ``error`` for a missing file, a directory or device, no permission, too many bytes.
    """
    where = Where(file=shown(path))
    if os.path.isdir(path):
        raise error(f"this is a folder, not {kind}", mend=f"give the path of {kind} inside it", where=where)
    # A named pipe would block a plain open() for ever; O_NONBLOCK lets us look at it first.
    flags = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
    try:
        handle = os.open(path, flags)
    except FileNotFoundError:
        raise error("there is no such file", mend="check the name and the folder", where=where) from None
    except (OSError, ValueError) as err:
        reason = getattr(err, "strerror", None) or str(err)
        raise error(
            f"cannot be opened ({reason})", mend="check the name and that you may read it", where=where
        ) from None
    with open(handle, "rb") as file:
        status = os.fstat(file.fileno())
        if not stat.S_ISREG(status.st_mode):
            raise error(f"this is a device or a pipe, not {kind}", mend=f"give {kind} on disk", where=where)
        too_big = error(
            f"the file is larger than {limit_bytes / 1e6:g} MB, which is too much for {kind}",
            mend=f"make sure that this is {kind}",
            where=where,
        )
        if status.st_size > limit_bytes:
            raise too_big
        try:
            data = file.read(limit_bytes + 1)
        except OSError as err:
            raise error(f"cannot be read ({err.strerror})", mend="copy the file again", where=where) from None
    if len(data) > limit_bytes:  # it grew while we looked
        raise too_big
    return data


def decode_text(
    data: bytes,
    *,
    where: Where,
    error: type[InputError] = InputError,
    utf16: bool = False,
) -> str:
    """UTF-8 text with or without a byte order mark; UTF-16 with one, if ``utf16`` allows it.

    Raises: ``error`` with the line of the first byte that is not UTF-8.
    """
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        if utf16:
            with suppress(UnicodeDecodeError):
                return data.decode("utf-16")
        raise error("the file is saved as UTF-16", mend="save it as UTF-8", where=where)
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as err:
        line = data.count(b"\n", 0, err.start) + 1
        raise error(
            f"the file is not saved as UTF-8: byte 0x{data[err.start]:02x} cannot be read",
            mend="open it in a text editor and save it with the encoding UTF-8",
            where=Where(file=where.file, line=line),
        ) from None


def write_whole(path: str | os.PathLike[str], data: str | bytes) -> None:
    """Write a file so that, whatever happens, the old content or the new one is there, whole.

    The data goes to a temporary sibling, is flushed to the disk and renamed over ``path``.

    Raises: OutputError when the folder is missing or not writable, the disk is full, …
    """
    target = Path(path)
    where = Where(file=shown(path))
    raw = data.encode("utf-8") if isinstance(data, str) else data
    if os.path.isdir(target):
        raise OutputError("there is a folder of this name", mend="choose another name", where=where)
    sibling = target.with_name(f".{target.name[:100]}.{secrets.token_hex(6)}.part")
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
    try:
        handle = os.open(sibling, flags, 0o666)
        try:
            with open(handle, "wb") as file:
                file.write(raw)
                file.flush()
                os.fsync(file.fileno())
            os.replace(sibling, target)
        except BaseException:
            with suppress(OSError):
                os.unlink(sibling)
            raise
    except OSError as err:
        raise OutputError(
            f"cannot be written ({err.strerror or err})",
            mend="check that the folder exists, that you may write there and that the disk is not full",
            where=where,
        ) from err
    # The rename itself reaches the disk with the folder; not every system lets us ask for it.
    with suppress(OSError):
        folder = os.open(target.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)
