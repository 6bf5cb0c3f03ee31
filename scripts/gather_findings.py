"""Puts all findings, from tables to kiln logs, into one list, with what they leave out."""

from charscreen.files import write_csv
from charscreen.gather import gather_findings
from charscreen.job import job

with job(snakemake.log[0]):
    params = snakemake.params
    findings, left_out = gather_findings(
        params.findings,
        [*snakemake.input.tests, snakemake.input.cells, snakemake.input.firings],
        left_out=params.left_out,
        accepted={(table, row): reason for table, row, reason in params.accepted},
        rows_of=params.rows_of,
    )
    write_csv(findings, snakemake.output.findings)
    write_csv(left_out, snakemake.output.left_out)
