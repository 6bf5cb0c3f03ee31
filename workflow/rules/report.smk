# From result tables to pictures and one page.

REPORT_FILES = [
    f"{RESULTS}/report.html",
    f"{RESULTS}/tables.xlsx",
    *expand(f"{RESULTS}/{{name}}.pdf", name=["report", "summary"] if CAN_PRINT else []),
    *NO_PDF_NOTE,
]
FEEDSTOCK_NAMES = {row["feedstock"]: row["name"] for row in screen.tables["feedstocks"]}


FIGURES = graph.figure_files(f"{RESULTS}/figures", screen.config["merits"])
FIGURES_OF_YIELDS = {name: FIGURES[name] for name in graph.FIGURES_OF_YIELDS}


rule draw_yields:
    input:
        **MODELS["char_yield"],
        **MODELS["activation_yield"],
        **MODELS["overall_yield"],
        yields=f"{RESULTS}/collect/yields.csv",
        code=graph.code_of("draw_yields"),
    output:
        **FIGURES_OF_YIELDS,
    log:
        f"{RESULTS}/logs/draw_yields.log",
    benchmark:
        f"{RESULTS}/benchmarks/draw_yields.tsv"
    conda:
        "../../environment.yml"
    resources:
        mem_mb=1000,
        runtime=20,
    params:
        data_are_invented=screen.config["data_are_invented"],
        names=FEEDSTOCK_NAMES,
    message:
        "Drawing the figures of the yields"
    script:
        "../../scripts/draw_yields.py"


rule draw_figures:
    input:
        **MODEL_FILES,
        yields=f"{RESULTS}/collect/yields.csv",
        cells=f"{RESULTS}/collect/cells.csv",
        ranking=f"{RESULTS}/rank/ranking.csv",
        code=graph.code_of("draw_figures"),
    output:
        **{name: path for name, path in FIGURES.items() if name not in FIGURES_OF_YIELDS},
    log:
        f"{RESULTS}/logs/draw_figures.log",
    benchmark:
        f"{RESULTS}/benchmarks/draw_figures.tsv"
    conda:
        "../../environment.yml"
    resources:
        mem_mb=1000,
        runtime=20,
    params:
        merits=screen.config["merits"],
        data_are_invented=screen.config["data_are_invented"],
        names=FEEDSTOCK_NAMES,
    message:
        "Drawing the figures"
    script:
        "../../scripts/draw_figures.py"


rule draw_traces:
    input:
        results=f"{RESULTS}/collect/batches/{{batch}}_test_results.csv",
        thinned=f"{RESULTS}/collect/batches/{{batch}}_thinned.parquet",
        cycles=f"{RESULTS}/collect/batches/{{batch}}_cycles.parquet",
        code=graph.code_of("draw_traces"),
    output:
        sheets=directory(f"{RESULTS}/figures/traces/{{batch}}"),
    log:
        f"{RESULTS}/logs/draw_traces_{{batch}}.log",
    benchmark:
        f"{RESULTS}/benchmarks/draw_traces_{{batch}}.tsv"
    wildcard_constraints:
        batch=r"\d{3}",
    conda:
        "../../environment.yml"
    resources:
        mem_mb=1000,
        runtime=20,
    params:
        made_of=lambda wildcards: graph.made_of(
            BATCHES[wildcards.batch],
            screen.tables["cells"],
            screen.tables["design"],
            FEEDSTOCK_NAMES,
        ),
        data_are_invented=screen.config["data_are_invented"],
    message:
        "Drawing the traces, batch {wildcards.batch}"
    script:
        "../../scripts/draw_traces.py"


