"""Laying out an empty screen: complete, without a finding, never over anything."""

import os
import subprocess
import sys
from pathlib import Path

import pytest
from charscreen.screen import open_screen, render_check
from charscreen.screen.layout import LayoutError, lay_out_screen
from charscreen.screen.schemas import config_schema, table_schemas

ROOT = Path(__file__).resolve().parents[2]


def call(*arguments):
    """The command as a user calls it."""
    return subprocess.run(
        [sys.executable, str(ROOT / "scripts" / "new_screen.py"), *map(str, arguments)],
        capture_output=True,
        text=True,
        check=False,
    )


def test_an_empty_screen_opens_without_a_finding(tmp_path):
    folder = tmp_path / "my_screen"
    written = lay_out_screen(folder)
    assert sorted(path.relative_to(folder).as_posix() for path in written) == sorted(
        ["README.md", ".gitignore", "config/config.yaml"]
        + [f"config/{name}.csv" for name in table_schemas()]
    )
    assert (folder / "config" / "traces").is_dir()
    screen = open_screen(folder)
    assert screen.findings == []
    assert all(rows == [] for rows in screen.tables.values())
    assert screen.config["title"] == "My screen"
    assert screen.config["data_are_invented"] is False
    assert "Nothing found." in render_check(screen)
    # Electrodes of some milligrams need a balance that shows a tenth of a milligram.
    balance = screen.config["balances"][screen.config["electrode_balance"]]
    assert balance["readability_g"] <= 0.0001
    assert screen.config["balances"][screen.config["default_balance"]]["readability_g"] == 0.01


def test_every_key_and_column_is_there_and_explained(tmp_path):
    lay_out_screen(tmp_path / "s")
    text = (tmp_path / "s" / "config" / "config.yaml").read_text(encoding="utf-8")

    def look(schema):
        for key, inner in schema.get("properties", {}).items():
            assert f"{key}:" in text
            look(inner)

    look(config_schema())
    lines = text.splitlines()
    for number, line in enumerate(lines):
        if line.strip() and not line.lstrip().startswith("#") and ":" in line:
            in_map = line.startswith("    ") or line.strip() in ("plain:",) or ": {" in line
            assert in_map or lines[number - 1].lstrip().startswith("#"), line
        assert len(line) <= 100, line
    for name, schema in table_schemas().items():
        head = (tmp_path / "s" / "config" / f"{name}.csv").read_text(encoding="utf-8")
        assert head == ",".join(schema.columns) + "\n"


def test_the_command(tmp_path):
    done = call(tmp_path / "s")
    assert done.returncode == 0, done.stderr
    assert "An empty screen of 11 files" in done.stdout
    assert call("--help").returncode == 0
    assert call().returncode == 2


@pytest.mark.parametrize("name", ["README.md", ".gitignore", "config/masses.csv"])
def test_nothing_is_overwritten(tmp_path, name):
    path = tmp_path / "s" / name
    path.parent.mkdir(parents=True)
    path.write_text("mine", encoding="utf-8")
    done = call(tmp_path / "s")
    assert done.returncode == 1
    assert done.stdout == ""
    assert "Nothing was written, since this exists already:" in done.stderr
    assert str(path) in done.stderr
    assert "Traceback" not in done.stderr
    assert [p for p in (tmp_path / "s").rglob("*") if p.is_file()] == [path]
    assert path.read_text(encoding="utf-8") == "mine"


def test_a_dangling_link_or_a_file_in_the_way(tmp_path):
    (tmp_path / "file").write_text("mine", encoding="utf-8")
    with pytest.raises(LayoutError, match="exists already"):
        lay_out_screen(tmp_path / "file")
    with pytest.raises(LayoutError, match="cannot be written"):
        lay_out_screen(tmp_path / "file" / "below")
    (tmp_path / "s").mkdir()
    os.symlink(tmp_path / "nowhere", tmp_path / "s" / "README.md")
    with pytest.raises(LayoutError, match="exists already"):
        lay_out_screen(tmp_path / "s")


@pytest.mark.parametrize("name", ["with blanks & 'quotes'", "écran", "x: [y]", "#hash"])
def test_odd_folder_names(tmp_path, name):
    lay_out_screen(tmp_path / name)
    screen = open_screen(tmp_path / name)
    assert screen.config["title"] == name[0].upper() + name[1:]
