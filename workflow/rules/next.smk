# From the ranking to the firing that is worth most to the choice.

NEXT = {
    "design": f"{RESULTS}/next/design.csv",
    "lots": f"{RESULTS}/next/lots.csv",
    "options": f"{RESULTS}/next/options.csv",
    "summary": f"{RESULTS}/next/next.json",
}


rule next:
    input:
        NEXT.values(),
        f"{RESULTS}/next/run_sheet.html",


rule propose_next:
    input:
        **{
            f"{model}_{part}": MODELS[model][f"{model}_{part}"]
            for model in model_names.RANKED_MODELS
            for part in ("model", "draws", "residuals")
        },
        candidates=f"{RESULTS}/rank/candidates.csv",
        draws=f"{RESULTS}/rank/draws.parquet",
        summary=f"{RESULTS}/rank/summary.json",
        yields=f"{RESULTS}/collect/yields.csv",
        cells=f"{RESULTS}/collect/cells.csv",
        firings=f"{RESULTS}/collect/firings.csv",
        code=graph.code_of("propose_next"),
    output:
        **NEXT,
    log:
        f"{RESULTS}/logs/propose_next.log",
    benchmark:
        f"{RESULTS}/benchmarks/propose_next.tsv"
    conda:
        "../../environment.yml"
    resources:
        mem_mb=1000,
        runtime=20,
    params:
        merit=screen.config["merits"][0],
        design=rows["design"],
        facts=FACTS,
        voltages=UPPER_VOLTAGES,
        screen={
            "weighed": sorted(row["run"] for row in rows["masses"]),
            "taken_runs": sorted(row["id"] for row in screen.left_out if row["table"] == "design"),
            "feedstocks": rows["feedstocks"],
            "kiln": screen.config["kiln"],
            "plan": screen.config["plan"],
            "costs": screen.config["costs"],
            "prices": screen.config["prices"],
            "settings": screen.config["next"],
            "seed": screen.config["seed"],
            "moisture_u_percent": screen.config["moisture_u_percent"],
            "koh_purity_percent": screen.config["koh_purity_percent"],
        },
    message:
        "Proposing what to run next"
    script:
        "../../scripts/propose_next.py"


rule write_next_sheet:
    input:
        **NEXT,
        template=f"{workflow.basedir}/workflow/templates/run_sheet.html.jinja",
        style=f"{workflow.basedir}/workflow/templates/plan_pages.css",
        code=graph.code_of("write_next_sheet"),
    output:
        sheet=f"{RESULTS}/next/run_sheet.html",
    log:
        f"{RESULTS}/logs/write_next_sheet.log",
    benchmark:
        f"{RESULTS}/benchmarks/write_next_sheet.tsv"
    conda:
        "../../environment.yml"
    resources:
        mem_mb=1000,
        runtime=20,
    params:
        feedstocks=rows["feedstocks"],
        title=screen.config["title"],
        data_are_invented=screen.config["data_are_invented"],
        kiln=screen.config["kiln"],
        limits=screen.config["limits"],
        koh_purity_percent=screen.config["koh_purity_percent"],
    message:
        "Writing the sheet of the next firing"
    script:
        "../../scripts/write_next_sheet.py"
