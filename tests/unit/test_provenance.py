"""Where a report comes from: digests that hang on content alone."""

import hashlib
import subprocess
from importlib.metadata import version

from charscreen.provenance import digest_of_all, provenance, run_record


def test_same_content_same_record_whatever_the_order(tmp_path):
    code = []
    for name in ("b.py", "a.py"):
        (tmp_path / name).write_text(f"# {name}\n")
        code.append(str(tmp_path / name))
    files = {"config/tests.csv": "b" * 64, "config/cells.csv": "a" * 64}
    traces = {"T2.csv": "2" * 64, "T1.csv": "1" * 64}
    found = provenance(files, traces, code, seed=7)
    assert found == provenance(
        dict(reversed(files.items())), dict(reversed(traces.items())), code[::-1], seed=7
    )
    names = [name for name, _ in found["inputs"]]
    assert names == ["config/cells.csv", "config/tests.csv", "config/traces (2 traces)"]
    assert found["inputs"][0][1] == "a" * 12
    both = f"T1.csv {'1' * 64}\nT2.csv {'2' * 64}\n"
    assert found["inputs"][2][1] == hashlib.sha256(both.encode()).hexdigest()[:12]
    assert found["seed"] == 7
    assert found["versions"]["numpy"] == version("numpy")
    (tmp_path / "a.py").write_text("# edited\n")
    assert provenance(files, traces, code, seed=7)["code"] != found["code"]


def test_one_trace_and_none_are_worded():
    one = provenance({}, {"T1.csv": "1" * 64}, [], seed=1)
    assert [name for name, _ in one["inputs"]] == ["config/traces (1 trace)"]
    assert provenance({}, {}, [], seed=1)["inputs"] == []


def test_digests_are_told_apart_by_name():
    assert digest_of_all([("a", "1"), ("b", "2")]) == digest_of_all([("b", "2"), ("a", "1")])
    assert digest_of_all([("a", "1"), ("b", "2")]) != digest_of_all([("a", "2"), ("b", "1")])


def test_the_record_of_a_run_names_the_commit_where_there_is_one(tmp_path, monkeypatch):
    record = run_record(tmp_path)
    assert record["commit"] is None
    assert record["time"].endswith("+00:00")

    def no_answer(*args, **settings):
        raise subprocess.TimeoutExpired("git", 10)

    monkeypatch.setattr(subprocess, "run", no_answer)
    assert run_record(tmp_path)["commit"] is None
