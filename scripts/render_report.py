"""Writes the report and, apart from it, when and from which commit it was made."""

from pathlib import Path

from charscreen.files import read_csv, read_json, write_json, write_text
from charscreen.job import job
from charscreen.provenance import provenance, run_record
from charscreen.rank.changes import changes_since
from charscreen.report.page import render_report
from charscreen.result_set import read_comparison, read_figures, read_models, read_next, read_sheets

TABLES = ("ranking", "yields", "firings", "cells", "test_results", "findings", "left_out")

with job(snakemake.log[0]):
    given, params = snakemake.input, snakemake.params
    digests = [row for path in given.digests for row in read_csv(path).itertuples()]
    inputs = {name: read_csv(given[name]) for name in TABLES} | {
        "rank_summary": read_json(given.summary),
        "models": read_models(given),
        "comparison": read_comparison(given),
        "next": read_next(given),
        **params.told,
        "provenance": provenance(
            params.config_digests,
            {row.trace: row.sha256 for row in digests},
            given.code,
            seed=params.config["seed"],
        ),
    }
    inputs["changes"] = changes_since(given.snapshot, inputs, inputs["provenance"]["inputs"])
    page = render_report(
        inputs,
        config=params.config,
        figures=read_figures(given, params.config["merits"]),
        sheets=read_sheets(given.traces),
    )
    write_text(snakemake.output.page, page)
    write_json(run_record(Path(__file__).parent), snakemake.output.run)
