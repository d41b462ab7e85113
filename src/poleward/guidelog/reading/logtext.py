"""A guide log's bytes as lines of text: encodings, damage, and what is no text at all."""

from __future__ import annotations

from dataclasses import dataclass

from poleward.errors import InputError, Note

CONTROL = bytes(set(range(32)) - set(b"\0\t\n\r\f\x1b\x1a"))
BINARY_SHARE = 0.05
"""Above this share of control signs a file is no text: random bytes have 11 % of them (27 of 256, NUL not counted),
a text of which every twentieth row is random bytes has 0.5 %."""


@dataclass(frozen=True)
class LogText:
    """Lines, without their ends; line k of the file is ``lines[k - 1]``.

    Attributes
    ----------
    lines : list of str
    open_end : bool
        The last line has no line end: it may be cut.
    notes : tuple of Note
    """

    lines: list[str]
    open_end: bool
    notes: tuple[Note, ...] = ()


def log_text(data: bytes, encoding: str, name: str) -> LogText:
    """Decode a log.

    Parameters
    ----------
    data : bytes
        The whole file.
    encoding : str
        What the layout says; a byte-order mark in the file wins over it.
    name : str
        For messages.

    Returns
    -------
    LogText
        Signs that the encoding does not know are replaced, with a note: numbers are not touched by that, since a cell
        that holds such a sign is no number.

    Raises
    ------
    InputError
        The file is empty, or is not text.
    """
    if not data.strip(b"\0 \t\r\n\xef\xbb\xbf\xff\xfe\x1a"):
        seen = "this file is empty" if not data else "this file holds only blanks or NUL bytes"
        raise InputError(seen, "a guide log has a line that names its columns, and rows", name)
    encoding, marked = _encoding(data, encoding, name)
    if not marked and "16" not in encoding and "32" not in encoding:
        _refuse_binary(data, name)
    text = _decode(data, encoding, name)
    notes = []
    if "\N{REPLACEMENT CHARACTER}" in text:
        count = text.count("\N{REPLACEMENT CHARACTER}")
        line = text[: text.index("\N{REPLACEMENT CHARACTER}")].count("\n") + 1
        signs = "sign that is" if count == 1 else "signs that are"
        notes.append(
            Note(
                "wrong-encoding",
                f"{name}:{line}: {count} {signs} not {encoding}, the first one here; numbers that hold one are not "
                "used, the others are right whatever the encoding (encoding in [text] of the layout mends it)",
            )
        )
    mark = "\n" if "\n" in text else "\r"
    lines = text.split(mark)
    if mark == "\n" and "\r" in text:
        lines = [line.removesuffix("\r") for line in lines]
    open_end = lines[-1] != ""
    if not open_end:
        lines.pop()
    return LogText(lines, open_end, tuple(notes))


def _encoding(data: bytes, encoding: str, name: str) -> tuple[str, bool]:
    """Return the encoding to use, and whether the file itself says it."""
    for mark, marked in (
        (b"\xef\xbb\xbf", "utf-8-sig"),
        (b"\xff\xfe\0\0", "utf-32"),
        (b"\0\0\xfe\xff", "utf-32"),
        (b"\xff\xfe", "utf-16"),
        (b"\xfe\xff", "utf-16"),
    ):
        if data.startswith(mark):
            return marked, True
    head = data[:400]
    if "16" in encoding and b"\0" not in head:
        raise InputError(
            f"the layout says {encoding}, but this file is written with one byte per sign",
            'encoding = "utf-8" or "latin-1" in [text] of the layout',
            name,
        )
    if "16" not in encoding and "32" not in encoding and len(head) > 20:
        for low, twin in ((1, "utf-16-le"), (0, "utf-16-be")):
            # Plain Latin text in UTF-16 has a NUL in nearly every second byte, and none between.
            if head[low::2].count(0) > 0.9 * len(head[low::2]) and head[1 - low :: 2].count(0) == 0:
                raise InputError(
                    f"the layout says {encoding}, but this file is written with two bytes per sign",
                    f'encoding = "{twin}" in [text] of the layout',
                    name,
                )
    return encoding, False


def _decode(data: bytes, encoding: str, name: str) -> str:
    try:
        text = data.decode(encoding, errors="replace")
    except (UnicodeError, ValueError, LookupError) as error:
        raise InputError(
            f"this file cannot be read as {encoding}: {error}", "see encoding in [text] of the layout", name
        ) from None
    return text.removeprefix("\N{ZERO WIDTH NO-BREAK SPACE}")


def _refuse_binary(data: bytes, name: str) -> None:
    solid = len(data) - data.count(0)
    others = len(data.translate(None, CONTROL))
    if len(data) - others > BINARY_SHARE * solid:
        raise InputError("this is not a text file", "a guide log is delimited text", name)
