"""Files that users have, from whomever: plain files only, whole, and no larger than such a file can be."""

from __future__ import annotations

import os
import re
import stat
import sys
import tomllib
from pathlib import Path
from typing import Any, BinaryIO

from poleward.errors import InputError

TABLE_BYTES = 4_000_000
"""Thousands of timings with long labels. Nobody writes that."""
LOG_BYTES = 256_000_000
"""A winter of guiding, a row a second, in one file; reading it takes a minute or two."""
TOML_BYTES, TOML_LINE = 64_000, 1000
"""Many times a full setup with its comments. Python's reader takes the square of a key's dots: of a longer line, minutes."""


def name_of(path: str | Path) -> str:
    """Return what to call a file in messages."""
    return "standard input" if str(path) == "-" else str(path)


def read_bytes(path: str | Path, most: int = TABLE_BYTES) -> bytes:
    """Return a file's bytes, or standard input's for ``-``; of `most` bytes, for a longer one is another kind of file.

    Raises
    ------
    InputError
        It does not exist, is a folder, a device or a pipe, may not be read, or is too large.
    """
    if str(path) != "-":
        data = _from_file(path, most + 1)
    elif sys.stdin is None:
        raise InputError("standard input is closed", "name a file in place of -", "-")
    else:
        data = _from_stdin(most + 1)
    if len(data) > most:
        hint = "is this the right file?"
        raise InputError(f"it is too large: allowed are {most / 1e6:g} MB", hint, name_of(path))
    return data


def _from_stdin(count: int) -> bytes:
    try:
        return sys.stdin.buffer.read(count)
    except OSError as error:
        raise InputError(f"it cannot be read: {error.strerror}", "", "standard input") from None


def _from_file(path: str | Path, count: int) -> bytes:
    with open_plain(path) as file:
        try:
            return file.read(count)
        except OSError as error:
            raise InputError(error.strerror or "it cannot be read", "", str(path)) from None


def open_plain(path: str | Path) -> BinaryIO:
    """Open a plain file for reading.

    Raises
    ------
    InputError
        It does not exist, is a folder, a device or a pipe, or may not be read.
    """
    try:
        kind = os.stat(path).st_mode
        if stat.S_ISDIR(kind):
            raise IsADirectoryError
        if not stat.S_ISREG(kind):
            # It may never end, or never begin.
            raise InputError(
                "this is a device or a pipe, a file is needed", "- reads standard input", str(path)
            )
        return open(path, "rb")
    except ValueError:  # a NUL in the name
        raise InputError("this is no name of a file", "", str(path)) from None
    except OSError as error:
        reason = {
            FileNotFoundError: "there is no such file",
            IsADirectoryError: "this is a folder, a file is needed",
            PermissionError: "this file may not be read",
        }.get(type(error), error.strerror or "it cannot be read")
        raise InputError(reason, "", str(path)) from None


def read_toml(path: str | Path, what: str, hint: str) -> dict[str, Any]:
    """Return what a TOML file says; `what` it is, for messages (``setup file``), and a hint for one that is not TOML.

    Raises
    ------
    InputError
        As `read_bytes`, or it is not UTF-8, not TOML, nested too deeply, or has a line longer than any such file's.
    """
    name = name_of(path)
    try:
        text = read_bytes(path, TOML_BYTES).decode("utf-8-sig")
    except UnicodeDecodeError:
        raise InputError(f"this {what} is not UTF-8 text", "save it as UTF-8", name) from None
    for number, line in enumerate(text.splitlines(), 1):
        if len(line) > TOML_LINE:
            raise InputError(
                f"this line has {len(line)} signs, allowed are {TOML_LINE}",
                "is this the right file?",
                f"{name}:{number}",
            )
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        # ValueError: what TOML refuses, and a whole number too long for Python.
        twice = _stands_twice(text, str(error))
        if twice:
            number, heading_or_key = twice
            hint = "keep one of them, with all that belongs to it"
            raise InputError(f"{heading_or_key} stands there twice", hint, f"{name}:{number}") from None
        deep = isinstance(error, RecursionError)
        reason = "it is nested too deeply" if deep else " ".join(str(error).split())
        raise InputError(f"this {what} is not TOML: {reason}", hint, name) from None


def _stands_twice(text: str, said: str) -> tuple[int, str] | None:
    """Return line and name of the heading or key that TOML's reader says it has met before; None for another complaint."""
    found = re.match(r"(?:Cannot declare|Cannot overwrite|Duplicate).*\(at line (\d+)", said)
    if found is None:
        return None
    number = int(found[1])
    line = text.replace("\r\n", "\n").split("\n")[number - 1].strip()
    heading = re.match(r"\[+[^\]]*\]+", line)
    return number, f"the heading {heading[0]}" if heading else f"the key {line.split('=')[0].strip()}"
