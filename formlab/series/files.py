"""Bytes on the disk: written whole or not at all, and never outside the folder."""

from __future__ import annotations

import contextlib
import errno
import os
from pathlib import Path

from formlab.errors import SeriesError

__all__ = ["inside", "read_bytes", "sync_folder", "write_atomic", "write_part"]

MOST_BYTES = 64 * 2**20  # of one file of a series, or one file of results


def inside(folder: Path, name: str) -> Path:
    """Return the path of a file below a folder.

    Raises
    ------
    SeriesError
        If the name, or a link on the way, leads out of the folder.
    """
    parts = name.replace("\\", "/").split("/")
    if name.startswith(("/", "\\")) or any(p in ("", ".", "..") or ":" in p or "\0" in p for p in parts):
        raise SeriesError(f"{name!r} is not a file name inside the series folder. Use a plain name.")
    path = folder.joinpath(*parts)
    try:
        stays = path.resolve().is_relative_to(folder.resolve())
    except (OSError, RuntimeError, ValueError):  # a circle of links
        stays = False
    if not stays:
        raise SeriesError(
            f"{name!r} is a link that leads out of the series folder. Put the file itself in its place."
        )
    return path


def read_bytes(path: Path, most: int = MOST_BYTES) -> bytes:
    """Return the content of a file.

    Raises
    ------
    SeriesError
        If it is missing, cannot be read or is too large to be a table of trials.
    """
    try:
        size = path.stat().st_size
        content = path.read_bytes() if size <= most else b""
    except FileNotFoundError:
        raise SeriesError(f"There is no file {str(path)!r}; check the path.") from None
    except IsADirectoryError:
        raise SeriesError(f"{str(path)!r} is a folder; give a file.") from None
    except (OSError, ValueError) as error:
        raise SeriesError(f"{str(path)!r} cannot be read: {_reason(error)}. Check who may read it.") from None
    if size > most:
        raise SeriesError(
            f"{path.name} has {size / 2**20:.0f} MB; at most {most / 2**20:.0f} MB are read. "
            "Is it the right file? If so, load it in parts."
        )
    return content


def write_part(path: Path, content: bytes) -> Path:
    """Write content beside its final place, flushed to the disk; return the temporary path."""
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        part.unlink(missing_ok=True)  # O_EXCL then also keeps from writing through a link put there
        handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o666)
        try:
            write_all(handle, content)
            os.fsync(handle)
        finally:
            os.close(handle)
    except OSError as error:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
        raise not_written(path, error) from None
    return part


def write_all(handle: int, content: bytes) -> None:
    """Write all bytes; the system may take them in pieces."""
    view = memoryview(content)
    while view:
        view = view[os.write(handle, view) :]


def put_in_place(part: Path, path: Path) -> None:
    """Let a flushed temporary file take the place of the old one."""
    try:
        os.replace(part, path)
    except OSError as error:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
        raise not_written(path, error) from None
    sync_folder(path.parent)


def write_atomic(path: Path, content: bytes) -> None:
    """Replace a file as a whole: after a crash it holds the old content or the new, never a mixture.

    Raises
    ------
    SeriesError
        If the disk is full or the folder read-only; the old file is then untouched.
    """
    put_in_place(write_part(path, content), path)


def sync_folder(folder: Path) -> None:
    """Flush a folder's own entries, where the system can do that; what is in place stays so without it."""
    if os.name != "posix":
        return
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def not_written(path: Path, error: OSError) -> SeriesError:
    """Return the message for a write that failed."""
    return SeriesError(
        f"{path.name} was not written: {_reason(error)}. Nothing in {str(path.parent)!r} was changed; make room or get leave to write, and try again."
    )


def _reason(error: Exception) -> str:
    code = getattr(error, "errno", None)
    if code in (errno.ENOSPC, getattr(errno, "EDQUOT", None)):
        return "the disk is full; make room and try again"
    if code == errno.EROFS:
        return "the disk is read-only"
    if code in (errno.EACCES, errno.EPERM):
        return "the folder or file is read-only for you; ask for write access or copy the folder"
    return (getattr(error, "strerror", None) or str(error)).rstrip(".")
