"""Files that are whole or not there: written beside their place, synced, renamed, and the folder synced too."""

from __future__ import annotations

import contextlib
import errno
import os
import re
from pathlib import Path

from edgeinspect.errors import StoreError

UNFINISHED = ".tmp"


def write_durably(path: Path, content: bytes) -> None:
    """After this returns, ``path`` holds ``content`` even if the power goes. Before, it holds what it held.

    Raises StoreError: disk full, read-only, no such place.
    """
    unfinished = path.with_name(path.name + UNFINISHED)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with unfinished.open("wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        os.replace(unfinished, path)
        sync_folder(path.parent)
        sync_folder(path.parent.parent)  # it may have been made just now
    except OSError as error:
        with contextlib.suppress(OSError):  # the first error is the one to tell
            unfinished.unlink(missing_ok=True)
        raise explained(error, path) from error


def move_durably(source: Path, target: Path) -> None:
    """Rename within one disk, and keep it so. Raises StoreError."""
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        os.replace(source, target)
        sync_folder(target.parent)
        sync_folder(source.parent)
    except OSError as error:
        raise explained(error, target) from error


def sync_folder(folder: Path) -> None:
    if os.name != "posix":  # elsewhere a folder cannot be opened, and the rename is kept by the file system's journal
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def sweep(folder: Path) -> None:
    """Remove what a power cut left half-written below ``folder``."""
    for leftover in folder.rglob("*" + UNFINISHED):
        leftover.unlink(missing_ok=True)


def plain_name(words: str) -> str:
    """``words`` as a part of a file name that no file system objects to and that never leaves its folder."""
    return re.sub(r"[^A-Za-z0-9-]+", "-", words)[:60]


def explained(error: OSError, path: Path) -> StoreError:
    """The one sentence for a failure of the disk."""
    if error.errno in (errno.ENOSPC, errno.EDQUOT):
        return StoreError(
            f"the disk with {path.parent} is full: free some space, then measure this shell again; it was not recorded"
        )
    if error.errno in (errno.EROFS, errno.EACCES, errno.EPERM):
        return StoreError(
            f"{path.parent} is read-only for this program: give it the right to write there; nothing was recorded"
        )
    return StoreError(
        f"{path} cannot be written or read ({error.strerror or error}): check the disk; nothing was recorded"
    )
