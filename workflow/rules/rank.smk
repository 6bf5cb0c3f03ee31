# From posterior draws to a ranking that says how sure it is.


COMPARISON = {
    name: f"{RESULTS}/rank/{name}.csv"
    for name in ("groups", "front", "desirability", "sensitivity")
} | {"comparison": f"{RESULTS}/rank/comparison.json"}


# What is stated beside the measurements, as far as merits need it.
FACTS = {
    "kiln": screen.config["kiln"],
    "prices": screen.config["prices"],
    "feedstocks": [
        {
            name: row[name]
            for name in (
                "feedstock",
                "moisture_ar_percent",
                "ash_d_percent",
                "volatile_d_percent",
                "nitrogen_d_percent",
                "lignin_d_percent",
                "bulk_density_g_per_L",
                "price_per_kg",
                "stock_kg",
            )
        }
        for row in rows["feedstocks"]
    ],
    "koh_purity_percent": screen.config["koh_purity_percent"],
    "max_koh_g": screen.config["plan"]["max_koh_g"],
    "expressions": screen.config["expressions"],
}
UPPER_VOLTAGES = {row["cell"]: row["upper_voltage_V"] for row in rows["cells"]}


rule rank:
    input:
        f"{RESULTS}/rank/ranking.csv",
        f"{RESULTS}/rank/feedstocks.csv",
        list(COMPARISON.values()),


rule rank_candidates:
    input:
        **{
            f"{model}_{part}": MODELS[model][f"{model}_{part}"]
            for model in model_names.RANKED_MODELS
            for part in ("model", "draws")
        },
        yields=f"{RESULTS}/collect/yields.csv",
        cells=f"{RESULTS}/collect/cells.csv",
        firings=f"{RESULTS}/collect/firings.csv",
        code=graph.code_of("rank_candidates"),
    output:
        ranking=f"{RESULTS}/rank/ranking.csv",
        summary=f"{RESULTS}/rank/summary.json",
        candidates=f"{RESULTS}/rank/candidates.csv",
        feedstocks=f"{RESULTS}/rank/feedstocks.csv",
        draws=f"{RESULTS}/rank/draws.parquet",
    log:
        f"{RESULTS}/logs/rank_candidates.log",
    benchmark:
        f"{RESULTS}/benchmarks/rank_candidates.tsv"
    conda:
        "../../environment.yml"
    resources:
        mem_mb=1000,
        runtime=20,
    params:
        design=rows["design"],
        merits=screen.config["merits"],
        ranking=screen.config["ranking"],
        facts=FACTS,
        voltages=UPPER_VOLTAGES,
        seed=screen.config["seed"],
    message:
        "Ranking the candidates"
    script:
        "../../scripts/rank_candidates.py"


rule compare_candidates:
    input:
        **{
            f"{model}_{part}": MODELS[model][f"{model}_{part}"]
            for models, parts in (
                (model_names.COMPARED_MODELS, ("model", "inference")),
                (model_names.RANKED_MODELS, ("model", "draws")),
            )
            for model in models
            for part in parts
        },
        cells=f"{RESULTS}/collect/cells.csv",
        candidates=f"{RESULTS}/rank/candidates.csv",
        ranking=f"{RESULTS}/rank/ranking.csv",
        draws=f"{RESULTS}/rank/draws.parquet",
        code=graph.code_of("compare_candidates"),
    output:
        **COMPARISON,
    log:
        f"{RESULTS}/logs/compare_candidates.log",
    benchmark:
        f"{RESULTS}/benchmarks/compare_candidates.tsv"
    conda:
        "../../environment.yml"
    resources:
        mem_mb=1000,
        runtime=20,
    params:
        merits=screen.config["merits"],
        ranking=screen.config["ranking"],
        desirability=screen.config["desirability"],
        facts=FACTS,
        voltages=UPPER_VOLTAGES,
        seed=screen.config["seed"],
    message:
        "Comparing the candidates: groups, fronts, weights"
    script:
        "../../scripts/compare_candidates.py"
