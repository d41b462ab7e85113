"""Files are written whole or not at all, and never over an existing one unless asked."""

from __future__ import annotations

import contextlib
import os
import stat
import tempfile
from pathlib import Path

from poleward.errors import UsageError


def refuse_existing(path: str | Path, force: bool) -> None:
    """Refuse, before any work is done, to write over a file or into a folder that is not there.

    Raises
    ------
    UsageError
        The file exists and `force` is false, or it cannot be written there.
    """
    mode = _mode(path)
    if mode is None:
        if not os.path.isdir(_target(path).parent):
            folder = (_target(path) if os.path.islink(path) else Path(path)).parent
            raise UsageError(f"{path}: there is no folder {folder}", "make the folder first")
    elif stat.S_ISDIR(mode):
        raise UsageError(f"{path}: this is a folder, a file name is needed")
    elif not stat.S_ISREG(mode):
        raise UsageError(f"{path}: this is a device or a pipe, a file is needed")
    elif not force:
        raise UsageError(
            f"{path}: this file exists already", "give another name, or --force to write over it"
        )
    elif not os.access(path, os.W_OK):
        raise UsageError(f"{path}: this file is read-only", "give another name, or make it writable")


def refuse_same(path: str | Path, read: str | Path) -> None:
    """Refuse, whatever was asked for, to write over a file that is being read.

    Raises
    ------
    UsageError
        Both names lead to one file.
    """
    with contextlib.suppress(OSError, ValueError):  # what is not there is not the same
        if os.path.samefile(path, read):
            raise UsageError(f"{path}: this file is read here, it is not written over", "give another name")


def write_whole(path: str | Path, data: str | bytes, *, force: bool = False) -> None:
    """Write a file through a temporary one beside it, so that a reader sees all of it or nothing.

    A symbolic link stays one, and the file it leads to is written; a file that is written over keeps its mode.

    Raises
    ------
    UsageError
        As `refuse_existing`, or the system does not let it be written.
    """
    refuse_existing(path, force)
    target, mode = _target(path), _mode(path)
    body = data.encode("utf-8", errors="replace") if isinstance(data, str) else data
    spare = ""
    try:
        # A name of a length that is allowed stays so.
        handle, spare = tempfile.mkstemp(dir=target.parent, prefix=f".{target.name[:40]}.")
        with os.fdopen(handle, "wb") as file:
            file.write(body)
        os.chmod(spare, _new_mode() if mode is None else stat.S_IMODE(mode))
        if force:
            os.replace(spare, target)
        else:
            _place_new(spare, target)
    except FileExistsError:
        raise UsageError(f"{path}: this file exists already", "give another name, or --force") from None
    except PermissionError as error:
        hint = "may you write there? is the file open in another program?"
        raise UsageError(f"{path}: cannot be written: {error.strerror}", hint) from None
    except OSError as error:
        raise UsageError(f"{path}: cannot be written: {error.strerror or error}") from None
    finally:
        if spare and os.path.exists(spare):
            os.unlink(spare)


def _target(path: str | Path) -> Path:
    """Return the file that is written: where a symbolic link leads."""
    try:
        return Path(os.path.realpath(path))
    except OSError as error:  # the working folder is gone
        raise UsageError(f"{path}: cannot be written: {error.strerror}") from None


def _mode(path: str | Path) -> int | None:
    """Return kind and mode of what stands there; None for nothing."""
    try:
        return os.stat(path).st_mode
    except (FileNotFoundError, NotADirectoryError):
        return None
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else error
        raise UsageError(f"{path}: cannot be written: {reason}") from None


def _new_mode() -> int:
    umask = os.umask(0)
    os.umask(umask)
    return 0o666 & ~umask


def _place_new(spare: str, target: Path) -> None:
    """Move into place unless something has appeared there meanwhile; a link fails where a rename would not."""
    try:
        os.link(spare, target)
    except (PermissionError, NotImplementedError, AttributeError):
        os.rename(spare, target)  # a file system without hard links
    except OSError as error:
        if isinstance(error, FileExistsError):
            raise
        os.rename(spare, target)
