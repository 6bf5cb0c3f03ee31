"""Screens of one's own: empty, half measured, and with mistakes."""

import hashlib
import shutil

import pytest
from charscreen.files import read_csv, read_json

TARGETS = ("plan", "check", "collect", "fit", "rank", "report", "all")


def test_every_target_works_on_an_empty_screen(empty_screen):
    missing = {
        "plan": "nothing to plan yet: feedstocks.csv has no rows",
        "collect": "No yields yet: masses.csv has no rows that count.\n"
        "No test results yet: tests.csv has no rows that count.\n"
        "No farads per gram yet: cells.csv has no rows that count.",
        "fit": "No model of char yield (dry basis): no lot has a char yield yet.\n"
        "No model of electrode capacitance: no cell has a capacitance yet.",
        "rank": "Nothing is ranked: no lot has a yield or a capacitance yet.",
    }
    done = empty_screen.must_run(*TARGETS)
    for target, lines in missing.items():
        for line in lines.splitlines():
            assert line in (done.stdout + done.stderr).splitlines(), (target, line)
    for name in ("overview", "quality"):
        page = (empty_screen.results / "plan" / f"{name}.html").read_text(encoding="utf-8")
        assert "Nothing to plan yet" in page
    page = (empty_screen.results / "report.html").read_text(encoding="utf-8")
    assert "feedstocks.csv" in page or "masses.csv" in page
    assert len(read_csv(empty_screen.results / "rank" / "ranking.csv")) == 0


@pytest.fixture
def masses_only(empty_screen):
    """Two firings of three lots weighed, no cell yet."""
    config = empty_screen.config
    (config / "feedstocks.csv").write_text(
        "feedstock,name,moisture_ar_percent,ash_d_percent\n"
        "shell,Nut shell,8,1\nhusk,Husk,9,18\npeel,Peel,85,5\n"
    )
    lots = [
        (f"R{3 * i + k + 1}", f"F{i + 1}", feed, 600 + 100 * i)
        for i in range(2)
        for k, feed in enumerate(("shell", "husk", "peel"))
    ]
    (config / "design.csv").write_text(
        "run,role,feedstock,firing,peak_temperature_C,hold_min\n"
        + "".join(f"{r},screen,{feed},{f},{t},60\n" for r, f, feed, t in lots)
    )
    (config / "masses.csv").write_text(
        "run,feed_ar_g,feed_dry_g,char_g\n"
        + "".join(
            f"{r},50,{dry},{dry * share:.2f}\n"
            for (r, *_), dry, share in zip(
                lots, (46, 45, 8, 46, 45, 8), (0.31, 0.4, 0.28, 0.29, 0.37, 0.26), strict=True
            )
        )
    )
    return empty_screen


def test_no_target_touches_the_inputs(masses_only):
    config = masses_only.config
    (config / "~$masses.xlsx").write_bytes(b"open elsewhere")

    def inputs():
        return {
            path: (hashlib.sha256(path.read_bytes()).hexdigest(), path.stat().st_mtime_ns)
            for path in sorted(config.rglob("*"))
            if path.is_file()
        }

    before = inputs()
    listed = masses_only.must_run("--list-target-rules").stdout.split()
    # The named targets; between them they run every rule, whose names are verb_noun.
    targets = [name for name in listed if name.isalpha()]
    assert set(TARGETS) <= set(targets)
    masses_only.must_run(*targets)
    assert inputs() == before


def test_half_a_screen_gives_half_a_report(masses_only):
    masses_only.must_run()
    assert len(read_csv(masses_only.results / "collect" / "yields.csv")) == 6
    model = read_json(masses_only.results / "fit" / "capacitance_model.json")
    assert model["fitted"] is False
    assert model["reason"]
    ranking = read_csv(masses_only.results / "rank" / "ranking.csv")
    assert set(ranking["merit"]) == {"carbon_g_per_kg_d"}
    assert set(ranking["basis"]) == {"yield only"}


