"""Turns kiln logs, hand readings and what was typed into one row for each firing."""

from charscreen.files import write_csv
from charscreen.findings import JOB_COLUMNS
from charscreen.firing_log.firings import summarise_firings
from charscreen.job import job
from charscreen.provenance import ReadWhole
from charscreen.rows_csv import write_rows_csv

with job(snakemake.log[0]):
    params = snakemake.params
    read = ReadWhole(snakemake.input.logs)
    firings, findings = summarise_firings(
        params.firings,
        params.readings,
        params.planned,
        logs="config/traces",
        column_maps=params.column_maps,
        limits=params.limits,
    )
    logs = read.digests()
    write_csv(firings, snakemake.output.firings)
    rows = [finding.as_row() for finding in findings]
    write_rows_csv(rows, JOB_COLUMNS, snakemake.output.findings)
    write_rows_csv(logs, ("trace", "sha256"), snakemake.output.digests)
