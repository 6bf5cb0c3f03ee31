"""Writes all result tables into one workbook, with a sheet that explains every column."""

from charscreen.files import read_csv, write_bytes
from charscreen.graph import WORKBOOK_MODEL_TABLES
from charscreen.job import job
from charscreen.report.workbook import join_models, render_workbook
from charscreen.result_set import read_models

FIRST = ("ranking", "feedstocks", "comparison", "front", "desirability", "sensitivity", "options")
FIRST += ("yields", "cells", "tests", "firings", "findings", "left_out")

with job(snakemake.log[0]):
    given, params = snakemake.input, snakemake.params
    models = read_models(given)
    tables = {name: read_csv(given[name]) for name in FIRST}
    tables |= {table: join_models(models, table) for table in WORKBOOK_MODEL_TABLES}
    workbook = render_workbook(
        tables, title=params.title, data_are_invented=params.data_are_invented
    )
    write_bytes(snakemake.output.workbook, workbook)
