"""Says how likely a plan is to find the best, what it cannot tell and what it takes."""

from pathlib import Path

from charscreen.files import read_csv, read_json, write_csv, write_json, write_text
from charscreen.job import job, tell
from charscreen.quality.judge import headline, judge_plan
from charscreen.quality.page import render_quality

with job(snakemake.log[0]):
    given, made, params = snakemake.input, snakemake.output, snakemake.params
    summary = read_json(given.summary)
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
        lots_kept=summary.get("lots_kept", 0),
        progress=lambda text: tell(f"Judging the plan: {text}"),
    )
    page = render_quality(
        quality,
        summary=summary,
        names=params.names,
        title=params.title,
        data_are_invented=params.data_are_invented,
        **{name: Path(given[name]).read_text(encoding="utf-8") for name in ("template", "style")},
    )
    for name in ("comparisons", "confounding", "effort", "by_firings"):
        write_csv(getattr(quality, name), made[name])
    write_json(quality.record, made.quality)
    write_text(made.page, page)
    if quality.record["status"] == "judged":
        tell(headline(quality.record))
