"""Says what of the ranking cannot be told apart, and what several merits say together."""

from charscreen.files import read_csv, read_json, write_csv, write_json
from charscreen.job import job
from charscreen.models.names import COMPARED_MODELS, RANKED_MODELS
from charscreen.models.tables import read_draws
from charscreen.rank.comparison import compare_candidates
from charscreen.rank.facts import make_facts
from charscreen.rank.price_sweep import priced_merit, sweep_prices

with job(snakemake.log[0]):
    given, params, made = snakemake.input, snakemake.params, snakemake.output
    ranking, settings = read_csv(given.ranking), params.ranking
    models = {n: read_json(given[f"{n}_model"]) for n in (*COMPARED_MODELS, *RANKED_MODELS)}
    both = {"merits": params.merits, "seed": params.seed}
    facts = make_facts(read_csv(given.cells), params.voltages, params.facts)
    swept = RANKED_MODELS if priced_merit(params.merits, facts) else ()
    prices = sweep_prices(
        ranking,
        read_csv(given.candidates),
        models,
        {name: read_draws(given[f"{name}_draws"]) for name in swept},
        facts=facts,
        part="rest" if settings["predicted_best"] else "all",
        **both,
    )
    found = compare_candidates(
        ranking,
        read_draws(given.draws),
        models,
        {name: read_csv(given[f"{name}_inference"]) for name in COMPARED_MODELS},
        wishes=params.desirability,
        probability=settings["group_probability"],
        interval_percent=settings["interval_percent"],
        prices=prices,
        **both,
    )
    for name in ("groups", "front", "desirability", "sensitivity"):
        write_csv(getattr(found, name), made[name])
    write_json(found.summary, made.comparison)
