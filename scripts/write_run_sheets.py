"""Writes the overview of a plan and a printable run sheet for each of its firings."""

from pathlib import Path

from charscreen.files import read_csv, read_json, write_folder, write_text
from charscreen.job import job, tell
from charscreen.plan.overview import render_overview
from charscreen.plan.run_sheets import render_run_sheets

with job(snakemake.log[0]):
    given, params, made = snakemake.input, snakemake.params, snakemake.output
    text = {
        name: Path(given[name]).read_text(encoding="utf-8")
        for name in ("template", "overview_template", "style")
    }
    common = {
        "design": read_csv(given.design),
        "lots": read_csv(given.lots),
        "feedstocks": params.feedstocks,
        "kiln": params.kiln,
        "title": params.title,
        "style": text["style"],
        "data_are_invented": params.data_are_invented,
        "limits": params.limits,
    }
    summary, purity = read_json(given.summary), params.koh_purity_percent
    overview = render_overview(summary, **common, template=text["overview_template"])
    sheets = render_run_sheets(**common, template=text["template"], koh_purity_percent=purity)
    write_folder(made.sheets, {f"{firing}.html": page for firing, page in sheets.items()})
    write_text(made.overview, overview)
    if sheets:
        tell(f"The plan on one page: {made.overview}")
