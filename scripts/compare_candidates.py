"""Says what of the ranking cannot be told apart, and what several merits say together."""

from charscreen.files import read_csv, read_json, write_csv, write_json
from charscreen.graph import COMPARED_MODELS
from charscreen.job import job
from charscreen.models.tables import read_draws
from charscreen.rank.comparison import compare_candidates

with job(snakemake.log[0]):
    given, params, made = snakemake.input, snakemake.params, snakemake.output
    found = compare_candidates(
        read_csv(given.ranking),
        read_draws(given.draws),
        {name: read_json(given[f"{name}_model"]) for name in COMPARED_MODELS},
        {name: read_csv(given[f"{name}_inference"]) for name in COMPARED_MODELS},
        merits=params.merits,
        wishes=params.desirability,
        probability=params.ranking["group_probability"],
        interval_percent=params.ranking["interval_percent"],
        seed=params.seed,
    )
    for name in ("groups", "front", "desirability", "sensitivity"):
        write_csv(getattr(found, name), made[name])
    write_json(found.summary, made.comparison)
