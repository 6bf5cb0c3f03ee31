# Firing-aware models of yields and of capacitance.

MODELS = {name: graph.model_files(f"{RESULTS}/fit", name) for name in graph.MODEL_NAMES}

MODEL_FILES = {key: file for files in MODELS.values() for key, file in files.items()}
# What it would take in work to learn more stands beside what is known.
FIT_SETTINGS = screen.config["model"] | {
    "costs": screen.config["costs"],
    "crucibles": screen.config["kiln"]["crucibles"],
}
OF_CELLS = {
    name: {row["cell"]: row[name] for row in rows["cells"]}
    for name in ("assembly_batch", "assembled")
}
FEEDS = [
    {
        name: row[name]
        for name in (
            "feedstock",
            "ash_d_percent",
            "lignin_d_percent",
            "moisture_ar_percent",
        )
    }
    for row in rows["feedstocks"]
]


rule fit:
    input:
        list(MODEL_FILES.values()),


rule fit_yield:
    input:
        yields=f"{RESULTS}/collect/yields.csv",
        firings=f"{RESULTS}/collect/firings.csv",
        code=graph.code_of("fit_yield"),
    output:
        **MODELS["char_yield"],
        **MODELS["activation_yield"],
        **MODELS["overall_yield"],
    log:
        f"{RESULTS}/logs/fit_yield.log",
    benchmark:
        f"{RESULTS}/benchmarks/fit_yield.tsv"
    conda:
        "../../environment.yml"
    resources:
        mem_mb=1000,
        runtime=60,
    params:
        design=rows["design"],
        feedstocks=FEEDS,
        settings=FIT_SETTINGS,
        seed=screen.config["seed"],
    message:
        "Fitting the yields, firing by firing"
    script:
        "../../scripts/fit_yield.py"


rule fit_performance:
    input:
        cells=f"{RESULTS}/collect/cells.csv",
        test_results=f"{RESULTS}/collect/test_results.csv",
        firings=f"{RESULTS}/collect/firings.csv",
        code=graph.code_of("fit_performance"),
    output:
        **MODELS["capacitance"],
        **MODELS["esr_area"],
        **MODELS["retention"],
    log:
        f"{RESULTS}/logs/fit_performance.log",
    benchmark:
        f"{RESULTS}/benchmarks/fit_performance.tsv"
    conda:
        "../../environment.yml"
    resources:
        mem_mb=2000,
        runtime=60,
    params:
        design=rows["design"],
        of_cells=OF_CELLS,
        feedstocks=FEEDS,
        settings=FIT_SETTINGS,
        seed=screen.config["seed"],
    message:
        "Fitting what the cells do: firing, lot, cell"
    script:
        "../../scripts/fit_performance.py"


rule fit_device:
    input:
        yields=f"{RESULTS}/collect/yields.csv",
        cells=f"{RESULTS}/collect/cells.csv",
        firings=f"{RESULTS}/collect/firings.csv",
        code=graph.code_of("fit_device"),
    output:
        **MODELS["device_farads"],
    log:
        f"{RESULTS}/logs/fit_device.log",
    benchmark:
        f"{RESULTS}/benchmarks/fit_device.tsv"
    conda:
        "../../environment.yml"
    resources:
        mem_mb=1000,
        runtime=60,
    params:
        design=rows["design"],
        settings=FIT_SETTINGS,
        seed=screen.config["seed"],
    message:
        "Fitting the device farads of a kilogram of feed, lot by lot"
    script:
        "../../scripts/fit_device.py"
