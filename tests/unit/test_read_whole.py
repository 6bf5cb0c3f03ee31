"""What is told of the files a result was made from: what was read, not what stands there now."""

import hashlib
import os

import pytest
from charscreen import graph
from charscreen.findings import UserError
from charscreen.provenance import ReadWhole


def test_digests_are_those_of_the_content(tmp_path):
    path = tmp_path / "T1.csv"
    path.write_bytes(b"time_s\n")
    read = ReadWhole([path])
    assert read.digests() == [
        {"trace": str(path), "sha256": hashlib.sha256(b"time_s\n").hexdigest()}
    ]


def test_a_file_that_changes_while_it_is_read_stops_the_step(tmp_path):
    path, other = tmp_path / "T1.csv", tmp_path / "T2.csv"
    for one in (path, other):
        one.write_bytes(b"time_s\n")
    read = ReadWhole([path, other])
    path.write_bytes(b"time_s\n0\n")
    with pytest.raises(UserError, match=r"1 problem with files that changed") as caught:
        read.digests()
    assert "T1.csv: wait until it is whole" in str(caught.value)
    assert "T2.csv" not in str(caught.value)


@pytest.mark.parametrize("place", [0, 70_000, 299_999])
def test_fingerprint_sees_other_ends_and_other_sizes_whatever_the_time(tmp_path, place):
    data = bytearray(b"1" * 300_000)
    prints = []
    for name, change in (("a", None), ("b", place), ("c", "longer"), ("d", None)):
        copy = bytearray(data)
        if change == "longer":
            copy += b"1"
        elif change is not None:
            copy[change] = ord("2")
        (tmp_path / name).write_bytes(copy)
        os.utime(tmp_path / name, (0, 0))
        prints += graph.fingerprints([str(tmp_path / name)])
    a, b, c, d = prints
    assert a == d  # the same content, another file
    assert a != c
    # The middle of a file over 128 KiB is not looked at: there the file's time decides.
    assert (a == b) == (place == 70_000)


def test_fingerprint_covers_a_small_file_whole_and_an_absent_one_is_empty(tmp_path):
    prints = []
    for name, middle in (("a", b"1"), ("b", b"2")):
        path = tmp_path / name
        path.write_bytes(b"0" * 65_000 + middle + b"0" * 65_000)
        prints += graph.fingerprints([str(path)])
    assert prints[0] != prints[1]
    assert graph.fingerprints([str(tmp_path / "none")]) == [""]
