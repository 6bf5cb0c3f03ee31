"""Draws the traces of the tests of one batch: a sheet for each firing."""

import polars as pl
from charscreen.files import write_folder
from charscreen.gather import read_rows
from charscreen.job import job
from charscreen.trace_sheets import draw_sheets

with job(snakemake.log[0]):
    given, params = snakemake.input, snakemake.params
    sheets = draw_sheets(
        read_rows(given.results),
        pl.read_parquet(given.thinned),
        pl.read_parquet(given.cycles),
        made_of=params.made_of,
        data_are_invented=params.data_are_invented,
    )
    files = {f"{firing}.svg": sheet for firing, sheet in sheets.items()}
    write_folder(snakemake.output.sheets, files)
