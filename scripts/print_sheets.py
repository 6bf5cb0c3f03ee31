"""Prints all sheets of one kind into one PDF, each on its own page, in the order of the plan."""

from pathlib import Path

from charscreen.files import read_csv, write_bytes
from charscreen.job import job
from charscreen.plan.cell_sheets import KINDS
from charscreen.plan.run_sheets import firings_of
from charscreen.printing import join_pages, print_page

NONE = "<html><head><title></title></head><body><p>Nothing is planned yet.</p></body></html>"

with job(snakemake.log[0]):
    folder = Path(snakemake.input.sheets)
    names = [
        f"{firing}{ending}.html"
        for firing, _ in firings_of(read_csv(snakemake.input.design))
        for ending in ("", *(f"_{kind}" for kind in KINDS))
    ]
    files = [folder / name for name in names if (folder / name).is_file()]
    pages = [file.read_text(encoding="utf-8") for file in files] or [NONE]
    write_bytes(snakemake.output.pdf, print_page(join_pages(pages, title=snakemake.params.title)))
