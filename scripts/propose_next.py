"""Proposes the next firing: what it is expected to gain, its lots and the feed to weigh."""

from charscreen.files import read_csv, read_json, to_frame, write_csv, write_json
from charscreen.job import job, tell
from charscreen.models.names import RANKED_MODELS
from charscreen.models.tables import read_draws
from charscreen.propose.next_firing import not_ranked, propose_next
from charscreen.propose.stakes import make_stakes
from charscreen.rank.facts import make_facts

with job(snakemake.log[0]):
    given, params = snakemake.input, snakemake.params
    tables = {name: read_csv(given[name]) for name in ("cells", "yields", "firings")}
    stakes = make_stakes(
        params.merit,
        candidates=read_csv(given.candidates),
        ranked=read_draws(given.draws),
        models={name: read_json(given[f"{name}_model"]) for name in RANKED_MODELS},
        draws={name: read_draws(given[f"{name}_draws"]) for name in RANKED_MODELS},
        residuals={name: read_csv(given[f"{name}_residuals"]) for name in RANKED_MODELS},
        design=to_frame(params.design),
        facts=make_facts(tables["cells"], params.voltages, params.facts),
        **tables,
    )
    if stakes is None:
        proposal = not_ranked(params.merit, read_json(given.summary))
    else:
        design, done = to_frame(params.design), tables["firings"]
        proposal = propose_next(stakes, design=design, firings_done=done, **params.screen)
    write_csv(proposal.design, snakemake.output.design)
    write_csv(proposal.lots, snakemake.output.lots)
    write_csv(proposal.options, snakemake.output.options)
    write_json(proposal.summary, snakemake.output.summary)
    tell("\n".join(proposal.summary["sentences"]))
