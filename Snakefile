# The whole graph at a glance. Data flows one way:
#   config/ -> plan
#   config/ -> check -> collect -> fit -> rank -> next -> report
# A screen is a folder with config/; another one: snakemake --directory my_screen
import sys

sys.path.insert(0, f"{workflow.basedir}/scripts")

from charscreen.deviations import DEFAULT_LIMITS as FIRING_LIMITS
from charscreen import graph
from charscreen.job import disk_trouble
from charscreen.locking import BusyError, hold_run
from charscreen.models import names as model_names
from charscreen.provenance import digest
from charscreen.screen import ScreenError, open_screen, render_check
from charscreen.screen.unfilled import unfilled

# Every table is read and checked here, once, before any job: each job below gets exactly its own
# rows as params, so that a new row reruns only what hangs on it.
try:
    screen = open_screen(".", overrides=config)
except ScreenError as error:
    sys.exit(f"\n{error}\n")

RESULTS = screen.config["results"]
CONFIG_DIGESTS = {name: digest(name) for name in screen.files}

# One run at a time, held until this process ends; its own processes on other machines and dry
# runs need no lock. What a killed run left is cleared away.
if workflow.is_main_process and not workflow.output_settings.dryrun:
    try:
        run_lock = hold_run(".", RESULTS, tell=lambda text: print(text, file=sys.stderr))
    except BusyError as error:
        sys.exit(f"\n{error}\n")
    except OSError as error:
        sys.exit(f"\n{disk_trouble(error) or error}\n")

rows = {table: graph.plain_rows(found) for table, found in screen.tables.items()}


include: "workflow/rules/print.smk"
include: "workflow/rules/plan.smk"
include: "workflow/rules/collect.smk"
include: "workflow/rules/fit.smk"
include: "workflow/rules/rank.smk"
include: "workflow/rules/next.smk"
include: "workflow/rules/report.smk"


# Bare `snakemake` makes the report.
rule report:
    default_target: True
    input:
        REPORT_FILES,


rule all:
    input:
        REPORT_FILES,
        f"{RESULTS}/next/run_sheet.html",
        PLAN_FILES,


localrules:
    all,
    check,
    collect,
    fit,
    next,
    plan,
    rank,
    report,
