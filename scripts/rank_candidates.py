"""Ranks the candidates by each merit from the posterior draws of the models."""

from charscreen.files import read_csv, read_json, to_frame, write_csv, write_json
from charscreen.job import job, tell
from charscreen.models.names import RANKED_MODELS
from charscreen.models.tables import read_draws, write_draws
from charscreen.rank.candidates import list_candidates
from charscreen.rank.facts import make_facts
from charscreen.rank.ranking import rank_candidates

with job(snakemake.log[0]):
    params, given, made = snakemake.params, snakemake.input, snakemake.output
    cells = read_csv(given.cells)
    candidates = list_candidates(
        to_frame(params.design),
        read_csv(given.firings),
        yields=read_csv(given.yields),
        cells=cells,
    )
    ranked = rank_candidates(
        candidates,
        {name: read_json(given[f"{name}_model"]) for name in RANKED_MODELS},
        {name: read_draws(given[f"{name}_draws"]) for name in RANKED_MODELS},
        merits=params.merits,
        **params.ranking,
        facts=make_facts(cells, params.voltages, params.facts),
        seed=params.seed,
    )
    write_csv(ranked.table, made.ranking)
    write_json(ranked.summary, made.summary)
    write_csv(ranked.candidates, made.candidates)
    write_csv(ranked.feedstocks, made.feedstocks)
    write_draws(ranked.draws, made.draws)
    sentences = [*ranked.summary["missing"], *(ranked.summary["limits"] or {}).get("sentences", [])]
    if ranked.table.empty:
        tell(" ".join(sentences))
