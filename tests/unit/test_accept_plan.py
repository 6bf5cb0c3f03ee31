"""Accepting a plan: what is copied, what is refused, and that nothing measured is lost."""

import hashlib
import os

import accept_plan
import pytest
from charscreen.plan.acceptance import accept_plan as accept
from charscreen.plan.acceptance import compare, measured_runs

CONFIG = """\
title: Test screen
kiln: {crucibles: 2, crucible_volume_mL: 250, max_temperature_C: 1000}
balances: {bench: {readability_g: 0.01}}
"""
HEADER = "run,role,feedstock,firing,crucible,peak_temperature_C,hold_min,activation\n"
PLAN = HEADER + "R001,screen,husk,F01,1,600,60,none\nR002,screen,peel,F01,2,600,60,none\n"
OTHER = HEADER + "R001,screen,husk,F01,1,700,60,none\nR003,screen,peel,F02,2,800,60,none\n"


@pytest.fixture
def screen(tmp_path):
    (tmp_path / "config").mkdir()
    (tmp_path / "config" / "config.yaml").write_text(CONFIG)
    (tmp_path / "config" / "feedstocks.csv").write_text("feedstock,name\nhusk,Husk\npeel,Peel\n")
    (tmp_path / "config" / "masses.csv").write_text("run,feed_ar_g,char_g\n")
    (tmp_path / "config" / "cells.csv").write_text(
        "cell,run,electrode_1_mg,electrode_2_mg,binder_percent,additive_percent,upper_voltage_V\n"
    )
    (tmp_path / "results" / "plan").mkdir(parents=True)
    (tmp_path / "results" / "plan" / "design.csv").write_text(PLAN)
    return tmp_path


def design(screen):
    return (screen / "config" / "design.csv").read_text()


