"""Write docs/errors.md: every message of the program, read from its source.

Run it from anywhere: ``python docs/pages/errors.py``; tests/test_pages.py compares.
"""

from __future__ import annotations

import ast
import functools
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parent.parent.parent
SOURCE = ROOT / "src" / "poleward"
STATUS = {"InputError": 3, "UsageError": 2, "WrongTypeError": 2}
PARTS = {
    "Files, units, times": ("door",),
    "The setup, sites and cameras": ("setup.py", "sky"),
    "Drift tables and solving": ("timings", "solving"),
    "Guide logs and layouts": ("guidelog",),
    "Camera frames": ("frames",),
    "Targets, check and plan": ("tonight", "planning"),
    "Rounds and the evening": ("rounds",),
    "Charts, pages, records": ("report", "simulate"),
    "The command line": ("cli", "__init__.py", "__main__.py"),
}
MORE = {
    "add-pointing": "[why two hour angles](two-hour-angles.md)",
    "contradiction": "[my answer looks wrong](looks-wrong.md)",
    "low-altitude": "[drift and refraction](drift-and-refraction.md)",
    "not-robust": "[when timings disagree](time-by-eye.md#when-timings-disagree)",
    "section-refused": "[what a damaged log does](log-keys.md#what-a-damaged-log-does)",
    "axis-moved": "[several nights](logs.md#several-nights)",
}
HEAD = """# Errors and notes

What the program says when something is wrong, read from its source by `docs/pages/errors.py`. Words in capitals, and
dots, stand for what it puts in. Before an error stands where it was seen (file, line, column), after it, on a line of its
own, what to do: the second column. The **exit status** says which kind it is: 2 the command was put wrongly, 3 input that
cannot be read or used ([all of them](commands.md)). Python raises `UsageError` and `InputError`. A **note** belongs to
a result and changes no status; programs read its code. Messages about unknown options and values of
options are those of the library click, with status 2.
"""


@dataclass(frozen=True)
class Message:
    """One text: what is said, and what to do; a note has a code."""

    kind: str
    text: str
    hint: str = ""


@functools.cache
def parsed(path: Path) -> ast.Module:
    """Return a file of the source."""
    return ast.parse(path.read_text("utf-8"))


def constants(*kinds: type) -> dict[str, str]:
    """Return what stands at the top of the package's files as a constant, where a name has one value only."""
    found: dict[str, set[str]] = {}
    for path in SOURCE.rglob("*.py"):
        for node in parsed(path).body:
            match node:
                case ast.Assign(targets=[ast.Name(id=name)], value=ast.Constant(value=value)) if (
                    type(value) in kinds
                ):
                    found.setdefault(name, set()).add(
                        f"{value:g}" if isinstance(value, float) else str(value)
                    )
    return {name: values.pop() for name, values in found.items() if len(values) == 1}


WORDS = constants(str)
KNOWN = WORDS | constants(int, float)


def shown(node: ast.expr | None) -> str:
    """Return the text that an expression makes, with what is only known at run time in capitals or as dots."""
    match node:
        case ast.Constant(value=str(text)):
            return text
        case ast.JoinedStr(values=parts):
            return "".join(shown(part) for part in parts)
        case ast.FormattedValue(value=value, conversion=conversion):
            word = shown(value)
            return f"'{word}'" if conversion == ord("r") and word != "..." else word
        case ast.Name(id=name) if name in KNOWN:
            return KNOWN[name]
        case ast.Name(id=name) | ast.Attribute(attr=name):
            return name.strip("_").upper().replace("_", " ")
        case ast.BinOp(left=left, op=ast.Add(), right=right):
            return ("... " if isinstance(left, ast.Name) else shown(left)) + shown(right)
        case ast.BoolOp(op=ast.Or(), values=values):
            return shown(values[-1])
        case _:
            return "..."


def meanings(node: ast.expr | None, around: ast.AST) -> list[str]:
    """Return every text that an expression may stand for: both sides of a choice, all that a variable was set to.

    A variable counts from the last message before this one on: the next message may use its name anew.
    """
    if isinstance(node, ast.IfExp):
        return meanings(node.body, around) + meanings(node.orelse, around)
    if not isinstance(node, ast.Name) or node.id in KNOWN:
        return [shown(node)] if node is not None else []
    ends = [each.lineno for _, each in calls(around, *STATUS, "Note") if each.lineno < node.lineno - 1]
    found: list[tuple[int, str]] = []
    for each in ast.walk(around):
        if isinstance(each, ast.Assign) and each.lineno < node.lineno:
            for to in each.targets:
                if isinstance(to, ast.Name) and to.id == node.id:
                    found += [(each.lineno, text) for text in meanings(each.value, ast.Module([], []))]
    found = [(line, text) for line, text in found if re.search("[a-z]", text)]
    return [text for line, text in found if line > max(ends, default=0)] or [text for _, text in found][-1:]


