"""Puts the test results of all batches into one table."""

from charscreen.capacitance.reduce import TEST_RESULT_COLUMNS
from charscreen.files import write_csv
from charscreen.gather import gather_tests
from charscreen.job import job, tell

with job(snakemake.log[0]):
    results = gather_tests(snakemake.input.results, TEST_RESULT_COLUMNS)
    write_csv(results, snakemake.output.results)
    if not snakemake.input.results:
        tell("No test results yet: tests.csv has no rows that count.")
    elif results.empty:
        tell("No test results yet: none of the tests could be evaluated; check says why.")
