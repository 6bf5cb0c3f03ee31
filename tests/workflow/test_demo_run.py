"""The demo, end to end: it runs, it rests, and only what must be redone is redone."""

import csv
import hashlib
import re
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import yaml
from charscreen.files import read_csv, read_json
from charscreen.printing import can_print
from charscreen.words import list_ids

ROOT = Path(__file__).resolve().parents[2]
PRINTED = {"print_report"} if can_print() else set()


def hashes(folder: Path) -> dict[str, str]:
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def change_cell(path: Path, key: str, column: str, value: str) -> None:
    """Write another value into one cell of a CSV table."""
    with path.open(newline="") as stream:
        rows = list(csv.reader(stream))
    at = rows[0].index(column)
    next(row for row in rows[1:] if row[0] == key)[at] = value
    with path.open("w", newline="") as stream:
        csv.writer(stream, lineterminator="\n").writerows(rows)


def test_inputs_are_left_as_they_are(demo):
    assert hashes(demo.config) == hashes(ROOT / "config")


def test_nothing_to_do_on_the_second_run(demo):
    done = demo.must_run("-n", "all")
    assert "Nothing to do: every result is up to date." in done.stdout


def test_all_tables_are_there_and_full(demo):
    collect = demo.results / "collect"
    assert len(read_csv(collect / "yields.csv")) > 60
    assert len(read_csv(collect / "cells.csv")) > 100
    assert len(read_csv(collect / "test_results.csv")) > 140
    ranking = read_csv(demo.results / "rank" / "ranking.csv")
    merits = {"electrode_F_per_g", "device_F_per_kg_d", "cost_per_device_F"}
    assert set(ranking["merit"]) == merits
    assert (ranking["estimate_lo"] <= ranking["estimate"]).all()
    assert (ranking["estimate"] <= ranking["estimate_hi"]).all()
    for _, one in ranking.groupby("merit"):
        assert one["p_best"].sum() == pytest.approx(1, abs=1e-6)


def cell_noted(note: str) -> str:
    """The one cell of the demo with that note."""
    cells = read_csv(ROOT / "config" / "cells.csv")
    return cells.loc[cells["note"] == note, "cell"].item()


def test_dirt_of_the_demo_is_found(demo):
    """All that was put there is found, and nothing else: no clean cell is asked about."""
    collect = demo.results / "collect"
    findings = read_csv(collect / "findings.csv")
    heavy, overshot, leaky, thin = findings.to_dict("records")
    assert (heavy["table"], heavy["column"], heavy["severity"]) == (
        *("masses", "char_g", "leaves out"),
    )
    assert (overshot["table"], overshot["column"], float(overshot["value"])) == (
        *("firings", "peak_temperature_C", 760),
    )
    assert "760 °C where 700 °C was planned" in overshot["message"]
    results = read_csv(collect / "test_results.csv")
    tests = read_csv(ROOT / "config" / "tests.csv").set_index("test")
    of_leaky = results[results["cell"] == cell_noted("loses voltage quickly")]
    assert set(of_leaky["quality"]) == {"coulombic efficiency under 90 %"}
    assert (leaky["table"], leaky["severity"]) == ("tests", "questions")
    assert leaky["value"] == tests.loc[of_leaky["test"].item(), "trace"]
    assert "of the charge comes back: the cell leaks" in leaky["message"]
    of_resistive = results[results["cell"] == cell_noted("contact looked corroded")]
    assert set(of_resistive["quality"]) == {"drop over 20 % of the window"}
    assert of_resistive["esr_ohm"].item() == results["esr_ohm"].max()
    assert (thin["table"], thin["column"], float(thin["value"])) == ("cells", "area_cm2", 12)
    assert "coated thinly" in thin["accepted"]
    assert findings["accepted"].notna().sum() == 1


def test_cells_that_the_demo_lacks_are_told(demo):
    page = (demo.results / "report.html").read_text(encoding="utf-8")
    text = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page))
    lots = read_csv(ROOT / "config" / "design.csv")
    lots = lots[lots["exclude_reason"].isna()]
    cells = read_csv(ROOT / "config" / "cells.csv")
    without = [run for run in lots["run"] if run not in set(cells["run"])]
    assert len(without) == 5
    assert f"Lots without a cell 5 of {len(lots)} {list_ids(without)}" in text
    untested = cell_noted("not tested yet")
    assert f"Cell without a test 1 of {len(cells)} {untested}" in text
    assert untested not in set(read_csv(demo.results / "collect" / "cells.csv")["cell"])


def test_changed_mass_reruns_the_ledger_and_not_the_traces(demo_copy):
    masses = demo_copy.config / "masses.csv"
    with masses.open(newline="") as stream:
        row = next(r for r in csv.DictReader(stream) if r["char_g"])
    change_cell(masses, row["run"], "char_g", f"{float(row['char_g']) * 0.99:.2f}")
    planned = demo_copy.planned()
    assert planned["compute_yields"] == 1
    assert planned["fit_yield"] == planned["rank_candidates"] == planned["render_report"] == 1
    assert not {"reduce_traces", "gather_tests", "summarise_cells", "fit_performance"} & set(
        planned
    )


