"""Write docs/record.md: the record that ``--json`` prints, from the schema that comes with the package.

Run it from anywhere: ``python docs/pages/record.py``; tests/test_pages.py compares.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parent.parent.parent
SCHEMA = json.loads((ROOT / "src" / "poleward" / "data" / "record.schema.json").read_text("utf-8"))
HEAD = """# The record

`--json` prints it, `--output FILE.json` writes it, `to_record()` returns it in Python. Units stand in the names. What is
not determined is `null`, never a number. The schema is `src/poleward/data/record.schema.json` (JSON Schema 2020-12), and this page is
made from it by `docs/pages/record.py`. Tests hold the commands' records against it. A name in *slanted* letters
may be left out.
"""
FROM = {
    "solution": "`solve`, `log` and `demo`",
    "check": "`check`",
    "plan": "`plan`",
    "camera": "`camera`",
    "rounds": "`rounds`",
}


def what(rule: dict[str, Any]) -> str:
    """Return in words what may stand there."""
    if "$ref" in rule:
        name = rule["$ref"].split("/")[-1]
        return {"number": "number or null", "interval": "[low, high] or null"}.get(
            name, what(SCHEMA["$defs"][name])
        )
    if "const" in rule:
        return f"`{json.dumps(rule['const'])}`"
    if "enum" in rule:
        return ", ".join(f"`{json.dumps(each)}`" for each in rule["enum"])
    if "oneOf" in rule or "anyOf" in rule:
        return " or ".join(what(each) for each in rule.get("oneOf", rule.get("anyOf")))
    kind = rule.get("type", "anything")
    names = [kind] if isinstance(kind, str) else list(kind)
    if "array" in names:
        names[names.index("array")] = f"list of {what(rule.get('items', {}))}"
    return " or ".join("text" if name == "string" else name for name in names)


def rows(rule: dict[str, Any], told: dict[str, str], before: str = "") -> Iterator[str]:
    """Yield a line of the table for each name, and below it those within; what was told stands there once."""
    if "$ref" in rule:
        name = rule["$ref"].split("/")[-1]
        rule = SCHEMA["$defs"][name]
        if "properties" in rule and name in told and told[name] != before:
            yield f"| `{before}*` | as in `{told[name]}*` | |"
            return
        told[name] = before
    for each in [*rule.get("oneOf", []), *rule.get("anyOf", [])]:
        yield from rows(each, told, before)
    if "items" in rule:
        yield from rows(rule["items"], told, before)
    for name, below in rule.get("properties", {}).items():
        path = f"{before}{name}"
        needed = name in rule.get("required", [])
        said = below.get("description", "")
        yield f"| {f'`{path}`' if needed else f'*{path}*'} | {what(below)} | {said} |"
        within = SCHEMA["$defs"][below["$ref"].split("/")[-1]] if "$ref" in below else below
        many = "array" in str(within.get("type"))
        yield from rows(below, told, f"{path}[]." if many else f"{path}.")


def made() -> str:
    """Return the page."""
    lines = [HEAD]
    for each in SCHEMA["oneOf"]:
        name = each["$ref"].split("/")[-1]
        lines.append(
            f"## {name}\n\nFrom {FROM.get(name, f'`{name}`')}.\n\n| name | holds | |\n| --- | --- | --- |"
        )
        lines += [*rows(SCHEMA["$defs"][name], {}), ""]
    return "\n".join(lines).rstrip() + "\n"


if __name__ == "__main__":
    (ROOT / "docs" / "record.md").write_text(made(), encoding="utf-8")
