# From posterior draws to a ranking that says how sure it is.


rule rank:
    input:
        f"{RESULTS}/rank/ranking.csv",


rule rank_candidates:
    input:
        **MODELS["char_yield"],
        **MODELS["activation_yield"],
        **MODELS["capacitance"],
        yields=f"{RESULTS}/collect/yields.csv",
        cells=f"{RESULTS}/collect/cells.csv",
        firings=f"{RESULTS}/collect/firings.csv",
        code=graph.code_of("rank_candidates"),
    output:
        ranking=f"{RESULTS}/rank/ranking.csv",
        summary=f"{RESULTS}/rank/summary.json",
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
        seed=screen.config["seed"],
    message:
        "Ranking the candidates"
    script:
        "../../scripts/rank_candidates.py"
