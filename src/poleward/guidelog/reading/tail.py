"""A guide log that is still being written: what it holds so far, each time it is asked."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from poleward.door.incoming import LOG_BYTES, read_bytes
from poleward.errors import InputError
from poleward.guidelog.reading.form import Layout
from poleward.guidelog.reading.logtext import log_text
from poleward.guidelog.reading.patterns import searched
from poleward.guidelog.reading.reader import LogFile, parse_log


@dataclass(frozen=True)
class Growth:
    """What one look at a growing log found.

    Attributes
    ----------
    log : LogFile
        All that the log holds so far, in complete lines. A half-written last line is waited for, not noted.
    new_rows : int
        Lines of rows more than at the look before.
    restarted : bool
        The file holds something else than before: it was begun anew, and what it held before is forgotten.
    trouble : str
        Why there is nothing to read just now, as where the file is gone; `log` is then what was read last.
    """

    log: LogFile
    new_rows: int
    restarted: bool = False
    trouble: str = ""


class LogTail:
    """Follows one guide log.

    Parameters
    ----------
    path : str or Path
        A file, which may still be empty or end within a line.
    layout : Layout
    timezone : str
        As for `read_log`.
    """

    def __init__(self, path: str | Path, layout: Layout, *, timezone: str = "") -> None:
        self._path, self._layout, self._timezone = Path(path), layout, timezone
        self._name = str(path)
        self._data = b""
        self._log = LogFile(self._name, ())

    def look(self) -> Growth:
        """Read what has been written since the last look.

        The whole log is read again when it has grown: a night takes 0.1 s, and a section's facts may stand anywhere.
        A file that is gone, may not be read, or holds no text may come back: what was read before stays.

        Returns
        -------
        Growth
        """
        try:
            data = self._complete_lines()
            if data == self._data:
                return Growth(self._log, 0)
            log = self._read(data)
        except InputError as error:
            return Growth(self._log, 0, trouble=error.message)
        restarted = not data.startswith(self._data)
        before = 0 if restarted else self._log.rows
        self._data, self._log = data, log
        return Growth(log, max(log.rows - before, 0), restarted)

    def _complete_lines(self) -> bytes:
        """Return the file up to its last line end; in UTF-16 that is two bytes, of which the last may be NUL."""
        data = read_bytes(self._path, LOG_BYTES)
        end = data.rfind(b"\n") + 1
        return data[: end + 1] if end and data[end : end + 1] == b"\0" else data[:end]

    def _read(self, data: bytes) -> LogFile:
        nothing_yet = LogFile(self._name, ())
        if not data.strip():
            return nothing_yet
        text = log_text(data, self._layout.text.encoding, self._name)
        mark = self._layout.marks.begin or self._layout.marks.header
        if mark is not None and not any(searched(mark, line) for line in text.lines):
            return nothing_yet
        return parse_log(text, self._layout, self._name, timezone=self._timezone)
