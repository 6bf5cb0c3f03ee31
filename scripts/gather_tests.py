"""Puts the test results of all batches into one table, and their cycles into another."""

from charscreen.capacitance.cycle_table import gather_cycles
from charscreen.capacitance.result_columns import TEST_RESULT_COLUMNS
from charscreen.gather import gather_tests
from charscreen.job import job, tell
from charscreen.rows_csv import write_rows_csv

with job(snakemake.log[0]):
    rows = gather_tests(snakemake.input.results)
    write_rows_csv(rows, TEST_RESULT_COLUMNS, snakemake.output.results)
    gather_cycles(snakemake.input.cycles, snakemake.output.cycles)
    if not snakemake.input.results:
        tell("No test results yet: tests.csv has no rows that count.")
    elif not rows:
        tell("No test results yet: none of the tests could be evaluated; check says why.")
