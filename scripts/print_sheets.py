"""Prints all sheets of one kind into one PDF, each on its own page."""

from pathlib import Path

from charscreen.files import write_bytes
from charscreen.job import job
from charscreen.printing import join_pages, print_page

NONE = "<html><head><title></title></head><body><p>Nothing is planned yet.</p></body></html>"

with job(snakemake.log[0]):
    files = sorted(Path(snakemake.input.sheets).glob("*.html"))
    pages = [file.read_text(encoding="utf-8") for file in files] or [NONE]
    write_bytes(snakemake.output.pdf, print_page(join_pages(pages, title=snakemake.params.title)))
