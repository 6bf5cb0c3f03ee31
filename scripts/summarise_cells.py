"""Turns the test results of each cell into farads per gram, area and ohms."""

from charscreen.capacitance.cells import CELL_COLUMNS, summarise_cells
from charscreen.capacitance.result_columns import TEST_TEXT_COLUMNS
from charscreen.findings import JOB_COLUMNS
from charscreen.gather import gather_tests, typed
from charscreen.job import job, tell
from charscreen.rows_csv import write_rows_csv

with job(snakemake.log[0]):
    given, params = snakemake.input, snakemake.params
    rows, findings = summarise_cells(
        typed(gather_tests(given.results), TEST_TEXT_COLUMNS),
        params.cells,
        params.design,
        electrode_balance=params.electrode_balance,
        limits=params.limits,
        **params.settings,
    )
    write_rows_csv(rows, CELL_COLUMNS, snakemake.output.cells)
    told = [finding.as_row() for finding in findings]
    write_rows_csv(told, JOB_COLUMNS, snakemake.output.findings)
    if not params.cells:
        tell("No farads per gram yet: cells.csv has no rows that count.")
    elif not rows:
        tell("No farads per gram yet: no test of a cell gave a result.")
