"""Writes the overview of a plan and a printable run sheet for each of its firings."""

from pathlib import Path

from charscreen.files import read_csv, read_json, write_folder, write_text
from charscreen.job import job, tell
from charscreen.plan.overview import render_overview
from charscreen.plan.run_sheets import render_run_sheets


def text_of(path: str) -> str:
    """Content of a template or style sheet."""
    return Path(path).read_text(encoding="utf-8")


with job(snakemake.log[0]):
    given, params = snakemake.input, snakemake.params
    tables = {"design": read_csv(given.design), "lots": read_csv(given.lots)}
    common = {
        "feedstocks": params.feedstocks,
        "kiln": params.kiln,
        "title": params.title,
        "style": text_of(given.style),
        "data_are_invented": params.invented,
        "limits": params.limits,
    }
    overview = render_overview(
        read_json(given.summary), **tables, **common, template=text_of(given.overview_template)
    )
    sheets = render_run_sheets(
        **tables,
        **common,
        template=text_of(given.template),
        koh_purity_percent=params.koh_purity_percent,
    )
    write_folder(
        snakemake.output.sheets, {f"{firing}.html": page for firing, page in sheets.items()}
    )
    write_text(snakemake.output.overview, overview)
    if sheets:
        tell(f"The plan on one page: {snakemake.output.overview}")
