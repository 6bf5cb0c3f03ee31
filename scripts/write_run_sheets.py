"""Writes a printable run sheet for each firing of a plan."""

from pathlib import Path

from charscreen.files import read_csv, write_text
from charscreen.job import job
from charscreen.plan.run_sheets import render_run_sheets

with job(snakemake.log[0]):
    params = snakemake.params
    sheets = render_run_sheets(
        read_csv(snakemake.input.design),
        read_csv(snakemake.input.lots),
        feedstocks=params.feedstocks,
        kiln=params.kiln,
        title=params.title,
        template=Path(snakemake.input.template).read_text(encoding="utf-8"),
        data_are_invented=params.invented,
        limits=params.limits,
        koh_purity_percent=params.koh_purity_percent,
    )
    Path(snakemake.output.sheets).mkdir(parents=True, exist_ok=True)
    for firing, page in sheets.items():
        write_text(Path(snakemake.output.sheets) / f"{firing}.html", page)