def functions(tree: ast.Module) -> Iterator[ast.FunctionDef]:
    """Every function of a file, the innermost last."""
    return (node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef))


@functools.cache
def all_calls(around: ast.AST) -> list[tuple[str, ast.Call]]:
    """Every call and its name."""
    found = [node for node in ast.walk(around) if isinstance(node, ast.Call)]
    return [(getattr(node.func, "id", getattr(node.func, "attr", "")), node) for node in found]


def calls(around: ast.AST, *names: str) -> Iterator[tuple[str, ast.Call]]:
    """Calls of what is named so, by source line."""
    return ((name, node) for name, node in all_calls(around) if name in names)


def handed_on(tree: ast.Module) -> set[str]:
    """Functions of a file that make a note of a code and a text which they are given."""
    return {
        each.name
        for each in functions(tree)
        for _, call in calls(each, "Note")
        if isinstance(call.args[0], ast.Name)
        and call.args[0].id in {argument.arg for argument in each.args.args}
    }


def messages(tree: ast.Module) -> list[Message]:
    """Return all texts of a file."""
    found: dict[Message, None] = {}
    inside: set[ast.Call] = set()
    for around in [*functions(tree), tree]:
        for name, call in calls(around, *STATUS):
            if around is tree and call in inside:
                continue  # a variable of another function may bear the name of this one's parameter
            inside.add(call)
            arguments = dict(zip(("text", "hint"), call.args, strict=False))
            arguments |= {word.arg: word.value for word in call.keywords if word.arg}
            if name == "WrongTypeError" and len(call.args) > 2:
                taken = meanings(call.args[2], around)
                texts = [f"{shown(call.args[0])} is ..., taken is {each}" for each in taken]
                hints = meanings(call.args[3], around) if len(call.args) > 3 else [""]
            else:
                texts = meanings(arguments.get("text", arguments.get("message")), around)
                hints = [
                    "" if hint == "..." else hint for hint in meanings(arguments.get("hint"), around)
                ] or [""]
            for text in texts:
                if re.search("[a-z]", text):
                    found.setdefault(Message(str(STATUS[name]), text, " / ".join(dict.fromkeys(hints))))
        for _, call in calls(around, "refuse_missing"):
            hints = meanings(call.args[2], around)
            found.setdefault(Message("3", "NAME is missing", " / ".join(hints)))
        for name, call in calls(around, "Note", *handed_on(tree)):
            code = WORDS.get(getattr(call.args[0], "id", ""), shown(call.args[0]))
            if re.fullmatch("[a-z-]+", code):
                text = call.args[1] if name == "Note" else call.args[-1]
                for each in meanings(text, around):
                    found.setdefault(Message(code, each))
    return list(found)


def cell(text: str) -> str:
    """Return text for one cell of a table in Markdown."""
    plain = re.sub(r"([|<>*_\[\]`$\\])", r"\\\1", " ".join(text.split()))
    return re.sub(r"docs: ([\w-]+\.md)(#[\w-]+)", r"docs: [\1](\1\2)", plain)


def made() -> str:
    """Return the page."""
    lines = [HEAD]
    for title, places in PARTS.items():
        paths = sorted(path for path in SOURCE.rglob("*.py") if path.relative_to(SOURCE).parts[0] in places)
        found = list(dict.fromkeys(m for path in paths for m in messages(parsed(path))))
        errors = sorted((m for m in found if m.kind.isdigit()), key=lambda m: m.text.lower())
        notes = sorted((m for m in found if not m.kind.isdigit()), key=lambda m: (m.kind, m.text))
        if errors or notes:
            lines.append(f"## {title}\n")
        if errors:
            lines.append("| error | what to do | status |\n| --- | --- | --- |")
            lines += [f"| {cell(m.text)} | {cell(m.hint)} | {m.kind} |" for m in errors]
            lines.append("")
        if notes:
            lines.append("| note | code |\n| --- | --- |")
            for m in notes:
                more = f"; more: {MORE[m.kind]}" if m.kind in MORE else ""
                lines.append(f"| {cell(m.text)}{more} | `{m.kind}` |")
            lines.append("")
    return "\n".join(lines).rstrip() + "\n"


if __name__ == "__main__":
    (ROOT / "docs" / "errors.md").write_text(made(), encoding="utf-8")
