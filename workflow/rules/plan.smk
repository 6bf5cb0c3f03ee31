# From the settings and the feedstocks to lots in firings, feed to weigh and run sheets.


PLAN_FILES = [
    f"{RESULTS}/plan/overview.html",
    f"{RESULTS}/plan/quality.html",
    f"{RESULTS}/plan/run_sheets",
    f"{RESULTS}/plan/cell_sheets",
    f"{RESULTS}/plan/forms.xlsx",
    f"{RESULTS}/plan/shopping_list.html",
    f"{RESULTS}/plan/calendar.html",
    *expand(f"{RESULTS}/plan/{{kind}}_sheets.pdf", kind=["run", "cell"] if CAN_PRINT else []),
    *NO_PDF_NOTE,
]


rule plan:
    input:
        PLAN_FILES,


rule make_plan:
    input:
        code=graph.code_of("make_plan"),
    output:
        design=f"{RESULTS}/plan/design.csv",
        lots=f"{RESULTS}/plan/lots.csv",
        cells=f"{RESULTS}/plan/cells.csv",
        summary=f"{RESULTS}/plan/plan.json",
    log:
        f"{RESULTS}/logs/make_plan.log",
    benchmark:
        f"{RESULTS}/benchmarks/make_plan.tsv"
    conda:
        "../../environment.yml"
    threads: 4
    resources:
        mem_mb=1000,
        runtime=20,
    params:
        feedstocks=rows["feedstocks"],
        settings={
            **{
                name: screen.config[name]
                for name in (
                    "plan",
                    "kiln",
                    "seed",
                    "moisture_u_percent",
                    "koh_purity_percent",
                    "prices",
                )
            },
            "koh_warning_C": screen.config["limits"]["koh_warning_C"],
            "nitrogen_limit_d_percent": screen.config["limits"]["nitrogen_d_percent"],
            "priors": screen.priors,
            "accepted": rows["design"] if screen.config["plan"]["keep"] else [],
        },
    message:
        "Laying out firings and feed to weigh"
    script:
        "../../scripts/make_plan.py"


rule compare_plan:
    input:
        design=f"{RESULTS}/plan/design.csv",
        schemas=graph.table_schema_files(),
        code=graph.code_of("compare_plan"),
    output:
        differences=f"{RESULTS}/plan/differences.txt",
    log:
        f"{RESULTS}/logs/compare_plan.log",
    benchmark:
        f"{RESULTS}/benchmarks/compare_plan.tsv"
    conda:
        "../../environment.yml"
    resources:
        mem_mb=1000,
        runtime=20,
    params:
        design=rows["design"],
        masses=rows["masses"],
        cells=rows["cells"],
    message:
        "Comparing the plan with the design that was accepted"
    script:
        "../../scripts/compare_plan.py"


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
        data_are_invented=screen.config["data_are_invented"],
        kiln=screen.config["kiln"],
        limits=screen.config["limits"],
        koh_purity_percent=screen.config["koh_purity_percent"],
    message:
        "Writing the overview and a run sheet for each firing"
    script:
        "../../scripts/write_run_sheets.py"


rule write_cell_sheets:
    input:
        design=f"{RESULTS}/plan/design.csv",
        cells=f"{RESULTS}/plan/cells.csv",
        template=f"{workflow.basedir}/workflow/templates/run_sheet.html.jinja",
        style=f"{workflow.basedir}/workflow/templates/plan_pages.css",
        code=graph.code_of("write_cell_sheets"),
    output:
        sheets=directory(f"{RESULTS}/plan/cell_sheets"),
    log:
        f"{RESULTS}/logs/write_cell_sheets.log",
    benchmark:
        f"{RESULTS}/benchmarks/write_cell_sheets.tsv"
    conda:
        "../../environment.yml"
    resources:
        mem_mb=1000,
        runtime=20,
    params:
        feedstocks=rows["feedstocks"],
        title=screen.config["title"],
        data_are_invented=screen.config["data_are_invented"],
        limits=screen.config["limits"],
        plan=screen.config["plan"],
    message:
        "Writing the sheets for assembling and testing cells"
    script:
        "../../scripts/write_cell_sheets.py"


