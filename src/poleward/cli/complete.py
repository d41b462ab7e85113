"""What the shell completes: file names, folders and the words an option takes."""

from __future__ import annotations

import click
from click.shell_completion import CompletionItem

FILES = ("FILE", "[FILE]", "FILE...", "DRIFTS", "AXIS", "RECORD", "FITS...", "FRAMES")
"""Names, in the usage line, of what is a file or may be one."""

CHOICES = {
    "drive_rate": ("sidereal", "king", "solar"),
    "each": ("all", "night", "file", "section"),
    "pole": ("apparent", "true"),
    "rows": ("down", "up"),
}
"""Words of an option, by its name. The command refuses others in its own words, where it looks at the value."""


class _Text(click.ParamType):  # type: ignore[type-arg, unused-ignore]  # generic from click 8.5 on
    """Text of any kind, which the shell may complete."""

    name = "text"

    def __init__(self, kind: str, words: tuple[str, ...] = ()) -> None:
        self.kind = kind
        self.words = words

    def shell_complete(
        self, ctx: click.Context, param: click.Parameter, incomplete: str
    ) -> list[CompletionItem]:
        if self.kind != "plain":
            return [CompletionItem(incomplete, type=self.kind)]
        words = _zones() if param.name == "tz" else self.words
        return [CompletionItem(word) for word in words if word.startswith(incomplete)]


def with_completion(command: click.Command) -> click.Command:
    """Let the shell complete the command's files, folders, choices and time zones; return the command."""
    for param in command.params:
        name = param.name or ""
        shown = param.metavar or name.upper()
        if shown in FILES:
            param.type = _Text("file")
        elif shown == "FOLDER":
            param.type = _Text("dir")
        elif name in CHOICES or name == "tz":
            param.type = _Text("plain", CHOICES.get(name, ()))
    return command


def _zones() -> tuple[str, ...]:
    import zoneinfo

    return ("UTC", "local", *sorted(zoneinfo.available_timezones() - {"UTC"}))
