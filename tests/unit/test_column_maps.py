"""Column maps of traces and kiln logs: what is wrong with one, all at once and with the remedy."""

import numpy as np
import pytest
from charscreen.firing_log.reading import read_kiln_log
from charscreen.traces.maps import check_map

GOOD = {"time": {"column": "t"}, "voltage": {"column": "U"}}


def test_a_map_of_names_alone_is_enough():
    checked, problems = check_map({"time": "t", "voltage": "U", "current": {"column": "I"}})
    assert problems == []
    assert checked.columns == {"time": "t", "voltage": "U", "current": "I"}
    assert (checked.delimiter, checked.decimal, checked.skip_lines, checked.charge_sign) == (
        ",", ".", 0, 1,
    )  # fmt: skip


@pytest.mark.parametrize("micro", ["uA", "\N{MICRO SIGN}A", "\N{GREEK SMALL LETTER MU}A"])
def test_all_spellings_of_microamperes_are_one(micro):
    current = {"column": "I", "unit": micro, "positive_is": "discharge"}
    checked, _ = check_map(GOOD | {"current": current, "delimiter": "tab"})
    assert checked.units == {"current": "uA"}
    assert (checked.charge_sign, checked.delimiter) == (-1, "\t")


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"voltge": {"column": "U"}}, "unknown key 'voltge'. Did you mean 'voltage'?"),
        ({"xyz": 1}, "unknown key 'xyz'. Known keys: delimiter, decimal,"),
        ({"time": None}, "no time column. Write time: {column: NAME}."),
        ({"voltage": {"unit": "V"}}, "voltage names no column. Write voltage: {column: NAME}."),
        ({"time": {"column": "t", "unit": "fortnight"}}, "'fortnight' is no unit of time. Use "),
        ({"current": {"column": "U"}}, "voltage and current name the same column U. Correct one."),
        (
            {"current": {"column": "I", "positive_is": "up"}},
            "positive_is is 'up'. Write charge or discharge.",
        ),
        ({"decimal": ";"}, "decimal is ';'. Write '.' or ','."),
        ({"delimiter": "::"}, "delimiter is '::'. Write one character"),
        ({"skip_lines": -1}, "skip_lines is '-1'. Write a whole number from 0."),
        ({"skip_lines": "two"}, "skip_lines is 'two'. Write a whole number from 0."),
    ],
)
def test_what_is_wrong_is_named_with_its_remedy(change, words):
    checked, (problem,) = check_map(GOOD | change)
    assert checked is None
    assert problem.startswith(words)


def test_all_that_is_wrong_is_named_at_once():
    checked, problems = check_map({"decimal": ";", "skip_lines": -1})
    assert checked is None
    assert len(problems) == 4
    assert check_map(["time"]) == (
        None, ["a column map is a set of keys such as time, voltage and delimiter."],
    )  # fmt: skip


# --- kiln logs

LOG = {"time": {"column": "t", "unit": "min"}, "temperature": {"column": "T"}}


def read(tmp_path, text, column_map=LOG):
    path = tmp_path / "kiln.csv"
    path.write_text(text, encoding="utf-8")
    return read_kiln_log(path, column_map)


def test_minutes_and_fahrenheit_of_two_thermocouples(tmp_path):
    temperature = {"column": ["a", "b"], "unit": "F"}
    (time, values), notes = read(
        tmp_path, "t,a,b\n0,32,212\n1,212,392\n", LOG | {"temperature": temperature}
    )
    assert notes == []
    assert list(time) == [0.0, 60.0]
    np.testing.assert_allclose(values, [[0.0, 100.0], [100.0, 200.0]], atol=1e-9)


@pytest.mark.parametrize(
    ("column_map", "words"),
    [
        ({"time": {"column": "t"}}, "Its column map names no temperature. The log is not used."),
        (
            LOG | {"temperature": {"column": "T", "unit": "R"}},
            "'R' is no unit of temperature. Write C, F or K. The log is not used.",
        ),
        (LOG | {"decimal": ";"}, "column map: decimal is ';'. Write '.' or ','."),
    ],
)
def test_a_map_without_use_leaves_the_log_out(tmp_path, column_map, words):
    found, notes = read(tmp_path, "t,T\n0,20\n1,30\n", column_map)
    assert found is None
    assert notes[0] == words
    assert notes[-1].endswith("The log is not used.")


def test_rows_in_which_time_falls_back_are_left_away_or_too_many(tmp_path):
    rows = [f"{k},{20 + k}" for k in range(30)]
    (time, values), notes = read(tmp_path, "\n".join(["t,T", *rows[:9], "3,99", *rows[9:]]))
    assert notes == ["Time falls back in 1 of its rows; they are left away."]
    assert list(time / 60) == list(range(30))
    assert values.max() < 99
    found, notes = read(tmp_path, "\n".join(["t,T", *rows[:9], "3,99", "4,99", *rows[9:]]))
    assert found is None
    assert notes == ["Time falls back in 2 of its rows. The log is not used."]


def test_a_log_of_one_temperature_is_not_used(tmp_path):
    found, notes = read(tmp_path, "t,T\n0,20\n1,\n2,\n")
    assert found is None
    assert notes[-1] == "Fewer than two of its rows hold a temperature. The log is not used."
