"""Methods in words, built from what was done, with the sources they follow."""

from collections.abc import Mapping

import pandas as pd

from charscreen.report.model_view import joined_levels
from charscreen.rounding import fixed, is_number
from charscreen.words import count_words, first_upper, level_words, model_words, number_text

METHOD_WORDS = {
    "constant_current": "discharge at constant current",
    "through_resistor": "discharge through a resistor",
    "voltammetry": "voltammetry",
    "open_circuit": "self-discharge",
    "held_voltage": "leakage at held voltage",
    "direct": "farads typed in by the user",
}
FROM_MEMORY = " Cited from memory."
SOURCES = {
    "gum": "JCGM 100:2008, Guide to the expression of uncertainty in measurement, clause 5.1. "
    "Rounding to two digits of the uncertainty: clause 7.2.6, from memory.",
    "iec": "IEC 62391-1, Fixed electric double-layer capacitors for use in electric and "
    "electronic equipment. Title and window (0.8 to 0.4 of the rated voltage) from memory.",
    "lmm": "D. Bates, M. Mächler, B. Bolker, S. Walker (2015), Fitting linear mixed-effects "
    "models using lme4, J. Stat. Softw. 67(1), doi 10.18637/jss.v067.i01." + FROM_MEMORY,
    "kr": "M. G. Kenward, J. H. Roger (1997), Small sample inference for fixed effects from "
    "restricted maximum likelihood, Biometrics 53, 983." + FROM_MEMORY,
    "units": "M. D. Casler, W. Vermerris, R. A. Dixon (2015), Replication concepts for bioenergy "
    "research experiments, BioEnergy Research 8, 1. Title from memory.",
    "fixed_carbon": "M. J. Antal, M. Grønli (2003), The art, science, and technology of charcoal "
    "production, Ind. Eng. Chem. Res. 42, 1619. Title from memory.",
}


def methods(inputs: Mapping, config: Mapping) -> tuple[list[tuple[str, str]], list[str]]:
    """What was done, one paragraph per stage, and the sources used.

    Parameters
    ----------
    inputs : mapping
        See `charscreen.report.page.render_report`.
    config : mapping
        Keys capacitance, model, ranking, seed.

    Returns
    -------
    paragraphs : list of (str, str)
        Stage and what was done in it; stages without data are not described.
    sources : list of str
        References of the stages described.
    """
    paragraphs: list[tuple[str, str]] = []
    cited: list[str] = []
    if len(inputs["yields"]):
        paragraphs.append(("Masses and yields", _ledger(inputs)))
        cited += ["gum"]
        if "fixed_carbon_yield_percent" in inputs["yields"] and (
            inputs["yields"]["fixed_carbon_yield_percent"].map(is_number).any()
        ):
            cited.append("fixed_carbon")
    if len(inputs["test_results"]):
        paragraphs.append(("Capacitance and resistance", _electricity(inputs, config)))
        cited += ["iec", "gum"]
    fitted = {
        name: model["json"]
        for name, model in inputs["models"].items()
        if (model.get("json") or {}).get("fitted")
    }
    for name, record in fitted.items():
        paragraphs.append((f"Model of {model_words(name)}", _model(record)))
        cited += ["lmm", "kr", "units"]
    if fitted:
        common = list(dict.fromkeys(line for r in fitted.values() for line in r.get("methods", [])))
        if common:
            paragraphs.append(("All models", " ".join(common)))
    if len(inputs["ranking"]):
        paragraphs.append(("Ranking", _ranking(inputs, config)))
    paragraphs.append(
        (
            "Rounding",
            "A number is shown to two significant digits of its uncertainty, here the shorter "
            "arm of its interval; the result files hold ten digits.",
        )
    )
    cited += ["gum"]
    return paragraphs, [SOURCES[key] for key in SOURCES if key in cited]


def _ledger(inputs: Mapping) -> str:
    yields = inputs["yields"]
    text = (
        "Yields are ratios of weighed masses, each on its own basis: as received (ar), dry (d), "
        "dry ash-free (daf). Carbon per kg of feed is the product along the chain, every step on "
        "its own aliquot. Standard uncertainties of balance (resolution, repeatability, "
        "calibration), moisture and ash are carried through by the law of propagation."
    )
    sources = {
        "weighed": "weighed dry",
        "aliquot": "from the moisture of an aliquot",
        "assumed": "from a moisture stated for the feedstock",
    }
    if "dry_matter_from" in yields:
        counts = yields["dry_matter_from"].value_counts()
        parts = [
            f"{words} for {count_words(int(counts[key]), 'lot')}"
            for key, words in sources.items()
            if key in counts
        ]
        if parts:
            text += f" Dry matter of the feed: {'; '.join(parts)}."
    if "ash_of_char_from" in yields:
        assumed = int((yields["ash_of_char_from"] == "assumed all retained").sum())
        if assumed:
            text += (
                f" For {count_words(assumed, 'lot')} the ash of the char was not measured; the "
                "daf figure assumes that it kept all ash of its feed."
            )
    return text


