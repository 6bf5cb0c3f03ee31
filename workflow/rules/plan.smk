# From the settings and the feedstocks to lots in firings, feed to weigh and run sheets.


rule plan:
    input:
        f"{RESULTS}/plan/overview.html",
        f"{RESULTS}/plan/run_sheets",
        f"{RESULTS}/plan/forms.xlsx",


rule make_plan:
    input:
        code=graph.code_of("make_plan"),
    output:
        design=f"{RESULTS}/plan/design.csv",
        lots=f"{RESULTS}/plan/lots.csv",
        summary=f"{RESULTS}/plan/plan.json",
    log:
        f"{RESULTS}/logs/make_plan.log",
    benchmark:
        f"{RESULTS}/benchmarks/make_plan.tsv"
    conda:
        "../../environment.yml"
    resources:
        mem_mb=1000,
        runtime=20,
    params:
        feedstocks=rows["feedstocks"],
        plan=screen.config["plan"],
        kiln=screen.config["kiln"],
        seed=screen.config["seed"],
        limits=screen.config["limits"],
        moisture_u_percent=screen.config["moisture_u_percent"],
        koh_purity_percent=screen.config["koh_purity_percent"],
        priors=screen.priors,
    message:
        "Laying out firings and feed to weigh"
    script:
        "../../scripts/make_plan.py"


rule write_run_sheets:
    input:
        design=f"{RESULTS}/plan/design.csv",
        lots=f"{RESULTS}/plan/lots.csv",
        summary=f"{RESULTS}/plan/plan.json",
        template=f"{workflow.basedir}/workflow/templates/run_sheet.html.jinja",
        overview_template=f"{workflow.basedir}/workflow/templates/plan_overview.html.jinja",
        style=f"{workflow.basedir}/workflow/templates/plan_pages.css",
        code=graph.code_of("write_run_sheets"),
    output:
        overview=f"{RESULTS}/plan/overview.html",
        sheets=directory(f"{RESULTS}/plan/run_sheets"),
    log:
        f"{RESULTS}/logs/write_run_sheets.log",
    benchmark:
        f"{RESULTS}/benchmarks/write_run_sheets.tsv"
    conda:
        "../../environment.yml"
    resources:
        mem_mb=500,
        runtime=10,
    params:
        feedstocks=rows["feedstocks"],
        title=screen.config["title"],
        invented=screen.config["data_are_invented"],
        kiln=screen.config["kiln"],
        limits=screen.config["limits"],
        koh_purity_percent=screen.config["koh_purity_percent"],
    message:
        "Writing the overview and a run sheet for each firing"
    script:
        "../../scripts/write_run_sheets.py"


rule write_forms:
    input:
        design=f"{RESULTS}/plan/design.csv",
        lots=f"{RESULTS}/plan/lots.csv",
        code=graph.code_of("write_forms"),
        schemas=graph.table_schema_files(),
    output:
        forms=f"{RESULTS}/plan/forms.xlsx",
    log:
        f"{RESULTS}/logs/write_forms.log",
    benchmark:
        f"{RESULTS}/benchmarks/write_forms.tsv"
    conda:
        "../../environment.yml"
    resources:
        mem_mb=500,
        runtime=10,
    params:
        names={
            "feedstock": [row["feedstock"] for row in rows["feedstocks"]],
            "balance": sorted(screen.config["balances"]),
            "trace_map": graph.maps_with(screen.config["column_maps"], "voltage"),
            "log_map": graph.maps_with(screen.config["column_maps"], "temperature"),
        },
        cells_per_lot=screen.config["plan"].get("cells_per_lot"),
        title=screen.config["title"],
        invented=screen.config["data_are_invented"],
    message:
        "Writing the forms to fill in"
    script:
        "../../scripts/write_forms.py"
