"""Methods in words, built from what was done, with the sources they follow."""

from collections.abc import Mapping

import pandas as pd

from charscreen.report.electricity_text import electricity_text
from charscreen.report.model_view import joined_levels
from charscreen.rounding import fixed, is_number
from charscreen.words import count_words, first_upper, level_words, model_words, number_text

FROM_MEMORY = " Cited from memory."
SOURCES = {
    "gum": "JCGM 100:2008, Guide to the expression of uncertainty in measurement, clause 5.1. "
    "Rounding to two digits of the uncertainty: clause 7.2.6, from memory.",
    "monte_carlo": "JCGM 101:2008, Propagation of distributions using a Monte Carlo method."
    + FROM_MEMORY,
    "koh": "M. A. Lillo-Ródenas, D. Cazorla-Amorós, A. Linares-Solano (2003), Carbon 41, 267 "
    "(reaction of KOH with carbon)." + FROM_MEMORY,
    "iec": "IEC 62391-1, Fixed electric double-layer capacitors for use in electric and "
    "electronic equipment. Title and window (0.8 to 0.4 of the rated voltage) from memory.",
    "draws": "JCGM 101:2008, Propagation of distributions using a Monte Carlo method, clause 7.",
    "self_discharge": "B. E. Conway (1999), Electrochemical supercapacitors, on self-discharge. "
    "AICc: C. M. Hurvich, C.-L. Tsai (1989), Biometrika 76, 297. Both from memory.",
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
        if _drawn(inputs["yields"]):
            cited.append("monte_carlo")
        if _has_koh(inputs["yields"]):
            cited.append("koh")
    if len(inputs["test_results"]):
        paragraphs.append(("Capacitance and resistance", electricity_text(inputs, config)))
        cited += ["iec", "gum"]
        if (inputs["test_results"]["method"] == "open_circuit").any():
            cited.append("self_discharge")
        cells = inputs["cells"]
        if "uncertainty_by" in cells and (cells["uncertainty_by"] == "Monte Carlo").any():
            cited.append("draws")
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


def _drawn(yields: pd.DataFrame) -> int:
    """Lots whose standard errors come from draws."""
    if "uncertainty_from" not in yields:
        return 0
    return int((yields["uncertainty_from"] == "Monte Carlo").sum())


def _has_koh(yields: pd.DataFrame) -> bool:
    return "koh_potassium_g" in yields and yields["koh_potassium_g"].map(is_number).any()


def _ledger(inputs: Mapping) -> str:
    yields = inputs["yields"]
    text = (
        "Yields are ratios of weighed masses, each on its own basis: as received (ar), dry (d), "
        "dry ash-free (daf). Carbon per kg of feed is the product along the chain, every step on "
        "its own aliquot. Standard uncertainties of balance (resolution, repeatability, "
        "calibration), moisture and ash are carried through by the law of propagation."
    )
    drawn = _drawn(yields)
    if drawn:
        text += (
            f" For {count_words(drawn, 'lot')} a mass is near the resolution of the balance; "
            "standard errors there come from Monte Carlo draws."
        )
    if _has_koh(yields):
        text += (
            " What KOH can consume and form is reckoned from 6 KOH + 2 C → 2 K + 3 H2 + 2 K2CO3."
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


def _model(record: Mapping) -> str:
    scale = {"log": "the logarithm", "logit": "the logit"}.get(record.get("scale"), "the value")
    levels = pd.DataFrame({"level": [*record.get("random", []), record.get("unit", "residual")]})
    *random, unit = [level_words(level) for level in joined_levels(levels, record)["level"]]
    text = (
        f"Linear mixed model of {scale} of {record.get('response', 'the response')}, "
        f"n = {record.get('n')}{_counts(record)}. Random levels: "
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
    return f" ({', '.join(parts)})" if parts else ""


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
    if summary.get("predicted"):
        text += (
            f"Beside the tested conditions, for each feedstock and merit the best condition on a "
            "grid within the convex hull of the tested ones is ranked where it is expected to gain "
            "1 % or more; a quarter of the draws chooses it and the other "
            f"{summary.get('n_draws', 0)} give all figures, so that the noise of drawing "
            "flatters none. The scatter of the firings still does: in simulated screens of 12 "
            "feedstocks and 12 firings predicted conditions came out 6 % too good on average. "
        )
    if summary.get("limits"):
        text += (
            "A candidate leaves the ranking where the share of draws in which it meets "
            f"{summary['limits']['words']} is under {100 * summary['limits']['probability']:g} %. "
        )
    text += str(summary.get("independence") or "")
    correlation = summary.get("residual_correlation")
    if correlation:
        text += (
            f" Over {correlation['n_lots']} lots that have both, what was left of the two after "
            f"the models correlates by {fixed(correlation['r'], 2)} "
            f"({fixed(correlation['lo'], 2)} to {fixed(correlation['hi'], 2)}); "
            + (
                "the response of their own has it in it."
                if summary.get("response") == "joint"
                else "far from zero, the device figures are less sure than their intervals say."
            )
        )
    return first_upper(text.strip()) + f" Seed of the workflow: {config['seed']}."
