"""The guide to config/ and the settings of a new screen, both written from the schemas."""

import re
import textwrap
from pathlib import Path

import yaml

from charscreen.screen.parsing import plain_number
from charscreen.screen.schemas import (
    Column,
    TableSchema,
    config_schema,
    quality_keys,
    table_schemas,
)

TEMPLATES = Path(__file__).resolve().parents[3] / "workflow" / "templates"
_KINDS = {
    "id": "name",
    "text": "text",
    "number": "number",
    "integer": "whole number",
    "date": "date",
    "file": "file in `config/traces/`",
}
_JSON_KINDS = {
    "string": "text",
    "number": "number",
    "integer": "whole number",
    "boolean": "`true` or `false`",
    "array": "list",
    "object": "group",
    "null": "empty",
}


def render_guide() -> str:
    """The text of config/README.md: fixed words, then every key and every column.

    Returns
    -------
    str
        Markdown; a test compares it with the file.
    """
    text = (TEMPLATES / "config_README.md").read_text(encoding="utf-8")
    settings = _key_table(config_schema(), "")
    tables = "\n".join(_column_table(schema) for schema in table_schemas().values())
    for name, part in (("settings", settings), ("quality", _quality_table()), ("tables", tables)):
        text = text.replace(f"<!-- {name} -->\n", part)
    return text


def _key_table(schema: dict, prefix: str) -> str:
    head = "| key | kind | unit | default | meaning |\n|---|---|---|---|---|\n"
    return head + "".join(f"| {' | '.join(row)} |\n" for row in _key_rows(schema, prefix))


def _quality_table() -> str:
    """A row for every key of a plan's quality.json."""
    rows = [
        f"| `{key}` | {about.get('unit', '')} | {_cell(about['meaning'])} |\n"
        for key, about in quality_keys().items()
    ]
    return "| key | unit | meaning |\n|---|---|---|\n" + "".join(rows)


def _key_rows(schema: dict, prefix: str) -> list[tuple[str, ...]]:
    """A row per key, groups before what they hold."""
    rows = []
    for key, inner in schema.get("properties", {}).items():
        name = f"{prefix}{key}"
        default = _default_text(key, inner, schema)
        meaning = f"{inner['description']}{_allowed(inner)}"
        rows.append((f"`{name}`", _kind(inner), inner.get("unit", ""), default, _cell(meaning)))
        rows += _key_rows(inner, f"{name}.")
        others = inner.get("additionalProperties")
        if isinstance(others, dict):
            rows += _key_rows(others, f"{name}.*{inner['x-item']}*.")
    return [(row[0].replace(".*", ".<").replace("*.", ">."), *row[1:]) for row in rows]


def _kind(schema: dict) -> str:
    if "enum" in schema:
        return "choice"
    if "x-kind" in schema:
        return schema["x-kind"]
    if "anyOf" in schema:
        return "`all` or list"
    types = schema["type"] if isinstance(schema["type"], list) else [schema["type"]]
    kind = " or ".join(_JSON_KINDS[name] for name in types)
    if types == ["array"]:
        inner = schema["items"]
        kind += " of choices" if "enum" in inner else f" of {_JSON_KINDS[inner['type']]}s"
    return kind


def _default_text(key: str, schema: dict, above: dict) -> str:
    if key in above.get("required", []):
        return "**required**"
    default = schema.get("default")
    if "x-default" in schema:
        return schema["x-default"]
    if schema.get("type") == "object" or "default" not in schema:
        return ""
    if default is None or default == "":
        return "empty"
    return f"`{default if isinstance(default, str) else _flow(default)}`"


def _allowed(schema: dict) -> str:
    """Choices or limits of a key, as a sentence."""
    inner = schema.get("items", schema)
    if "x-kind" in schema:
        inner = schema["anyOf"][0]
    if "enum" in inner:
        return f" One of: {', '.join(f'`{choice}`' for choice in inner['enum'])}."
    parts = []
    if "exclusiveMinimum" in inner:
        parts.append(f"above {plain_number(inner['exclusiveMinimum'])}")
    if "minimum" in inner and inner.get("type") != ["string", "integer"]:
        parts.append(f"{plain_number(inner['minimum'])} or more")
    if "maximum" in inner:
        parts.append(f"{plain_number(inner['maximum'])} at most")
    if not parts:
        return ""
    text = ", ".join(parts)
    return f" {text[0].upper()}{text[1:]}."


