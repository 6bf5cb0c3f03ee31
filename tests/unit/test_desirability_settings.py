"""What the settings say about desirability, and what is said where it is wrong."""

import pytest
from charscreen.screen.check_desirability import check_desirability
from charscreen.screen.config import load_config

HEAD = """\
title: Test screen
kiln: {crucibles: 2, crucible_volume_mL: 250, max_temperature_C: 1000}
balances: {bench: {readability_g: 0.01}}
merits: [electrode_F_per_g, device_F_per_kg_d]
"""


def loaded(tmp_path, text):
    path = tmp_path / "config.yaml"
    path.write_text(HEAD + text)
    return load_config(path)


def test_defaults_are_filled_in(tmp_path):
    config, findings = loaded(
        tmp_path, "desirability:\n  electrode_F_per_g: {low: 100, high: 200}\n"
    )
    assert findings == []
    assert config["desirability"] == {
        "electrode_F_per_g": {"low": 100, "high": 200, "exponent": 1, "weight": 1}
    }
    assert loaded(tmp_path, "")[0]["desirability"] == {}


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("electrode_F_per: {low: 1, high: 2}", "Did you mean 'electrode_F_per_g'?"),
        ("electrode_F_per_g: {low: 2, high: 1}", "low 2 is not below high 1"),
        ("electrode_F_per_g: {low: 1, high: 1}", "Write the smaller number under low"),
        ("electrode_F_per_g: {low: 1, high: 2, target: 3}", "target 3 is not between low 1 and"),
        ("electrode_F_per_g: {low: 1}", "high"),
        ("electrode_F_per_g: {low: 1, high: 2, weight: 0}", "weight"),
        ("electrode_F_per_g: {low: 1, high: 2, wieght: 1}", "weight"),
        ("electrode_F_per_g: {low: a, high: 2}", "low"),
    ],
)
def test_mistakes_are_named_with_their_line(tmp_path, line, said):
    _, findings = loaded(tmp_path, f"desirability:\n  {line}\n")
    (finding,) = findings
    assert finding.row == 6
    assert said in f"{finding.column} {finding.message}"


def test_all_mistakes_are_told_at_once():
    wishes = {"nothing": {"low": 2.0, "high": 1.0}, "a": {"low": 0.0, "high": 1.0, "target": 5.0}}
    assert [key for key, _, _ in check_desirability(wishes, ["a"])] == [
        ("desirability", "nothing"),
        ("desirability", "nothing", "low"),
        ("desirability", "a", "target"),
    ]
