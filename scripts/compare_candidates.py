"""Says what of the ranking cannot be told apart, and what several merits say together."""

from charscreen.files import read_csv, read_json, write_csv, write_json
from charscreen.graph import COMPARED_MODELS, RANKED_MODELS
from charscreen.job import job
from charscreen.models.tables import read_draws
from charscreen.rank.comparison import compare_candidates
from charscreen.rank.facts import make_facts
from charscreen.rank.price_sweep import sweep_prices

with job(snakemake.log[0]):
    given, params, made = snakemake.input, snakemake.params, snakemake.output
    ranking, settings = read_csv(given.ranking), params.ranking
    names = dict.fromkeys([*COMPARED_MODELS, *RANKED_MODELS])
    models = {name: read_json(given[f"{name}_model"]) for name in names}
    prices = sweep_prices(
        ranking,
        read_csv(given.candidates),
        models,
        {name: read_draws(given[f"{name}_draws"]) for name in RANKED_MODELS},
        merits=params.merits,
        facts=make_facts(read_csv(given.cells), params.voltages, params.facts),
        part="rest" if settings["predicted_best"] else "all",
        seed=params.seed,
    )
    found = compare_candidates(
        ranking,
        read_draws(given.draws),
        models,
        {name: read_csv(given[f"{name}_inference"]) for name in COMPARED_MODELS},
        merits=params.merits,
        wishes=params.desirability,
        probability=settings["group_probability"],
        interval_percent=settings["interval_percent"],
        prices=prices,
        seed=params.seed,
    )
    for name in ("groups", "front", "desirability", "sensitivity"):
        write_csv(getattr(found, name), made[name])
    write_json(found.summary, made.comparison)