def _column_table(schema: TableSchema) -> str:
    title = f"### `{schema.name}`: one row per {schema.one_row_per}\n\n"
    head = "| column | kind | unit | limits | meaning |\n|---|---|---|---|---|\n"
    rows = []
    for column in schema.columns.values():
        if column.net:
            continue
        rows.append(_column_row(column))
        if column.instead:
            names = ", ".join(f"`{name}`" for name in column.instead)
            words = f"The two weighings in place of `{column.name}`; their difference counts."
            rows.append((names, "number", column.unit, "0 or more", words))
    body = "".join(f"| {' | '.join(row)} |\n" for row in rows)
    return f"{title}{_wrap(schema.description)}\n\n{head}{body}"


def _column_row(column: Column) -> tuple[str, ...]:
    kind = _KINDS.get(column.type) or ", ".join(f"`{choice}`" for choice in column.choices)
    name = f"`{column.name}`" + (" **r**" if column.required else "")
    meaning = column.description
    if column.refers_to:
        table, key = column.refers_to.split(".")
        meaning += f" Must stand under `{key}` in `{table}`."
    if column.example:
        meaning += f" For example `{column.example}`."
    if not column.used:
        meaning += " *Read and kept; not used in this version.*"
    return name, kind, column.unit, _limits(column), _cell(meaning)


def _limits(column: Column) -> str:
    parts = []
    if column.minimum is not None:
        parts.append(f"{plain_number(column.minimum)} or more")
    if column.above is not None:
        parts.append(f"above {plain_number(column.above)}")
    if column.below is not None:
        parts.append(f"below {plain_number(column.below)}")
    if column.maximum is not None:
        parts.append(f"{plain_number(column.maximum)} at most")
    text = ", ".join(parts)
    if column.plausible:
        low, high = map(plain_number, column.plausible)
        text += f"{'; ' if text else ''}questioned outside {low} to {high}"
    return text


def _cell(text: str) -> str:
    return " ".join(text.split()).replace("|", "\\|")


def _wrap(text: str) -> str:
    return textwrap.fill(text, 100, break_long_words=False, break_on_hyphens=False)


def _flow(value: object) -> str:
    """A value as YAML on one line."""
    text = yaml.safe_dump(value, default_flow_style=True, allow_unicode=True, width=10_000)
    return text.removesuffix("\n").removesuffix("\n...")


def render_new_config(title: str) -> str:
    """The config.yaml a new screen starts with: every key, each with a comment.

    Parameters
    ----------
    title : str
        Title of the screen.

    Returns
    -------
    str
        YAML that passes the schema.
    """
    lines = [
        "# Settings of this screen. Every key is explained above it; a key that is deleted takes",
        "# its default. After a change: snakemake check (see README.md beside this folder).",
        "",
    ]
    schema = config_schema()
    schema = schema | {
        "properties": schema["properties"]
        | {"title": schema["properties"]["title"] | {"x-new": title}}
    }
    for key, inner in schema["properties"].items():
        lines += _new_lines(key, inner, 0)
        if inner.get("type") == "object":
            lines.append("")
    return re.sub(r"\n{3,}", "\n\n", "\n".join(lines)).rstrip("\n") + "\n"


def _new_lines(key: str, schema: dict, depth: int) -> list[str]:
    indent = "  " * depth
    lines = _comment(_about(schema), depth)
    others = schema.get("additionalProperties")
    if isinstance(others, dict):
        for inner_key, inner in others["properties"].items():
            lines += _comment(f"{inner_key}{_unit(inner)}: {_about(inner)}", depth, hang=4)
        block = yaml.safe_dump({key: schema["x-new"]}, sort_keys=False, default_flow_style=None)
        return lines + textwrap.indent(block.rstrip("\n"), indent).split("\n")
    if schema.get("type") == "object":
        lines.append(f"{indent}{key}:")
        for inner_key, inner in schema["properties"].items():
            lines += _new_lines(inner_key, inner, depth + 1)
        return lines
    value = schema["x-new"] if "x-new" in schema else schema["default"]
    lines.append(f"{indent}{key}: {_flow(value)}")
    return lines


def _about(schema: dict) -> str:
    text = _cell(f"{schema['description']}{_allowed(schema)}")
    return re.sub(r"`([\w.]{2,})`", r"\1", text).replace("`", '"')


def _unit(schema: dict) -> str:
    return f" [{schema['unit']}]" if schema.get("unit") else ""


def _comment(text: str, depth: int, hang: int = 2) -> list[str]:
    indent = "  " * depth
    return textwrap.wrap(
        text,
        98,
        initial_indent=f"{indent}# ",
        subsequent_indent=f"{indent}#{' ' * (hang - 1)}",
        break_long_words=False,
        break_on_hyphens=False,
    )


def render_header(schema: TableSchema) -> str:
    """The header line of an empty table file, all columns."""
    return ",".join(schema.columns) + "\n"