def test_edited_kiln_log_reruns_the_firings_and_what_they_feed(demo_copy):
    log = demo_copy.config / "traces" / "F07_kiln.csv"
    log.write_text(log.read_text(encoding="utf-8").replace("\n", "\n# read twice\n", 1), "utf-8")
    planned = demo_copy.planned()
    assert planned["summarise_firings"] == 1
    assert planned["fit_yield"] == planned["fit_performance"] == 1
    assert not {"compute_yields", "reduce_traces", "summarise_cells", "make_plan"} & set(planned)


def test_log_of_the_overshot_firing_replaces_what_was_planned(demo):
    firings = read_csv(demo.results / "collect" / "firings.csv").set_index("firing")
    overshot = firings.loc[firings["overshoot_C"] > 40]
    assert list(overshot["peak_from"]) == ["log"]
    assert overshot["planned_peak_temperature_C"].item() == 700
    assert overshot["peak_temperature_C"].item() == pytest.approx(760, abs=2)
    assert set(firings["peak_from"]) == {"log", "readings", "typed"}
    assert "Firings as done" in (demo.results / "report.html").read_text(encoding="utf-8")


def test_kept_yields_are_those_of_the_next_plan(demo_copy):
    done = subprocess.run(
        [sys.executable, str(ROOT / "scripts" / "keep_priors.py"), str(demo_copy.folder)],
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stderr
    kept = yaml.safe_load((demo_copy.config / "priors.yaml").read_text(encoding="utf-8"))
    model = read_json(demo_copy.results / "fit" / "char_yield_model.json")
    for name in ("char_yield", "activation_yield"):
        assert {row["feedstock"] for row in kept[name]["expected"]} <= set(model["feedstocks"])
        assert all(0 < row["mean_percent"] < 100 for row in kept[name]["expected"])
        assert all(row["spread_percent"] > 0 for row in kept[name]["expected"])
    demo_copy.must_run("plan")
    lots = read_csv(demo_copy.results / "plan" / "lots.csv")
    design = read_csv(demo_copy.results / "plan" / "design.csv").set_index("run")
    at = {
        (row["feedstock"], row["peak_temperature_C"], row["hold_min"])
        for row in kept["char_yield"]["expected"]
    }
    plan = design.loc[lots["run"], ["feedstock", "peak_temperature_C", "hold_min"]]
    in_priors = [key in at for key in plan.itertuples(index=False, name=None)]
    assert sum(in_priors) > len(lots) / 2
    assert lots["yields_from"][in_priors].str.startswith("priors").all()
    quality = read_json(demo_copy.results / "plan" / "quality.json")
    source = quality["scatter_source"]
    of_fit = {key for key, where in source.items() if where == "priors.yaml"}
    assert {"firing_percent", "cell_percent", "between_feedstocks_percent"} <= of_fit
    kept_sd = kept["capacitance"]["scatter"]["feedstock"]
    relative = 100 * np.sqrt(np.expm1(kept_sd**2))
    assert quality["scatter"]["between_feedstocks_percent"] == pytest.approx(relative)
    assert 0 < quality["p_best"] < quality["p_within_delta"] < 1


def test_resorted_table_reruns_only_what_tells_row_numbers(demo_copy):
    demo_copy.edit("tests", lambda lines: [lines[0], *reversed(lines[1:])])
    told = {"gather_findings", "render_report", "write_workbook"}
    assert set(demo_copy.planned()) == told | PRINTED


def test_one_new_test_reruns_one_batch(demo_copy):
    tests = demo_copy.config / "tests.csv"
    with tests.open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    model = next(row for row in rows if row["trace"] and row["method"] == "constant_current")
    suffix = "".join(Path(model["trace"]).suffixes)
    shutil.copy(
        demo_copy.config / "traces" / model["trace"], demo_copy.config / f"traces/new{suffix}"
    )
    new = model | {"test": "T999", "trace": f"new{suffix}"}
    with tests.open("a", newline="") as stream:
        csv.DictWriter(stream, list(new), lineterminator="\n").writerow(new)
    planned = demo_copy.planned()
    assert planned["reduce_traces"] == 1
    assert planned["gather_tests"] == planned["summarise_cells"] == 1
    assert not {"compute_yields", "fit_yield", "draw_yields"} & set(planned)


def test_a_kept_ranking_shows_what_a_changed_measurement_did(demo_copy):
    _command("keep_ranking.py", demo_copy.folder)
    masses = demo_copy.config / "masses.csv"
    with masses.open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    # The char of one lot of rice husk weighed again: a third less than was written down.
    row = next(r for r in rows if r["run"] in _lots_of(demo_copy, "rice_husk") and r["char_g"])
    row["char_g"] = f"{float(row['char_g']) * 2 / 3:.3f}"
    with masses.open("w", newline="") as stream:
        out = csv.DictWriter(stream, list(row), lineterminator="\n")
        out.writeheader()
        out.writerows(rows)
    demo_copy.must_run("results/report.html")
    page = (demo_copy.results / "report.html").read_text(encoding="utf-8")
    section = re.search(r'<section id="changes".*?</section>', page, re.DOTALL)[0]
    assert page.index('id="changes"') < page.index('id="yields"')
    # Who moved, and by which measurement.
    assert f"{row['run']} char yield" in section
    assert "Rice husk" in section


def test_the_proposed_firing_is_accepted_and_planned_in(demo_copy):
    before = read_csv(demo_copy.config / "design.csv")
    proposed = read_csv(demo_copy.results / "next" / "design.csv")
    _command("accept_plan.py", demo_copy.folder, "--next")
    after = read_csv(demo_copy.config / "design.csv")
    assert after["run"].tolist() == before["run"].tolist() + proposed["run"].tolist()
    told = demo_copy.must_run("check")
    assert "Traceback" not in told.stdout + told.stderr


def _command(script: str, *arguments) -> None:
    done = subprocess.run(
        [sys.executable, str(ROOT / "scripts" / script), *map(str, arguments)],
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stdout + done.stderr


def _lots_of(screen, feedstock: str) -> set[str]:
    design = read_csv(screen.config / "design.csv")
    return set(design.loc[design["feedstock"] == feedstock, "run"])


@pytest.mark.slow
def test_edited_library_module_reruns_the_rules_that_use_it(demo_copy, tmp_path):
    code = tmp_path / "code"
    for part in ("Snakefile", "environment.yml"):
        code.mkdir(exist_ok=True)
        shutil.copy2(ROOT / part, code / part)
    for part in ("scripts", "workflow"):
        shutil.copytree(ROOT / part, code / part, ignore=shutil.ignore_patterns("__pycache__"))
    demo_copy.root = code
    demo_copy.must_run("all")
    assert not demo_copy.planned("all")
    ledger = code / "scripts" / "charscreen" / "ledger" / "chain.py"
    ledger.write_text(ledger.read_text() + "\nEDITED = True\n")
    planned = demo_copy.planned("all")
    assert planned["compute_yields"] == 1
    assert not {"reduce_traces", "summarise_cells"} & set(planned)


def compare(new: pd.DataFrame, kept: pd.DataFrame, relative: float) -> None:
    assert list(new.columns) == list(kept.columns)
    assert len(new) == len(kept)
    for name in new.columns:
        if pd.api.types.is_numeric_dtype(kept[name]):
            np.testing.assert_allclose(
                new[name].astype(float), kept[name].astype(float), rtol=relative, atol=1e-6
            )
        else:
            assert new[name].tolist() == kept[name].tolist(), name


# Plain arithmetic agrees between machines to rounding; fits stop within their own tolerance;
# ranking figures come from a finite number of draws (regression values, all of them).
@pytest.mark.parametrize(
    ("table", "relative"),
    [
        ("collect/yields.csv", 1e-6),
        ("collect/test_results.csv", 1e-4),
        ("collect/cells.csv", 1e-4),
        ("collect/findings.csv", 1e-6),
        ("collect/left_out.csv", 1e-6),
        ("fit/char_yield_effects.csv", 1e-2),
        ("fit/capacitance_effects.csv", 1e-2),
        ("plan/design.csv", 1e-9),
        ("plan/lots.csv", 1e-3),
    ],
)
def test_committed_results_are_those_of_a_new_run(demo, table, relative):
    compare(read_csv(demo.results / table), read_csv(ROOT / "results_demo" / table), relative)


def test_committed_ranking_is_that_of_a_new_run(demo):
    keys = ["merit", "candidate"]
    new = read_csv(demo.results / "rank" / "ranking.csv").set_index(keys).sort_index()
    kept = read_csv(ROOT / "results_demo" / "rank" / "ranking.csv").set_index(keys).sort_index()
    assert new.index.equals(kept.index)
    np.testing.assert_allclose(new["estimate"], kept["estimate"], rtol=0.02)
    np.testing.assert_allclose(new["p_best"], kept["p_best"], atol=0.03)
    np.testing.assert_allclose(new["expected_rank"], kept["expected_rank"], atol=1.0)


@pytest.mark.slow
def test_two_runs_give_the_same_bytes(demo, tmp_path):
    shutil.copytree(ROOT / "config", tmp_path / "again" / "config")
    again = type(demo)(tmp_path / "again")
    again.must_run("all")
    first, second = hashes(demo.results), hashes(again.results)
    varying = re.compile(r"^(logs|benchmarks)/|^run\.json$")
    names = {name for name in first if not varying.search(name)}
    assert names == {name for name in second if not varying.search(name)}
    assert [name for name in sorted(names) if first[name] != second[name]] == []


def test_report_is_one_file_and_says_that_the_data_are_invented(demo):
    page = (demo.results / "report.html").read_text(encoding="utf-8")
    assert "Invented data" in page
    assert re.findall(r"<script\b[^>]*>", page) == ["<script>"]
    assert not re.search(r"""(src|href)=["'](?!#|data:)""", page)
    assert read_json(demo.results / "run.json")["time"]
