"""Puts the test results of all batches into one table."""

from charscreen.capacitance.reduce import TEST_RESULT_COLUMNS
from charscreen.files import write_csv
from charscreen.gather import gather_tests
from charscreen.job import job

with job(snakemake.log[0]):
    results = gather_tests(snakemake.input.results, TEST_RESULT_COLUMNS)
    write_csv(results, snakemake.output.results)
