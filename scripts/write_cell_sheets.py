"""Writes printable sheets for assembling and testing the cells of a plan."""

from pathlib import Path

from charscreen.files import read_csv, write_folder
from charscreen.job import job
from charscreen.plan.cell_sheets import render_cell_sheets

with job(snakemake.log[0]):
    given, params = snakemake.input, snakemake.params
    sheets = render_cell_sheets(
        read_csv(given.design),
        read_csv(given.cells),
        feedstocks=params.feedstocks,
        plan=params.plan,
        title=params.title,
        template=Path(given.template).read_text(encoding="utf-8"),
        style=Path(given.style).read_text(encoding="utf-8"),
        data_are_invented=params.data_are_invented,
        limits=params.limits,
    )
    write_folder(snakemake.output.sheets, {f"{name}.html": page for name, page in sheets.items()})