rule render_report:
    input:
        **FIGURES,
        **MODEL_FILES,
        **COMPARISON,
        **{f"next_{name}": path for name, path in NEXT.items()},
        ranking=f"{RESULTS}/rank/ranking.csv",
        summary=f"{RESULTS}/rank/summary.json",
        snapshot=graph.latest_snapshot(),
        yields=f"{RESULTS}/collect/yields.csv",
        cells=f"{RESULTS}/collect/cells.csv",
        test_results=f"{RESULTS}/collect/test_results.csv",
        findings=f"{RESULTS}/collect/findings.csv",
        left_out=f"{RESULTS}/collect/left_out.csv",
        traces=expand(f"{RESULTS}/figures/traces/{{batch}}", batch=BATCHES),
        firings=f"{RESULTS}/collect/firings.csv",
        digests=[
            *expand(f"{RESULTS}/collect/batches/{{batch}}_digests.csv", batch=BATCHES),
            f"{RESULTS}/collect/firing_digests.csv",
        ],
        config_files=screen.files,
        templates=[
            f"{workflow.basedir}/workflow/templates/report.html.jinja",
            f"{workflow.basedir}/workflow/templates/report.css",
            f"{workflow.basedir}/workflow/templates/report.js",
        ],
        code=graph.code_of("render_report"),
    output:
        page=f"{RESULTS}/report.html",
        run=f"{RESULTS}/run.json",
    log:
        f"{RESULTS}/logs/render_report.log",
    benchmark:
        f"{RESULTS}/benchmarks/render_report.tsv"
    conda:
        "../../environment.yml"
    resources:
        mem_mb=1000,
        runtime=20,
    params:
        config=screen.config,
        # Of the files as the rows were read from them, even where one is edited during the run.
        config_digests=CONFIG_DIGESTS,
        told={
            "unused": screen.unused,
            "unfilled": unfilled(screen.tables),
            "feedstock_names": FEEDSTOCK_NAMES,
            "moistures": {
                row["feedstock"]: row["moisture_ar_percent"] for row in screen.tables["feedstocks"]
            },
            "nitrogen_rich": graph.nitrogen_rich(
                screen.tables["feedstocks"], screen.config["limits"]["nitrogen_d_percent"]
            ),
            "counts": {name: len(rows) for name, rows in screen.tables.items()},
        },
    message:
        "Writing the report"
    script:
        "../../scripts/render_report.py"


rule print_report:
    input:
        page=f"{RESULTS}/report.html",
        style=f"{workflow.basedir}/workflow/templates/report_print.css",
        summary_style=f"{workflow.basedir}/workflow/templates/summary_print.css",
        code=graph.code_of("print_report"),
    output:
        report=f"{RESULTS}/report.pdf",
        summary=f"{RESULTS}/summary.pdf",
    log:
        f"{RESULTS}/logs/print_report.log",
    benchmark:
        f"{RESULTS}/benchmarks/print_report.tsv"
    conda:
        "../../environment.yml"
    resources:
        mem_mb=1000,
        runtime=20,
    message:
        "Printing the report as PDF"
    script:
        "../../scripts/print_report.py"


rule write_workbook:
    input:
        **MODEL_FILES,
        ranking=f"{RESULTS}/rank/ranking.csv",
        feedstocks=f"{RESULTS}/rank/feedstocks.csv",
        comparison=f"{RESULTS}/rank/groups.csv",
        front=f"{RESULTS}/rank/front.csv",
        desirability=f"{RESULTS}/rank/desirability.csv",
        sensitivity=f"{RESULTS}/rank/sensitivity.csv",
        options=f"{RESULTS}/next/options.csv",
        yields=f"{RESULTS}/collect/yields.csv",
        cells=f"{RESULTS}/collect/cells.csv",
        tests=f"{RESULTS}/collect/test_results.csv",
        firings=f"{RESULTS}/collect/firings.csv",
        findings=f"{RESULTS}/collect/findings.csv",
        left_out=f"{RESULTS}/collect/left_out.csv",
        words=f"{workflow.basedir}/workflow/schemas/results.yaml",
        schemas=graph.table_schema_files(),
        code=graph.code_of("write_workbook"),
    output:
        workbook=f"{RESULTS}/tables.xlsx",
    log:
        f"{RESULTS}/logs/write_workbook.log",
    benchmark:
        f"{RESULTS}/benchmarks/write_workbook.tsv"
    conda:
        "../../environment.yml"
    resources:
        mem_mb=1000,
        runtime=20,
    params:
        title=screen.config["title"],
        data_are_invented=screen.config["data_are_invented"],
    message:
        "Writing the tables into one workbook"
    script:
        "../../scripts/write_workbook.py"
