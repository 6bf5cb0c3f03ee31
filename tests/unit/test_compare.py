"""Screens side by side."""

import numpy as np
import pandas as pd
import pytest
from charscreen.compare import RankedScreen, compare_page, put_side_by_side
from charscreen.compare.command import compare_folders
from charscreen.files import write_csv
from charscreen.findings import UserError
from charscreen.models.tables import write_draws
from tiny_screen import write_screen

MERIT = "electrode_F_per_g"


def screen(label, values, *, references=("shell",), kiln=1.0, spread=0.05, better="more", T=700):
    """A ranked screen with draws about given values; `kiln` multiplies all of them."""
    rng = np.random.default_rng(len(label))
    rows, draws = [], {}
    shared = np.exp(rng.normal(0, 0.2, 4000))  # what all lots of a screen have in common
    for feedstock, value in values.items():
        name = f"{feedstock}_{T}C_60min"
        drawn = kiln * value * shared * np.exp(rng.normal(0, spread, 4000))
        draws[f"{MERIT}|{name}"] = drawn
        lo, middle, hi = np.quantile(drawn, [0.05, 0.5, 0.95])
        rows.append(
            {
                "candidate": name,
                "feedstock": feedstock,
                "activation": "none",
                "koh_ratio": np.nan,
                "peak_temperature_C": float(T),
                "hold_min": 60.0,
                "activation_temperature_C": np.nan,
                "activation_hold_min": np.nan,
                "merit": MERIT,
                "unit": "F/g",
                "better": better,
                "estimate": middle,
                "estimate_lo": lo,
                "estimate_hi": hi,
                "expected_rank": 1.0,
                "rank_lo": 1,
                "rank_hi": 2,
                "p_best": 0.5,
                "n_lots": 2,
                "n_cells": 4,
                "predicted": "no",
            }
        )
    return RankedScreen(
        label=label,
        title=f"Screen {label} <b>",
        data_are_invented=True,
        ranking=pd.DataFrame(rows),
        draws=pd.DataFrame(draws),
        references=references,
        names={"shell": "Nut shell"},
    )


def test_the_shared_reference_takes_the_kilns_out():
    # Another kiln gives half of everything; against the reference the candidates are as they are.
    one = screen("one", {"shell": 100.0, "husk": 120.0})
    other = screen("other", {"shell": 100.0, "peel": 150.0}, kiln=0.5)
    found = put_side_by_side([one, other], MERIT)
    table = found.table.set_index("candidate")
    assert found.reference == "shell"
    assert table.loc["peel_700C_60min", "ratio"] == pytest.approx(1.5, rel=0.02)
    assert table.loc["husk_700C_60min", "ratio"] == pytest.approx(1.2, rel=0.02)
    # Drawn together, the part all lots share falls out: log-normal with 0.05 * sqrt(2).
    half = 1.6449 * 0.05 * np.sqrt(2)
    assert table.loc["peel_700C_60min", "ratio_hi"] == pytest.approx(1.5 * np.exp(half), rel=0.02)
    assert table.loc["peel_700C_60min", "p_best"] > 0.95
    # In farads the other screen's peel looks the worse one.
    estimates = table["estimate"]
    assert estimates["peel_700C_60min"] < estimates["husk_700C_60min"]


def test_where_less_is_better_the_smallest_ratio_is_most_likely_best():
    one = screen("one", {"shell": 100.0, "husk": 50.0}, better="less")
    other = screen("other", {"shell": 100.0, "peel": 80.0}, better="less")
    table = put_side_by_side([one, other], MERIT).table.set_index("candidate")
    assert table["p_best"].idxmax() == "husk_700C_60min"


def test_without_a_shared_reference_nothing_is_put_on_one_scale():
    one = screen("one", {"shell": 100.0, "husk": 120.0}, references=())
    other = screen("other", {"shell": 100.0, "peel": 150.0}, references=())
    found = put_side_by_side([one, other], MERIT)
    assert found.reference is None
    assert found.table[["ratio", "p_best", "expected_rank"]].isna().all(axis=None)
    assert "name one with --reference" in found.reference_words
    assert "Fired in all of them: shell" in found.reference_words
    asked = put_side_by_side([one, other], MERIT, reference="shell")
    assert asked.table["ratio"].notna().all()
    apart = screen("third", {"peel": 1.0}, references=())
    assert "share no feedstock" in put_side_by_side([one, apart], MERIT).reference_words


def test_a_reference_fired_at_other_conditions_is_said_to_be_less_fair():
    one = screen("one", {"shell": 100.0, "husk": 120.0})
    other = screen("other", {"shell": 90.0, "peel": 150.0}, T=800)
    assert "compares them less fairly" in put_side_by_side([one, other], MERIT).reference_words


