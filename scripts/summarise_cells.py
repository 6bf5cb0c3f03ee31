"""Turns the test results of each cell into farads per gram, area and ohms."""

from charscreen.capacitance.cells import summarise_cells
from charscreen.files import read_csv, write_csv
from charscreen.findings import JOB_COLUMNS
from charscreen.job import job, tell
from charscreen.rows_csv import write_rows_csv

with job(snakemake.log[0]):
    params = snakemake.params
    cells, findings = summarise_cells(
        read_csv(snakemake.input.results),
        params.cells,
        params.design,
        electrode_balance=params.electrode_balance,
        limits=params.limits,
        method_order=params.method_order,
    )
    write_csv(cells, snakemake.output.cells)
    if not params.cells:
        tell("No farads per gram yet: cells.csv has no rows that count.")
    elif cells.empty:
        tell("No farads per gram yet: no test of a cell gave a result.")
    rows = [finding.as_row() for finding in findings]
    write_rows_csv(rows, JOB_COLUMNS, snakemake.output.findings)