def hashes(folder):
    return {
        str(path): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def refused(screen, capsys, *options):
    """Standard error of a call that must fail, write nothing, and show no traceback."""
    before = hashes(screen)
    assert accept_plan.main([str(screen), *options]) == 1
    assert hashes(screen) == before
    out, err = capsys.readouterr()
    assert out == ""
    assert "Traceback" not in err
    return err


@pytest.mark.parametrize("before", [None, HEADER])
def test_a_first_plan_is_copied_as_it_is(screen, capsys, before):
    if before is not None:
        (screen / "config" / "design.csv").write_text(before)
    assert accept_plan.main([str(screen)]) == 0
    assert design(screen) == PLAN
    assert "2 lots (2 new, 0 changed, 0 as before, 0 gone)" in capsys.readouterr().out


def test_the_same_plan_again_writes_nothing(screen, capsys):
    # The same rows in another dress: semicolons, other order of columns and rows.
    (screen / "config" / "design.csv").write_text(
        "feedstock;run;role;firing;crucible;peak_temperature_C;hold_min;activation\n"
        "peel;R002;screen;F01;2;600;60;none\nhusk;R001;screen;F01;1;600;60;none\n"
    )
    before = hashes(screen)
    assert accept_plan.main([str(screen)]) == 0
    assert hashes(screen) == before
    assert "already" in capsys.readouterr().out


def test_unmeasured_lots_are_not_overwritten_unasked(screen, capsys):
    (screen / "config" / "design.csv").write_text(OTHER)
    message = refused(screen, capsys)
    assert "change or drop 2 lots of it, none measured yet" in message
    assert "R001: peak_temperature_C 700 → 600" in message
    assert "R003: gone" in message
    assert "--replace" in message


def test_replace_keeps_the_old_file(screen, capsys):
    (screen / "history").mkdir()
    (screen / "history" / "design_1.csv").write_text("older")
    (screen / "config" / "design.csv").write_text(OTHER)
    assert accept_plan.main([str(screen), "--replace"]) == 0
    assert design(screen) == PLAN
    assert (screen / "history" / "design_1.csv").read_text() == "older"
    assert (screen / "history" / "design_2.csv").read_text() == OTHER
    assert "kept as history/design_2.csv" in capsys.readouterr().out


@pytest.mark.parametrize("options", [(), ("--replace",)])
@pytest.mark.parametrize(
    ("table", "text", "run"),
    [
        ("masses", "run,char_g\nR001,1.2\n", "R001"),
        ("masses", "run,char_g,exclude_reason\nR003,1.2,spilled\n", "R003"),
        (
            "cells",
            "cell,run,electrode_1_mg,electrode_2_mg,binder_percent,additive_percent,upper_voltage_V\n"
            "C1,R003,10,10,10,5,1\n",
            "R003",
        ),
    ],
)
def test_measured_lots_are_never_changed_or_dropped(screen, capsys, table, text, run, options):
    (screen / "config" / "design.csv").write_text(OTHER)
    (screen / "config" / f"{table}.csv").write_text(text)
    message = refused(screen, capsys, *options)
    assert "1 lot already measured" in message
    assert f"  {run}: " in message


def test_a_row_of_masses_without_a_number_is_not_measured(screen):
    (screen / "config" / "design.csv").write_text(OTHER)
    (screen / "config" / "masses.csv").write_text("run,char_g,note\nR001,,form filled in later\n")
    accept(screen, replace=True)
    assert design(screen) == PLAN


def test_measured_lots_that_stay_as_they_are_do_not_hinder(screen):
    (screen / "config" / "design.csv").write_text(PLAN.rsplit("R002", 1)[0])
    (screen / "config" / "masses.csv").write_text("run,char_g\nR001,1.2\n")
    done = accept(screen)
    assert design(screen) == PLAN
    assert "1 new, 0 changed, 1 as before" in done[-1]
    assert not (screen / "history").exists()


def test_parents_of_measured_aliquots_count_as_measured():
    rows = [
        {"run": "R1", "parent": None},
        {"run": "R1a", "parent": "R1"},
        {"run": "R1ab", "parent": "R1a"},
        {"run": "R2", "parent": None},
    ]
    assert measured_runs(rows, [], [{"run": "R1ab"}]) == {"R1", "R1a", "R1ab"}


def test_differences_are_counted_beyond_the_first_lines():
    rows = [{"row": i, "run": f"R{i:02d}"} for i in range(2, 22)]
    lines = compare(rows, []).lines()
    assert len(lines) == 13
    assert lines[-1] == "  and 8 more"


def test_no_plan_says_how_to_make_one(screen, capsys):
    (screen / "results" / "plan" / "design.csv").unlink()
    message = refused(screen, capsys)
    assert "There is no plan yet" in message
    assert f"snakemake plan --directory {screen}" in message


def test_an_empty_plan_is_not_accepted(screen, capsys):
    (screen / "results" / "plan" / "design.csv").write_text(HEADER)
    assert "nothing to accept" in refused(screen, capsys)


def test_no_screen(tmp_path, capsys):
    assert "is no screen" in refused(tmp_path, capsys)


def test_unreadable_tables_are_named(screen, capsys):
    (screen / "config" / "design.csv").write_text(OTHER)
    (screen / "config" / "masses.csv").write_text("run,char_g\nR001,heavy\n")
    message = refused(screen, capsys, "--replace")
    assert "masses.csv" in message
    assert "heavy" in message


def test_a_damaged_plan_is_named(screen, capsys):
    (screen / "results" / "plan" / "design.csv").write_text("run,role\nR001,screen\n")
    assert "design.csv" in refused(screen, capsys)


def test_results_folder_is_that_of_the_settings(screen):
    (screen / "config" / "config.yaml").write_text(CONFIG + "results: out/today\n")
    os.renames(screen / "results" / "plan", screen / "out" / "today" / "plan")
    accept(screen)
    assert design(screen) == PLAN


def test_a_design_in_xlsx_is_not_shadowed(screen, capsys):
    (screen / "config" / "design.xlsx").write_bytes(b"not read, only seen")
    assert "design.xlsx" in refused(screen, capsys)


LONE = (
    "run,role,feedstock,firing,crucible,peak_temperature_C,hold_min,activation,koh_ratio,"
    "activation_firing,feed_ar_g\n"
)
PROPOSED = LONE + (
    "R003,repeat,husk,F02,1,652.5,60,none,,,31.5\nR004,screen,peel,F02,2,652.5,60,KOH,3,A01,40\n"
)


@pytest.fixture
def proposed(screen):
    """A screen with a measured design and a proposal of two lots in a firing of their own."""
    (screen / "config" / "design.csv").write_text(PLAN)
    (screen / "config" / "masses.csv").write_text("run,feed_ar_g,char_g\nR001,30,8\n")
    (screen / "results" / "next").mkdir()
    (screen / "results" / "next" / "design.csv").write_text(PROPOSED)
    return screen


def test_a_proposed_firing_is_added_below_what_is_there(proposed, capsys):
    assert accept_plan.main([str(proposed), "--next"]) == 0
    out = capsys.readouterr().out
    assert "2 lots more, in firing F02" in out
    assert "unchanged" in out
    assert (proposed / "history" / "design_1.csv").read_text() == PLAN
    lines = design(proposed).splitlines()
    # The columns that were not there stand at the end; the old rows hold what they held.
    assert lines[0] == HEADER.strip() + ",koh_ratio,activation_firing,feed_ar_g"
    assert lines[1:3] == [line + ",,," for line in PLAN.splitlines()[1:]]
    assert lines[3:] == [
        "R003,repeat,husk,F02,1,652.5,60,none,,,31.5",
        "R004,screen,peel,F02,2,652.5,60,KOH,3,A01,40",
    ]
    assert accept_plan.main([str(proposed), "--next"]) == 0
    assert "already" in capsys.readouterr().out
    assert len(design(proposed).splitlines()) == 5


def test_a_file_with_all_columns_keeps_its_bytes_delimiter_and_decimal_mark(proposed):
    before = (
        "\ufefffeedstock;run;role;firing;crucible;peak_temperature_C;hold_min;activation;koh_ratio;"
        "activation_firing;feed_ar_g;note\r\nhusk;R001;screen;F01;1;600;60;;;;28,5;first\r\n"
        "peel;R002;screen;F01;2;600;60;;;;31;"
    ).encode()
    path = proposed / "config" / "design.csv"
    path.write_bytes(before)
    assert accept_plan.main([str(proposed), "--next"]) == 0
    after = path.read_bytes()
    assert after.startswith(before + b"\r\n")
    added = after.removeprefix(before).decode().split("\r\n")
    assert added[1] == "husk;R003;repeat;F02;1;652,5;60;none;;;31,5;"
    assert added[2] == "peel;R004;screen;F02;2;652,5;60;KOH;3;A01;40;"
    assert added[3:] == [""]


def test_a_design_that_went_on_since_is_left_alone(proposed, capsys):
    more = PLAN + "R003,screen,peel,F02,1,700,60,none\n"
    (proposed / "config" / "design.csv").write_text(more)
    err = refused(proposed, capsys, "--next")
    assert "it went on since the firing was proposed" in err
    assert "run R003 is there already" in err
    assert "firing F02 is there already" in err
    assert "snakemake next" in err


def test_no_proposal_and_an_empty_one_are_said(proposed, capsys):
    (proposed / "results" / "next" / "design.csv").write_text(LONE)
    assert "nothing to accept" in refused(proposed, capsys, "--next")
    (proposed / "results" / "next" / "design.csv").unlink()
    err = refused(proposed, capsys, "--next")
    assert "There is no proposal yet (results/next/design.csv is absent)" in err
    (proposed / "results" / "next" / "design.csv").write_text(PROPOSED)
    (proposed / "config" / "design.csv").unlink()
    assert "Accept a plan first" in refused(proposed, capsys, "--next")