rule print_sheets:
    input:
        sheets=f"{RESULTS}/plan/{{kind}}_sheets",
        design=f"{RESULTS}/plan/design.csv",
        code=graph.code_of("print_sheets"),
    output:
        pdf=f"{RESULTS}/plan/{{kind}}_sheets.pdf",
    log:
        f"{RESULTS}/logs/print_sheets_{{kind}}.log",
    benchmark:
        f"{RESULTS}/benchmarks/print_sheets_{{kind}}.tsv"
    wildcard_constraints:
        kind="run|cell",
    conda:
        "../../environment.yml"
    resources:
        mem_mb=1000,
        runtime=20,
    params:
        title=screen.config["title"],
    message:
        "Printing the {wildcards.kind} sheets as PDF"
    script:
        "../../scripts/print_sheets.py"


rule write_plan_lists:
    input:
        design=f"{RESULTS}/plan/design.csv",
        lots=f"{RESULTS}/plan/lots.csv",
        cells=f"{RESULTS}/plan/cells.csv",
        template=f"{workflow.basedir}/workflow/templates/plan_list.html.jinja",
        style=f"{workflow.basedir}/workflow/templates/plan_pages.css",
        code=graph.code_of("write_plan_lists"),
    output:
        shopping=f"{RESULTS}/plan/shopping_list.csv",
        shopping_page=f"{RESULTS}/plan/shopping_list.html",
        calendar=f"{RESULTS}/plan/calendar.csv",
        calendar_page=f"{RESULTS}/plan/calendar.html",
    log:
        f"{RESULTS}/logs/write_plan_lists.log",
    benchmark:
        f"{RESULTS}/benchmarks/write_plan_lists.tsv"
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
        plan=screen.config["plan"],
        prices=screen.config["prices"],
    message:
        "Writing the shopping list and the calendar of firings"
    script:
        "../../scripts/write_plan_lists.py"


rule write_forms:
    input:
        design=f"{RESULTS}/plan/design.csv",
        lots=f"{RESULTS}/plan/lots.csv",
        cells=f"{RESULTS}/plan/cells.csv",
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
        title=screen.config["title"],
        data_are_invented=screen.config["data_are_invented"],
    message:
        "Writing the forms to fill in"
    script:
        "../../scripts/write_forms.py"


rule judge_plan:
    input:
        design=f"{RESULTS}/plan/design.csv",
        lots=f"{RESULTS}/plan/lots.csv",
        summary=f"{RESULTS}/plan/plan.json",
        template=f"{workflow.basedir}/workflow/templates/plan_quality.html.jinja",
        style=f"{workflow.basedir}/workflow/templates/plan_pages.css",
        code=graph.code_of("judge_plan"),
    output:
        quality=f"{RESULTS}/plan/quality.json",
        page=f"{RESULTS}/plan/quality.html",
        comparisons=f"{RESULTS}/plan/comparisons.csv",
        confounding=f"{RESULTS}/plan/confounding.csv",
        effort=f"{RESULTS}/plan/effort.csv",
        by_firings=f"{RESULTS}/plan/probability_by_firings.csv",
    log:
        f"{RESULTS}/logs/judge_plan.log",
    benchmark:
        f"{RESULTS}/benchmarks/judge_plan.tsv"
    conda:
        "../../environment.yml"
    resources:
        mem_mb=1000,
        runtime=20,
    params:
        feedstocks=rows["feedstocks"],
        names={row["feedstock"]: row["name"] for row in rows["feedstocks"]},
        plan=screen.config["plan"],
        kiln=screen.config["kiln"],
        prices=screen.config["prices"],
        costs=screen.config["costs"],
        merits=screen.config["merits"],
        priors=screen.priors,
        seed=screen.config["seed"],
        title=screen.config["title"],
        data_are_invented=screen.config["data_are_invented"],
    message:
        "Judging the plan: how likely it is to find the best"
    script:
        "../../scripts/judge_plan.py"
