# From checked tables and traces to yields and farads.

BATCHES = graph.cut_batches(
    rows["tests"], rows["cells"], rows["design"], load_bytes=graph.load_of(rows["tests"])
)


rule collect:
    input:
        f"{RESULTS}/collect/yields.csv",
        f"{RESULTS}/collect/firings.csv",
        f"{RESULTS}/collect/test_results.csv",
        f"{RESULTS}/collect/cycles.parquet",
        f"{RESULTS}/collect/cells.csv",
        f"{RESULTS}/collect/findings.csv",


# Prints what was found in the tables; makes no file and so always runs.
rule check:
    log:
        f"{RESULTS}/logs/check.log",
    conda:
        "../../environment.yml"
    resources:
        mem_mb=1000,
        runtime=20,
    params:
        text=render_check(screen),
    message:
        "Checking the tables"
    script:
        "../../scripts/check.py"


rule compute_yields:
    input:
        code=graph.code_of("compute_yields"),
    output:
        yields=f"{RESULTS}/collect/yields.csv",
    log:
        f"{RESULTS}/logs/compute_yields.log",
    benchmark:
        f"{RESULTS}/benchmarks/compute_yields.tsv"
    conda:
        "../../environment.yml"
    resources:
        mem_mb=500,
        runtime=10,
    params:
        masses=rows["masses"],
        design=rows["design"],
        feedstocks=rows["feedstocks"],
        settings={
            name: screen.config[name]
            for name in (
                "balances",
                "default_balance",
                "moisture_u_percent",
                "ash_u_percent",
                "koh_purity_percent",
                "monte_carlo_above_percent",
                "seed",
            )
        },
    message:
        "Turning weighings into yields"
    script:
        "../../scripts/compute_yields.py"


rule summarise_firings:
    input:
        logs=graph.logs_of(rows["firings"]),
        code=graph.code_of("summarise_firings"),
    output:
        firings=f"{RESULTS}/collect/firings.csv",
        findings=f"{RESULTS}/collect/firing_findings.csv",
        digests=f"{RESULTS}/collect/firing_digests.csv",
    log:
        f"{RESULTS}/logs/summarise_firings.log",
    benchmark:
        f"{RESULTS}/benchmarks/summarise_firings.tsv"
    conda:
        "../../environment.yml"
    resources:
        mem_mb=1000,
        runtime=20,
    params:
        firings=rows["firings"],
        prints=graph.fingerprints(graph.logs_of(rows["firings"])),
        readings=rows["firing_readings"],
        planned=graph.planned_firings(rows["design"]),
        column_maps={
            row["log_map"]: screen.config["column_maps"][row["log_map"]]
            for row in rows["firings"]
            if row["log_map"]
        },
        limits={name: screen.config["limits"][name] for name in FIRING_LIMITS},
    message:
        "Reading what the kiln did"
    script:
        "../../scripts/summarise_firings.py"


rule reduce_traces:
    input:
        traces=lambda wildcards: graph.traces_of(BATCHES[wildcards.batch]),
        code=graph.code_of("reduce_traces"),
    output:
        results=f"{RESULTS}/collect/batches/{{batch}}_test_results.csv",
        cycles=f"{RESULTS}/collect/batches/{{batch}}_cycles.parquet",
        thinned=f"{RESULTS}/collect/batches/{{batch}}_thinned.parquet",
        findings=f"{RESULTS}/collect/batches/{{batch}}_findings.csv",
        digests=f"{RESULTS}/collect/batches/{{batch}}_digests.csv",
    log:
        f"{RESULTS}/logs/reduce_traces_{{batch}}.log",
    benchmark:
        f"{RESULTS}/benchmarks/reduce_traces_{{batch}}.tsv"
    wildcard_constraints:
        batch=r"\d{3}",
    conda:
        "../../environment.yml"
    resources:
        mem_mb=1500,
        runtime=60,
    params:
        tests=lambda wildcards: BATCHES[wildcards.batch],
        # A changed trace is seen even where its time is an old one.
        prints=lambda wildcards: graph.fingerprints(graph.traces_of(BATCHES[wildcards.batch])),
        cells=lambda wildcards: graph.rows_where(
            rows["cells"],
            "cell",
            {test["cell"] for test in BATCHES[wildcards.batch]},
        ),
        readings=lambda wildcards: graph.rows_where(
            rows["readings"],
            "test",
            {test["test"] for test in BATCHES[wildcards.batch]},
        ),
        column_maps=screen.config["column_maps"],
        instrument=screen.config["instrument"],
        settings={
            name: screen.config["capacitance"][name]
            for name in ("window", "skip_cycles", "method_order", "leakage_time_s")
        },
    message:
        "Reading traces, batch {wildcards.batch}"
    script:
        "../../scripts/reduce_traces.py"


