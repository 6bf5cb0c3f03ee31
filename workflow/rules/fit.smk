# Firing-aware models of yields and of capacitance.

MODELS = {name: graph.model_files(f"{RESULTS}/fit", name) for name in graph.MODEL_NAMES}


rule fit:
    input:
        [file for files in MODELS.values() for file in files.values()],


rule fit_yield:
    input:
        yields=f"{RESULTS}/collect/yields.csv",
        firings=f"{RESULTS}/collect/firings.csv",
        code=graph.code_of("fit_yield"),
    output:
        **MODELS["char_yield"],
        **MODELS["activation_yield"],
    log:
        f"{RESULTS}/logs/fit_yield.log",
    benchmark:
        f"{RESULTS}/benchmarks/fit_yield.tsv"
    conda:
        "../../environment.yml"
    params:
        design=rows["design"],
        settings=screen.config["model"],
        seed=screen.config["seed"],
    message:
        "Fitting the yields, firing by firing"
    script:
        "../../scripts/fit_yield.py"


rule fit_performance:
    input:
        cells=f"{RESULTS}/collect/cells.csv",
        firings=f"{RESULTS}/collect/firings.csv",
        code=graph.code_of("fit_performance"),
    output:
        **MODELS["capacitance"],
    log:
        f"{RESULTS}/logs/fit_performance.log",
    benchmark:
        f"{RESULTS}/benchmarks/fit_performance.tsv"
    conda:
        "../../environment.yml"
    params:
        design=rows["design"],
        settings=screen.config["model"],
        seed=screen.config["seed"],
    message:
        "Fitting the capacitances: firing, lot, cell"
    script:
        "../../scripts/fit_performance.py"
