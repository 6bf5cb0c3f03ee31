"""Puts all findings, from tables to kiln logs, into one list, with what they leave out."""

from charscreen.findings import COLUMNS
from charscreen.gather import LEFT_OUT_COLUMNS, gather_findings
from charscreen.job import job
from charscreen.rows_csv import write_rows_csv

with job(snakemake.log[0]):
    params = snakemake.params
    findings, left_out = gather_findings(
        params.findings,
        [*snakemake.input.tests, snakemake.input.cells, snakemake.input.firings],
        left_out=params.left_out,
        accepted={(table, row): reason for table, row, reason in params.accepted},
        rows_of=params.rows_of,
    )
    write_rows_csv(findings, COLUMNS, snakemake.output.findings)
    write_rows_csv(left_out, LEFT_OUT_COLUMNS, snakemake.output.left_out)