rule gather_tests:
    input:
        results=expand(f"{RESULTS}/collect/batches/{{batch}}_test_results.csv", batch=BATCHES),
        cycles=expand(f"{RESULTS}/collect/batches/{{batch}}_cycles.parquet", batch=BATCHES),
        code=graph.code_of("gather_tests"),
    output:
        results=f"{RESULTS}/collect/test_results.csv",
        cycles=f"{RESULTS}/collect/cycles.parquet",
    log:
        f"{RESULTS}/logs/gather_tests.log",
    benchmark:
        f"{RESULTS}/benchmarks/gather_tests.tsv"
    conda:
        "../../environment.yml"
    resources:
        mem_mb=1000,
        runtime=20,
    message:
        "Gathering the results of all tests"
    script:
        "../../scripts/gather_tests.py"


rule summarise_cells:
    input:
        # Of the batches, not the gathered table: so both jobs can run at once.
        results=expand(f"{RESULTS}/collect/batches/{{batch}}_test_results.csv", batch=BATCHES),
        code=graph.code_of("summarise_cells"),
    output:
        cells=f"{RESULTS}/collect/cells.csv",
        findings=f"{RESULTS}/collect/cell_findings.csv",
    log:
        f"{RESULTS}/logs/summarise_cells.log",
    benchmark:
        f"{RESULTS}/benchmarks/summarise_cells.tsv"
    conda:
        "../../environment.yml"
    resources:
        mem_mb=500,
        runtime=10,
    params:
        cells=rows["cells"],
        design=rows["design"],
        electrode_balance=screen.config["balances"][screen.config["electrode_balance"]],
        limits=screen.config["limits"],
        settings={
            name: screen.config["capacitance"][name]
            for name in ("method_order", "reference_current_A_per_g", "area_u_percent")
        },
    message:
        "From cells to farads per gram"
    script:
        "../../scripts/summarise_cells.py"


rule gather_findings:
    input:
        tests=expand(f"{RESULTS}/collect/batches/{{batch}}_findings.csv", batch=BATCHES),
        cells=f"{RESULTS}/collect/cell_findings.csv",
        firings=f"{RESULTS}/collect/firing_findings.csv",
        code=graph.code_of("gather_findings"),
    output:
        findings=f"{RESULTS}/collect/findings.csv",
        left_out=f"{RESULTS}/collect/left_out.csv",
    log:
        f"{RESULTS}/logs/gather_findings.log",
    benchmark:
        f"{RESULTS}/benchmarks/gather_findings.tsv"
    conda:
        "../../environment.yml"
    resources:
        mem_mb=500,
        runtime=10,
    params:
        findings=[finding.as_row() for finding in screen.findings],
        left_out=screen.left_out,
        accepted=[[*key, reason] for key, reason in sorted(screen.accepted.items())],
        rows_of={
            table: {row[column]: row["row"] for row in screen.tables[table]}
            for table, column in (
                ("tests", "test"),
                ("cells", "cell"),
                ("firings", "firing"),
            )
        },
    message:
        "Gathering what was found and what was left out"
    script:
        "../../scripts/gather_findings.py"
