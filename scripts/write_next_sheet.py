"""Writes the run sheet of the next firing, with what it is for."""

from pathlib import Path

from charscreen.files import read_csv, read_json, write_text
from charscreen.job import job, tell
from charscreen.plan.run_sheets import render_one_page
from charscreen.words import candidates_in_words

with job(snakemake.log[0]):
    given, params = snakemake.input, snakemake.params
    summary = read_json(given.summary)
    names = {row["feedstock"]: row["name"] for row in params.feedstocks}
    page = render_one_page(
        read_csv(given.design),
        read_csv(given.lots),
        heading="What to run next",
        sentences=[
            candidates_in_words(text, names)
            for text in (*summary["sentences"], *summary["cannot_tell"])
        ],
        feedstocks=params.feedstocks,
        kiln=params.kiln,
        title=params.title,
        template=Path(given.template).read_text(encoding="utf-8"),
        style=Path(given.style).read_text(encoding="utf-8"),
        data_are_invented=params.data_are_invented,
        limits=params.limits,
        koh_purity_percent=params.koh_purity_percent,
    )
    write_text(snakemake.output.sheet, page)
    tell(f"What to run next on one page: {snakemake.output.sheet}")
