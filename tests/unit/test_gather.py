"""Findings of the check and of the jobs in one list."""

import pytest
from charscreen.files import write_csv
from charscreen.findings import JOB_COLUMNS, LEAVES_OUT, QUESTIONS, Finding
from charscreen.gather import gather_findings
from pandas import DataFrame

CHECKED = Finding("masses", 5, "koh_g", "10", QUESTIONS, "Odd ratio.", "oily")


def of_a_job(severity, column, message, accepted=""):
    return Finding("cells", None, column, "1", severity, message, accepted, id="C1").as_row()


@pytest.fixture
def gathered(tmp_path):
    """Function from the findings of a job and the accepted reasons to the two tables."""

    def of(rows, accepted):
        write_csv(DataFrame(rows, columns=list(JOB_COLUMNS)), tmp_path / "f.csv")
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
    assert findings["severity"].tolist() == [LEAVES_OUT, QUESTIONS, QUESTIONS]
    assert findings["row"].tolist() == [7, 7, 5]
    assert findings["accepted"].tolist() == ["", "", "oily"]
    assert left_out.to_dict("records") == [
        {"table": "cells", "row": 7, "id": "C1", "reason": "Its run is absent."}
    ]


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
    said = {row["column"]: row["accepted"] for row in findings.to_dict("records")}
    assert (said["area_cm2"], said["electrode_1_mg"]) == (area, mass)
