"""Files are written whole or not at all, and never over an existing one unless asked."""

from __future__ import annotations

import os
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
    target = Path(path)
    if target.is_dir():
        raise UsageError(f"{path}: this is a folder, a file name is needed")
    if target.exists() and not force:
        raise UsageError(
            f"{path}: this file exists already", "give another name, or --force to write over it"
        )
    if not target.parent.is_dir():
        raise UsageError(f"{path}: there is no folder {target.parent}", "make the folder first")


def write_whole(path: str | Path, data: str | bytes, *, force: bool = False) -> None:
    """Write a file through a temporary one beside it, so that a reader sees all of it or nothing.

    Raises
    ------
    UsageError
        As `refuse_existing`, or the system does not let it be written.
    """
    refuse_existing(path, force)
    target = Path(path)
    body = data.encode("utf-8") if isinstance(data, str) else data
    spare = ""
    try:
        handle, spare = tempfile.mkstemp(dir=target.parent, prefix=f".{target.name}.")
        with os.fdopen(handle, "wb") as file:
            file.write(body)
        umask = os.umask(0)
        os.umask(umask)
        os.chmod(spare, 0o666 & ~umask)
        if force:
            os.replace(spare, target)
        else:
            _place_new(spare, target)
    except FileExistsError:
        raise UsageError(f"{path}: this file exists already", "give another name, or --force") from None
    except OSError as error:
        raise UsageError(f"{path}: cannot be written: {error.strerror or error}") from None
    finally:
        if spare and os.path.exists(spare):
            os.unlink(spare)


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
