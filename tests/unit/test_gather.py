"""Results of batches in one table: order, rows mapped, nothing doubled."""

from charscreen.findings import JOB_COLUMNS, LEAVES_OUT, QUESTIONS, STOPS, Finding
from charscreen.gather import gather_findings, gather_tests, typed
from charscreen.rows_csv import write_rows_csv


def test_tests_of_all_batches_sorted_and_untouched(tmp_path):
    for name, rows in {
        "a": [{"test": "T2", "esr_ohm": 1.25}, {"test": "10", "esr_ohm": None}],
        "b": [],
        "c": [{"test": "T1", "esr_ohm": 0.1}],
    }.items():
        write_rows_csv(rows, ("test", "esr_ohm"), tmp_path / name)
    assert gather_tests([tmp_path / name for name in "abc"]) == [
        {"test": "10", "esr_ohm": ""},
        {"test": "T1", "esr_ohm": "0.1"},
        {"test": "T2", "esr_ohm": "1.25"},
    ]
    assert gather_tests([]) == []


def test_numbers_and_texts_of_a_table_read_as_text():
    rows = [{"test": "10", "esr_ohm": "1.25", "quality": ""}]
    assert typed(rows, {"test", "quality"}) == [{"test": "10", "esr_ohm": 1.25, "quality": None}]


def test_findings_get_their_rows_and_the_users_answer(tmp_path):
    jobs = [
        Finding("tests", None, "trace", "x.csv", LEAVES_OUT, "is empty.", id="T7"),
        Finding("tests", None, "current_mA", "5000", QUESTIONS, "unusual.", id="T3"),
        Finding("tests", None, "trace", "y.csv", QUESTIONS, "noisy.", id="T9"),
    ]
    path = tmp_path / "findings.csv"
    write_rows_csv([finding.as_row() for finding in jobs], JOB_COLUMNS, path)
    table = [Finding("masses", 4, "char_g", "9", STOPS, "odd.").as_row()]
    before = [{"table": "cells", "row": 3, "id": "C2", "reason": "no mass."}]
    findings, left_out = gather_findings(
        table,
        [path, path],
        left_out=before,
        accepted={("tests", 5): "a large cell"},
        rows_of={"tests": {"T7": 12, "T3": 5}},
    )
    assert [(f["table"], f["row"], f["accepted"]) for f in findings] == [
        ("masses", 4, ""),
        ("tests", 12, ""), ("tests", 12, ""),
        ("tests", "", ""), ("tests", "", ""),
        ("tests", 5, "a large cell"), ("tests", 5, "a large cell"),
    ]  # fmt: skip
    # Left out twice for one reason is left out once.
    assert left_out == [
        *before,
        {"table": "tests", "row": 12, "id": "T7", "reason": "is empty."},
    ]
