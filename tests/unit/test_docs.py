"""What the guides name is there."""

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
GUIDES = (
    *("README.md", "DEVELOPERS.md", "config/README.md"),
    *sorted(f"docs/{path.name}" for path in (ROOT / "docs").glob("*.md")),
)


@pytest.mark.parametrize("guide", GUIDES)
def test_links_and_scripts_exist(guide):
    text = (ROOT / guide).read_text(encoding="utf-8")
    links = re.findall(r"\]\(([^)#]+)\)", text)
    scripts = re.findall(r"\b(scripts/[\w/]+\.(?:py|sh))\b", text)
    traces = re.findall(r"\b(config/traces/[\w.]+)", text)
    base = (ROOT / guide).parent
    missing = [link for link in links if not (base / link).exists()]
    missing += [name for name in [*scripts, *traces] if not (ROOT / name).exists()]
    assert missing == []


def test_targets_of_the_readme_are_rules():
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    table = text.split("| target |", 1)[1].split("\n\n", 1)[0]
    targets = set(re.findall(r"^\| `(\w+)` \|", table, re.M))
    rules = set()
    for file in [ROOT / "Snakefile", *(ROOT / "workflow" / "rules").glob("*.smk")]:
        rules |= set(re.findall(r"^rule (\w+):", file.read_text(encoding="utf-8"), re.M))
    assert targets <= rules
    assert targets == {"plan", "check", "collect", "fit", "rank", "next", "report", "all"}
