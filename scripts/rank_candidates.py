"""Ranks the candidates by each merit from the posterior draws of the models."""

from charscreen.files import read_csv, read_json, to_frame, write_csv, write_json
from charscreen.graph import RANKED_MODELS
from charscreen.job import job, tell
from charscreen.models.tables import read_draws, write_draws
from charscreen.rank import rank_candidates
from charscreen.rank.candidates import list_candidates

with job(snakemake.log[0]):
    params, given = snakemake.params, snakemake.input
    candidates = list_candidates(
        to_frame(params.design),
        read_csv(snakemake.input.firings),
        yields=read_csv(given.yields),
        cells=read_csv(given.cells),
    )
    ranked = rank_candidates(
        candidates,
        {name: read_json(given[f"{name}_model"]) for name in RANKED_MODELS},
        {name: read_draws(given[f"{name}_draws"]) for name in RANKED_MODELS},
        merits=params.merits,
        **params.ranking,
        seed=params.seed,
    )
    write_csv(ranked.table, snakemake.output.ranking)
    write_json(ranked.summary, snakemake.output.summary)
    write_csv(candidates, snakemake.output.candidates)
    write_draws(ranked.draws, snakemake.output.draws)
    if ranked.table.empty:
        tell(" ".join(ranked.summary["missing"]))