def _electricity(inputs: Mapping, config: Mapping) -> str:
    tests, settings = inputs["test_results"], config["capacitance"]
    counts = tests["method"].value_counts().sort_index()
    parts = [f"{METHOD_WORDS.get(str(name), str(name))}: {n}" for name, n in counts.items()]
    upper, lower = settings["window"]
    text = (
        f"{count_words(len(tests), 'test was', 'tests were')} evaluated ({'; '.join(parts)}). "
        f"Within a discharge, capacitance is taken between {upper:g} and {lower:g} of the upper "
        "voltage; series resistance from the straight part of the discharge drawn back to its "
        "start. "
    )
    skip = settings.get("skip_cycles")
    if is_number(skip) and skip:
        first = "The first cycle" if skip == 1 else f"The first {int(skip)} cycles"
        text += f"{first} of a series {'is' if skip == 1 else 'are'} not used. "
    order = [METHOD_WORDS.get(name, name) for name in settings.get("method_order", [])]
    if order:
        text += (
            "Where a cell has several tests, the first method of this order counts: "
            f"{', '.join(order)}. "
        )
    return text + (
        "Electrode capacitance is C (1/m₁ + 1/m₂) with the carbon masses of the two electrodes, "
        "binder and additive taken off; the figure of the whole cell, C/(m₁ + m₂), is a quarter "
        "of it for equal electrodes."
    )


def _model(record: Mapping) -> str:
    scale = {"log": "the logarithm", "logit": "the logit"}.get(record.get("scale"), "the value")
    levels = pd.DataFrame({"level": [*record.get("random", []), record.get("unit", "residual")]})
    *random, unit = [level_words(level) for level in joined_levels(levels, record)["level"]]
    text = (
        f"Linear mixed model of {scale} of {record.get('response', 'the response')}, "
        f"n = {record.get('n')} ({_counts(record)}). Random levels: "
        f"{', '.join([*random, unit])}"
        f"{' (the last is the residual)' if random else ' (the residual)'}. "
    )
    terms = [term.get("label", "") for term in record.get("terms", [])]
    text += f"Terms beside feedstock: {'; '.join(terms) if terms else 'none'}. "
    pooled = [level_words(term.get("name")) for term in record.get("pooled", [])]
    if pooled:
        text += f"Pooled for decisions: {', '.join(pooled)}. "
    dropped = [
        f"{level_words(d.get('term'))}, {d.get('reason')}" for d in record.get("dropped", [])
    ]
    if dropped:
        text += f"Not in the model: {'; '.join(dropped)}. "
    posterior = record.get("posterior") or {}
    if posterior:
        text += (
            f"{posterior.get('draws')} posterior draws by importance sampling over the variance "
            f"ratios, half-t prior of scale {number_text(posterior.get('prior_scale'))}, seed "
            f"{posterior.get('seed')}"
        )
        if is_number(posterior.get("effective_size")):
            text += f"; effective size {fixed(posterior['effective_size'], 0)}"
        if is_number(posterior.get("pareto_k")):
            text += f", Pareto k {fixed(posterior['pareto_k'], 2)}"
        text += ". "
    if record.get("formula_fixed") or record.get("formula"):
        text += f"Formula with feedstock fixed: {record.get('formula_fixed') or record['formula']}."
    return text.strip()


def _counts(record: Mapping) -> str:
    parts = []
    for key, one in (("n_lots", "lot"), ("n_firings", "firing")):
        if is_number(record.get(key)):
            parts.append(count_words(int(record[key]), one))
    if record.get("feedstocks"):
        parts.append(count_words(len(record["feedstocks"]), "feedstock"))
    return ", ".join(parts)


def _ranking(inputs: Mapping, config: Mapping) -> str:
    summary = inputs.get("rank_summary") or {}
    settings = config["ranking"]
    level = summary.get("interval_percent", settings["interval_percent"])
    limit = 100 * summary.get("group_probability", settings["group_probability"])
    text = (
        "Every posterior draw ranks all candidates. Estimate: median of the draws; interval: "
        f"their middle {level:g} %; expected rank: mean of the ranks; chance to be best: share "
        "of draws in which the candidate comes first. A candidate is told apart from the best "
        f"once the best beats it in {limit:g} % of the draws or more. "
    )
    text += str(summary.get("independence") or "")
    correlation = summary.get("residual_correlation")
    if correlation:
        text += (
            f" Over {correlation['n_lots']} lots that have both, what was left of the two after "
            f"the models correlates by {fixed(correlation['r'], 2)} "
            f"({fixed(correlation['lo'], 2)} to {fixed(correlation['hi'], 2)}); "
            "far from zero, the device figures are less sure than their intervals say."
        )
    return first_upper(text.strip()) + f" Seed of the workflow: {config['seed']}."
