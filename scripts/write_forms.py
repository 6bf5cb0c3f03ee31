"""Writes the workbook of forms to fill in at the bench."""

from charscreen.files import read_csv, write_bytes
from charscreen.job import job
from charscreen.plan.forms import render_forms

with job(snakemake.log[0]):
    params = snakemake.params
    forms = render_forms(
        read_csv(snakemake.input.design),
        read_csv(snakemake.input.lots),
        read_csv(snakemake.input.cells),
        names=params.names,
        title=params.title,
        data_are_invented=params.data_are_invented,
    )
    write_bytes(snakemake.output.forms, forms)
