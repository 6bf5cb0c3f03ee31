"""Says how likely a plan is to find the best, what it cannot tell and what it takes."""

from pathlib import Path

from charscreen.files import read_csv, read_json, write_csv, write_json, write_text
from charscreen.job import job, tell
from charscreen.quality.judge import headline, judge_plan
from charscreen.quality.page import render_quality

with job(snakemake.log[0]):
    given, made, params = snakemake.input, snakemake.output, snakemake.params
    quality = judge_plan(
        read_csv(given.design),
        read_csv(given.lots),
        feedstocks=params.feedstocks,
        plan=params.plan,
        kiln=params.kiln,
        prices=params.prices,
        costs=params.costs,
        merits=params.merits,
        priors=params.priors,
        seed=params.seed,
        progress=lambda text: tell(f"Judging the plan: {text}"),
    )
    page = render_quality(
        quality,
        summary=read_json(given.summary),
        names={row["feedstock"]: row["name"] for row in params.feedstocks},
        title=params.title,
        data_are_invented=params.invented,
        template=Path(given.template).read_text(encoding="utf-8"),
        style=Path(given.style).read_text(encoding="utf-8"),
    )
    write_csv(quality.comparisons, made.comparisons)
    write_csv(quality.confounding, made.confounding)
    write_csv(quality.effort, made.effort)
    write_csv(quality.by_firings, made.by_firings)
    write_json(quality.record, made.quality)
    write_text(made.page, page)
    if quality.record["status"] == "judged":
        tell(headline(quality.record))
