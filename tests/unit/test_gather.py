"""Results of batches in one table: order, rows mapped, nothing doubled."""

import pytest
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


CHECKED = Finding("masses", 5, "koh_g", "10", QUESTIONS, "Odd ratio.", "oily")


def of_a_job(severity, column, message, accepted=""):
    return Finding("cells", None, column, "1", severity, message, accepted, id="C1").as_row()


@pytest.fixture
def gathered(tmp_path):
    """Function from the findings of a job and the accepted reasons to the two tables."""

    def of(rows, accepted):
        write_rows_csv(rows, JOB_COLUMNS, tmp_path / "f.csv")
        return gather_findings(
            [CHECKED.as_row()],
            [str(tmp_path / "f.csv")],
            left_out=[],
            accepted=accepted,
            rows_of={"cells": {"C1": 7}},
        )

    return of


def test_rows_are_found_by_id_and_the_worst_comes_first(gathered):
    rows = [
        of_a_job(QUESTIONS, "area_cm2", "Thin."),
        of_a_job(LEAVES_OUT, "run", "Its run is absent."),
    ]
    findings, left_out = gathered(rows, {})
    assert [f["severity"] for f in findings] == [LEAVES_OUT, QUESTIONS, QUESTIONS]
    assert [f["row"] for f in findings] == [7, 7, 5]
    assert [f["accepted"] for f in findings] == ["", "", "oily"]
    assert left_out == [{"table": "cells", "row": 7, "id": "C1", "reason": "Its run is absent."}]


@pytest.mark.parametrize(
    ("reason", "area", "mass"),
    [
        ("weighed twice", "weighed twice", "weighed twice"),
        ("area_cm2: cut small on purpose", "cut small on purpose", ""),
        ("area_cm2: cut small; electrode_1_mg: fine balance", "cut small", "fine balance"),
        ("", "", ""),
    ],
)
def test_a_reason_holds_for_the_columns_it_names(gathered, reason, area, mass):
    rows = [
        of_a_job(QUESTIONS, "area_cm2", "Thin.", reason),
        of_a_job(QUESTIONS, "electrode_1_mg", "Unsure.", reason),
    ]
    findings, _ = gathered(rows, {("cells", 7): reason})
    said = {row["column"]: row["accepted"] for row in findings}
    assert (said["area_cm2"], said["electrode_1_mg"]) == (area, mass)
