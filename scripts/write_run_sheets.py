"""Writes the overview of a plan and printable sheets for each of its firings and their cells."""

from pathlib import Path

from charscreen.files import read_csv, read_json, write_text
from charscreen.job import job, tell
from charscreen.plan.cell_sheets import render_cell_sheets
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
        "title": params.title,
        "style": text_of(given.style),
        "data_are_invented": params.invented,
        "limits": params.limits,
    }
    template, kiln = text_of(given.template), params.kiln
    overview = render_overview(
        read_json(given.summary),
        **tables,
        **common,
        kiln=kiln,
        template=text_of(given.overview_template),
    )
    sheets = render_run_sheets(
        **tables,
        **common,
        kiln=kiln,
        template=template,
        koh_purity_percent=params.koh_purity_percent,
    )
    cells = render_cell_sheets(
        tables["design"], read_csv(given.cells), **common, plan=params.plan, template=template
    )
    for name, pages in (("sheets", sheets), ("cell_sheets", cells)):
        folder = Path(snakemake.output[name])
        folder.mkdir(parents=True, exist_ok=True)
        for page, text in pages.items():
            write_text(folder / f"{page}.html", text)
    write_text(snakemake.output.overview, overview)
    if sheets:
        tell(f"The plan on one page: {snakemake.output.overview}")
