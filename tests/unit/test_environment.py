"""The three lists of what the project needs are one list."""

import re
import tomllib
from pathlib import Path

import yaml
from packaging.requirements import Requirement
from packaging.version import Version
from rattler import MatchSpec

ROOT = Path(__file__).resolve().parents[2]


def needs() -> dict[str, Requirement]:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())
    lines = project["project"]["dependencies"] + project["dependency-groups"]["test"]
    return {r.name: r for r in map(Requirement, lines)}


def test_environment_file_names_the_same_packages_with_the_same_bounds():
    listed = yaml.safe_load((ROOT / "environment.yml").read_text())["dependencies"]
    conda = [entry for entry in listed if isinstance(entry, str)]
    by_pip = next(entry["pip"] for entry in listed if isinstance(entry, dict))
    found = {}
    for entry in conda:
        MatchSpec(entry)  # raises where conda could not read the entry
        name, _, bound = entry.partition(" ")
        found[name] = bound
    found |= {r.name: str(r.specifier) for r in map(Requirement, by_pip)}
    assert found.pop("pip") == ""
    assert (
        found.pop("python")
        == tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["requires-python"]
    )
    assert found == {name: str(need.specifier) for name, need in needs().items()}


def test_lock_file_meets_every_need_with_hashes():
    text = (ROOT / "workflow" / "envs" / "requirements.txt").read_text()
    locked: dict[str, list[str]] = {}
    for block in re.split(r"\n(?=\S)", text):
        pinned = re.match(r"([a-z0-9._-]+)==([^\s;\\]+)", block)
        if pinned:
            assert "--hash=sha256:" in block, f"{pinned[1]} has no hash"
            locked.setdefault(pinned[1], []).append(pinned[2])
    for name, need in needs().items():
        assert locked.get(name), f"{name} is not locked"
        assert all(need.specifier.contains(Version(version)) for version in locked[name])
