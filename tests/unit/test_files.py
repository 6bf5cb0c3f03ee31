"""Result files: written whole or not at all, read back as they were."""

import os
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from charscreen.files import (
    read_csv,
    read_json,
    to_frame,
    write_bytes,
    write_csv,
    write_folder,
    write_json,
)


def test_table_comes_back_as_it_was(tmp_path):
    frame = pd.DataFrame(
        {"run": ["R1", "NA"], "char_g": [1.25, np.nan], "note": [None, "none"], "n": [1, 2]}
    )
    write_csv(frame, tmp_path / "t.csv")
    back = read_csv(tmp_path / "t.csv")
    assert (tmp_path / "t.csv").read_text() == "run,char_g,note,n\nR1,1.25,,1\nNA,,none,2\n"
    assert back["run"].tolist() == ["R1", "NA"]
    assert back["note"].tolist() == [None, "none"]
    assert np.isnan(back["char_g"][1])


def test_empty_table_keeps_its_columns(tmp_path):
    write_csv(pd.DataFrame(columns=["a", "b"]), tmp_path / "t.csv")
    back = read_csv(tmp_path / "t.csv")
    assert list(back.columns) == ["a", "b"]
    assert len(back) == 0


def test_rows_to_frame_types():
    frame = to_frame([{"run": "R1", "g": None}, {"run": None, "g": 2}])
    assert frame["g"].dtype == np.float64
    assert frame["run"].tolist() == ["R1", None]
    assert list(to_frame([], ["x"]).columns) == ["x"]


def test_failed_write_keeps_the_old_file(tmp_path, monkeypatch):
    path = tmp_path / "kept.txt"
    path.write_bytes(b"old")

    def refuse(*_):
        raise OSError("disk full")

    monkeypatch.setattr(os, "replace", refuse)
    with pytest.raises(OSError, match="disk full"):
        write_bytes(path, b"new")
    assert path.read_bytes() == b"old"
    assert [p.name for p in Path(tmp_path).iterdir()] == ["kept.txt"]


def test_json_refuses_nan(tmp_path):
    write_json({"a": [1, None, "ä"]}, tmp_path / "x.json")
    assert read_json(tmp_path / "x.json") == {"a": [1, None, "ä"]}
    with pytest.raises(ValueError, match="JSON compliant"):
        write_json({"a": float("nan")}, tmp_path / "y.json")
    assert not (tmp_path / "y.json").exists()


def test_folder_replaces_the_old_one_whole(tmp_path):
    write_folder(tmp_path / "sheets", {"F01.html": "old", "F02.html": "old"})
    write_folder(tmp_path / "sheets", {"F01.html": "new"})
    assert {p.name: p.read_text() for p in (tmp_path / "sheets").iterdir()} == {"F01.html": "new"}
    assert [p.name for p in tmp_path.iterdir()] == ["sheets"]


def test_failed_folder_keeps_the_old_one_and_names_it(tmp_path, monkeypatch):
    write_folder(tmp_path / "sheets", {"F01.html": "old"})
    real = os.replace

    def refuse(source, target):
        if Path(target).name == "F02.html":
            raise OSError(28, "No space left on device")
        real(source, target)

    monkeypatch.setattr(os, "replace", refuse)
    with pytest.raises(OSError, match="No space left") as caught:
        write_folder(tmp_path / "sheets", {"F01.html": "new", "F02.html": "new"})
    assert caught.value.filename == str(tmp_path / "sheets")
    assert (tmp_path / "sheets" / "F01.html").read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["sheets"]
