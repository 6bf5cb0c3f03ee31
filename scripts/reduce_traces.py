"""Evaluates the tests of one batch; starts light, works through its traces one by one."""

import os

from charscreen.capacitance.cycle_table import write_cycles
from charscreen.capacitance.reduce import reduce_tests
from charscreen.capacitance.result_columns import TEST_RESULT_COLUMNS
from charscreen.capacitance.thinned import write_thinned
from charscreen.findings import JOB_COLUMNS
from charscreen.job import job
from charscreen.provenance import ReadWhole
from charscreen.rows_csv import write_rows_csv

# A job has one core: more threads of the reader would only wait for each other.
os.environ.setdefault("POLARS_MAX_THREADS", "1")
with job(snakemake.log[0]):
    params, output = snakemake.params, snakemake.output
    thinned: dict = {}
    read = ReadWhole(snakemake.input.traces)
    rows, cycles, findings = reduce_tests(
        params.tests,
        params.cells,
        params.readings,
        column_maps=params.column_maps,
        instrument=params.instrument,
        settings=params.settings,
        trace_folder="config/traces",
        thinned=thinned,
    )
    traces = read.digests()
    write_rows_csv(rows, TEST_RESULT_COLUMNS, output.results)
    write_cycles(cycles, output.cycles)
    write_thinned(thinned, output.thinned)
    write_rows_csv([finding.as_row() for finding in findings], JOB_COLUMNS, output.findings)
    write_rows_csv(traces, ("trace", "sha256"), output.digests)
