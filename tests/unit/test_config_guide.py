"""config/README.md: in step with the schemas, every key and column explained."""

import re
from pathlib import Path

from charscreen.screen.config_guide import render_guide
from charscreen.screen.schemas import config_schema, quality_keys, table_schemas

ROOT = Path(__file__).resolve().parents[2]


def test_the_guide_is_in_step_with_the_schemas():
    written = (ROOT / "config" / "README.md").read_text(encoding="utf-8")
    assert written == render_guide(), (
        "config/README.md is out of step: sh scripts/with_env.sh python "
        "scripts/write_config_guide.py"
    )


def test_every_column_stands_in_the_section_of_its_table():
    sections = re.split(r"^### ", render_guide(), flags=re.MULTILINE)[1:]
    by_table = {section.split("`")[1]: section for section in sections}
    assert set(by_table) == set(table_schemas())
    for name, schema in table_schemas().items():
        for column in schema.columns.values():
            assert f"`{column.name}`" in by_table[name]
            if column.unit:
                rows = [line for line in by_table[name].splitlines() if line.startswith("| ")]
                row = next(line for line in rows if f"`{column.name}`" in line.split(" | ")[0])
                assert f"| {column.unit} |" in row
            if column.required:
                assert f"| `{column.name}` **r** |" in by_table[name]
            for choice in column.choices:
                assert f"`{choice}`" in by_table[name]


def test_every_key_stands_with_its_default():
    guide = render_guide()

    def look(schema, prefix):
        for key, inner in schema.get("properties", {}).items():
            assert f"| `{prefix}{key}` |" in guide
            look(inner, f"{prefix}{key}.")
            others = inner.get("additionalProperties")
            if isinstance(others, dict):
                look(others, f"{prefix}{key}.<{inner['x-item']}>.")

    look(config_schema(), "")
    assert "| `limits.aqueous_voltage_V` | number | V | `1.0` | Highest upper voltage" in guide
    assert "| `kiln.crucibles` | whole number |  | **required** |" in guide


def test_every_key_of_a_plans_quality_stands_with_its_meaning():
    section = render_guide().split("`quality.json`\n", 1)[1].split("\n## ", 1)[0]
    for key, about in quality_keys().items():
        assert f"| `{key}` | {about.get('unit', '')} | {about['meaning'][:30]}" in section


def test_tables_of_the_guide_have_no_ragged_rows():
    width = None
    for line in render_guide().splitlines():
        if not line.startswith("|"):
            width = None
            continue
        cells = len(re.findall(r"(?<!\\)\|", line))
        assert width in (None, cells), line
        width = cells


def test_nothing_tells_that_a_step_is_safe():
    text = render_guide() + (ROOT / "workflow" / "templates" / "screen_README.md").read_text(
        encoding="utf-8"
    )
    for match in re.finditer(r"\bsafe(ly)?\b", text):
        before = text[max(0, match.start() - 60) : match.start()]
        assert "No check can tell" in before, before