def test_a_small_whole_screen_is_reported(empty_screen):
    """Three feedstocks, four firings, two cells a lot: the least that every section has."""
    config = empty_screen.config
    (config / "feedstocks.csv").write_text(
        "feedstock,name,moisture_ar_percent\nshell,Nut shell,8\nhusk,Husk,9\npeel,Peel,12\n"
    )
    # Farads and grams of the test alone: shell above husk above peel, firings and lots scatter.
    level = {"shell": 0.30, "husk": 0.24, "peel": 0.17}
    shift = (1.00, 1.06, 0.93, 1.02)
    design, masses, cells, tests = [], [], [], []
    for f in range(4):
        for k, feed in enumerate(level):
            run = f"R{3 * f + k + 1}"
            design.append(f"{run},screen,{feed},F{f + 1},{(600, 700)[f % 2]},60")
            masses.append(f"{run},50,45,{14 + k + 0.3 * f - 1.5 * (f % 2):.2f}")
            for c in range(2):
                farads = level[feed] * shift[f] * (1 + 0.03 * ((f + k) % 3 - 1) + 0.02 * c)
                cells.append(f"{run}c{c},{run},10,10,10,1.0")
                tests.append(f"T{run}c{c},{run}c{c},direct,{farads:.4f},0.002")
    for name, head, rows in (
        ("design", "run,role,feedstock,firing,peak_temperature_C,hold_min", design),
        ("masses", "run,feed_ar_g,feed_dry_g,char_g", masses),
        ("cells", "cell,run,electrode_1_mg,electrode_2_mg,binder_percent,upper_voltage_V", cells),
        ("tests", "test,cell,method,capacitance_F,capacitance_F_se", tests),
    ):
        (config / f"{name}.csv").write_text("\n".join([head, *rows]) + "\n")
    empty_screen.must_run()
    ranking = read_csv(empty_screen.results / "rank" / "ranking.csv")
    best = ranking[ranking["merit"] == "electrode_F_per_g"].iloc[0]
    assert best["feedstock"] == "shell"
    page = (empty_screen.results / "report.html").read_text(encoding="utf-8")
    assert "Invented data" not in page


def test_mistakes_stop_the_run_with_one_message(masses_only):
    masses = masses_only.config / "masses.csv"
    masses.write_text(masses.read_text().replace("R2,50,", "R2,abc,").replace("R5,", "R1,"))
    feeds = masses_only.config / "feedstocks.csv"
    feeds.write_text(feeds.read_text().replace("moisture_ar_percent", "moisture_percent"))
    done = masses_only.run()
    told = done.stdout + done.stderr
    assert done.returncode == 1
    assert "Traceback" not in told
    assert "2 problems in config/masses.csv" in told
    assert "row 3, column feed_ar_g: 'abc' is not a number" in told
    assert "'R1' stands in row 2 already" in told
    assert "moisture_ar_percent" in told
    assert not masses_only.results.exists()


def test_impossible_mass_leaves_only_that_lot_out(masses_only):
    masses = masses_only.config / "masses.csv"
    lines = masses.read_text().splitlines()
    lines[2] = "R2,50,45,46"
    masses.write_text("\n".join(lines) + "\n")
    done = masses_only.must_run("check")
    assert "row 3, column char_g" in done.stdout + done.stderr
    masses_only.must_run("collect")
    assert set(read_csv(masses_only.results / "collect" / "yields.csv")["run"]) == {
        *("R1", "R3", "R4", "R5", "R6")
    }
    left_out = read_csv(masses_only.results / "collect" / "left_out.csv")
    assert left_out["id"].tolist() == ["R2"]


def test_missing_settings_say_how_to_begin(tmp_path, empty_screen):
    shutil.rmtree(empty_screen.config)
    done = empty_screen.run()
    assert done.returncode == 1
    assert "new_screen.py" in done.stdout + done.stderr
    assert "Traceback" not in done.stdout + done.stderr


def test_a_failing_step_ends_in_one_block_without_the_engines_own(demo_copy):
    settings = demo_copy.config / "config.yaml"
    settings.write_text(settings.read_text().replace("  firings: 12\n", "  firings: 2\n"))
    done = demo_copy.run("plan")
    assert done.returncode == 1
    assert "key plan.firings: 2 firings of 6 crucibles have room for 10 lots" in done.stderr
    assert "Failed: Laying out firings and feed to weigh" in done.stderr
    assert "its log: results/logs/make_plan.log" in done.stderr
    assert "CalledProcessError" not in done.stderr
    assert "Traceback" not in done.stderr
