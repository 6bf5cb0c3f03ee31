"""Prints the report as a PDF, and its answer on one page to hand round."""

from pathlib import Path

from charscreen.files import write_bytes
from charscreen.job import job
from charscreen.report.paper import report_pdf, summary_pdf

with job(snakemake.log[0]):
    given = snakemake.input
    page, style, summary_style = (
        Path(given[name]).read_text(encoding="utf-8") for name in ("page", "style", "summary_style")
    )
    write_bytes(snakemake.output.report, report_pdf(page, style=style))
    write_bytes(snakemake.output.summary, summary_pdf(page, style=f"{style}\n{summary_style}"))
