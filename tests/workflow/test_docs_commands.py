"""Every command of README.md and docs/ is run, document by document, as it stands there.

A block opened by ```sh is run; one opened by ```sh not-run: <reason> is not, and is listed here.
"""

import os
import re
import shutil
import subprocess
from pathlib import Path

import pytest
import yaml
from charscreen.cautions import all_cautions
from charscreen.screen.config import load_config

ROOT = Path(__file__).resolve().parents[2]
DOCUMENTS = ["README.md", *sorted(f"docs/{path.name}" for path in (ROOT / "docs").glob("*.md"))]
#: Blocks that are not run, by document, each with its first command.
NOT_RUN = {
    ("README.md", "sh scripts/with_env.sh pytest"),
    ("docs/cluster.md", "sh scripts/with_env.sh uv pip install --group cluster"),
}
FENCE = re.compile(r"^```sh([^\n]*)\n(.*?)^```$", re.M | re.S)


def blocks(document: str) -> list[tuple[str, str]]:
    """What stands behind ```sh, and the commands, block by block."""
    text = (ROOT / document).read_text(encoding="utf-8")
    return [(mark.strip(), commands) for mark, commands in FENCE.findall(text)]


def first(commands: str) -> str:
    """The first line of a block, without its comment."""
    return commands.splitlines()[0].partition(" #")[0].strip()


@pytest.fixture(scope="module")
def clone(tmp_path_factory) -> Path:
    """A copy of the project as a clone would have it; what documents compute there stays."""
    folder = tmp_path_factory.mktemp("clone") / "charscreen"
    ignore = shutil.ignore_patterns(
        *(".git", ".venv", ".snakemake", ".*_cache", "results", "results_demo", "tests"),
        *("__pycache__", "my_screen", "side_by_side"),
    )
    shutil.copytree(ROOT, folder, ignore=ignore)
    environment = Path(os.environ.get("VIRTUAL_ENV", ROOT / ".venv"))
    if not (environment / "lock-installed.txt").exists():
        pytest.skip("the project's own environment is not set up (scripts/with_env.sh does it)")
    (folder / ".venv").symlink_to(environment)
    return folder


# These run the demo or a whole screen for a minute and more.
LONG = ("README.md", "docs/how_do_i.md", "docs/tutorial.md")


@pytest.mark.parametrize(
    "document",
    [pytest.param(name, marks=[pytest.mark.slow] * (name in LONG)) for name in DOCUMENTS],
)
def test_commands_run(document, clone):
    for name in ("my_screen", "side_by_side"):
        shutil.rmtree(clone / name, ignore_errors=True)
    kept = {"SNAKEMAKE_PROFILE", "PYTHONPATH"}
    environment = {name: value for name, value in os.environ.items() if name not in kept}
    printed = ""
    for mark, commands in blocks(document):
        if mark or (document, first(commands)) in NOT_RUN:
            continue
        done = subprocess.run(
            ["sh", "-e", "-c", commands],
            cwd=clone,
            env=environment,
            capture_output=True,
            text=True,
            timeout=900,
        )
        printed += done.stdout + done.stderr
        assert done.returncode == 0, f"{document}:\n{commands}\n{done.stdout}{done.stderr}"[-6000:]
    text = (ROOT / document).read_text(encoding="utf-8")
    # What a document quotes as printed (in italics, with a figure in it) is printed.
    prose = FENCE.sub("", text).replace("**", "")
    quotes = (
        re.findall(r"(?<![*\w])\*([A-Z0-9][^*]*\d[^*]*[.])\*", prose) if "docs/" in document else []
    )
    for quote in quotes:
        assert " ".join(quote.split()) in " ".join(printed.split()), quote


def test_blocks_that_are_not_run_are_these():
    found = set()
    for document in DOCUMENTS:
        for mark, commands in blocks(document):
            if mark:
                assert re.fullmatch(r"not-run: \S.+", mark), f"{document}: give the reason: {mark}"
                found.add((document, first(commands)))
    assert found == {known for known in NOT_RUN if known[0] in DOCUMENTS}


def test_readme_holds_every_caution():
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    part = text.split("## Cautions", 1)[1].split("\n## ", 1)[0]
    entries = re.findall(r"^- \*\*(.+?)\*\*", part, re.M)
    assert sorted(entry.rstrip(".") for entry in entries) == sorted(
        caution.title for caution in all_cautions()
    )


@pytest.mark.parametrize("document", DOCUMENTS)
def test_settings_shown_are_accepted(document, tmp_path):
    """Each ```yaml block, laid over the settings of the demo, raises nothing."""
    text = (ROOT / document).read_text(encoding="utf-8")
    demo = (ROOT / "config" / "config.yaml").read_text(encoding="utf-8")
    for shown in re.findall(r"^```yaml\n(.*?)^```$", text, re.M | re.S):
        path = tmp_path / "config.yaml"
        path.write_text(
            yaml.safe_dump(yaml.safe_load(demo) | yaml.safe_load(shown), allow_unicode=True),
            encoding="utf-8",
        )
        assert load_config(path)[1] == []