def test_the_page_names_winner_reference_and_screens_and_escapes_titles():
    one = screen("one", {"shell": 100.0, "husk": 120.0})
    other = screen("other", {"shell": 100.0, "peel": 150.0}, kiln=0.5)
    found = put_side_by_side([one, other], MERIT)
    page = compare_page([one, other], found, MERIT, file="side_by_side.csv", interval_percent=90)
    again = compare_page([one, other], found, MERIT, file="side_by_side.csv", interval_percent=90)
    assert page == again
    assert "is most likely the best of all" in page
    assert "multiples" not in page or "Nut shell" in page
    assert "Screen one &lt;b&gt;" in page
    assert "Invented data" in page
    found = put_side_by_side([one, screen("b", {"peel": 1.0}, references=())], MERIT)
    page = compare_page([one, one], found, MERIT, file="side_by_side.csv", interval_percent=90)
    assert "cannot be told from these screens" in page


def test_what_is_wrong_with_the_folders_is_said_at_once(tmp_path):
    with pytest.raises(UserError, match="two or more"):
        compare_folders([tmp_path], tmp_path / "out")
    with pytest.raises(UserError, match="named twice"):
        compare_folders([tmp_path, tmp_path], tmp_path / "out")
    with pytest.raises(UserError) as told:
        compare_folders([tmp_path / "a", tmp_path / "b"], tmp_path / "out")
    assert str(told.value).count("is no screen") == 2
    assert not (tmp_path / "out").exists()


@pytest.fixture
def folders(tmp_path):
    """Two ranked screens on disk; the small screen's husk is their reference."""
    out = []
    for name, values in (("one", {"husk": 100.0, "peel": 130.0}), ("two", {"husk": 90.0})):
        folder = write_screen(tmp_path / name)
        ranked = screen(name, values)
        write_csv(ranked.ranking, folder / "results" / "rank" / "ranking.csv")
        write_draws(ranked.draws, folder / "results" / "rank" / "draws.parquet")
        out.append(folder)
    return out


def test_folders_are_compared_by_their_shared_reference(folders, tmp_path):
    told = compare_folders(folders, tmp_path / "out")
    assert told.startswith("husk is a reference lot of every screen.")
    assert told.endswith(f"The page: {tmp_path / 'out' / 'side_by_side.html'}")
    table = pd.read_csv(tmp_path / "out" / "side_by_side.csv")
    assert set(table["screen"]) == {"one", "two"}
    page = (tmp_path / "out" / "side_by_side.html").read_text()
    assert "Fruit peel" in page
    same = compare_folders(folders, tmp_path / "again", merit=MERIT, reference="husk")
    assert same.partition("\n")[2] == f"The page: {tmp_path / 'again' / 'side_by_side.html'}"
    assert (tmp_path / "again" / "side_by_side.csv").read_bytes() == (
        tmp_path / "out" / "side_by_side.csv"
    ).read_bytes()


def test_folders_of_one_name_are_told_apart_by_their_path(folders, tmp_path):
    twin = tmp_path / "lab" / "one"
    twin.parent.mkdir()
    folders[1].rename(twin)
    compare_folders([folders[0], twin], tmp_path / "out")
    table = pd.read_csv(tmp_path / "out" / "side_by_side.csv")
    assert set(table["screen"]) == {str(folders[0]), str(twin)}


@pytest.mark.parametrize(
    ("wish", "words"),
    [
        ({"merit": "electrode_F"}, "not every screen ranks by 'electrode_F'. Did you mean "),
        ({"merit": "x"}, f"All rank by {MERIT}."),
        ({"reference": "peel"}, "not every screen has a candidate of 'peel'. All have husk."),
    ],
)
def test_what_not_every_screen_has_is_told(folders, tmp_path, wish, words):
    with pytest.raises(UserError) as told:
        compare_folders(folders, tmp_path / "out", **wish)
    assert words in str(told.value)
    assert not (tmp_path / "out").exists()


def test_screens_without_a_common_merit_are_not_compared(folders, tmp_path):
    path = folders[1] / "results" / "rank" / "ranking.csv"
    path.write_text(path.read_text().replace(MERIT, "esr_area_ohm_cm2"))
    with pytest.raises(UserError, match="rank by no common merit"):
        compare_folders(folders, tmp_path / "out")


def test_a_screen_that_is_not_ranked_or_was_spoilt_is_told(folders, tmp_path):
    (folders[0] / "results" / "rank" / "ranking.csv").unlink()
    (folders[1] / "results" / "rank" / "draws.parquet").write_bytes(b"PAR1 cut short")
    with pytest.raises(UserError) as told:
        compare_folders(folders, tmp_path / "out")
    assert f"snakemake --directory {folders[0]} rank" in str(told.value)
    assert "draws.parquet cannot be read" in str(told.value)
    assert "Delete it and run again." in str(told.value)
