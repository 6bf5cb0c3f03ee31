"""The one form in which problems are told."""

from charscreen.findings import QUESTIONS, STOPS, Finding, nearest, render, sort_key


def test_message_form():
    findings = [
        Finding("masses", 6, "run", "R04", STOPS, "'R04' stands in row 5 already."),
        Finding("masses", 4, "char_g", "abc", STOPS, "'abc' is not a number. Write grams."),
        Finding("config", None, "kiln.crucibles", "0", STOPS, "0 is under the least, 1."),
    ]
    assert render(findings) == (
        "1 problem in config/config.yaml\n"
        "  key kiln.crucibles: 0 is under the least, 1.\n"
        "2 problems in config/masses.csv\n"
        "  row 4, column char_g: 'abc' is not a number. Write grams.\n"
        "  row 6, column run: 'R04' stands in row 5 already."
    )


def test_worst_comes_first():
    mild = Finding("a", 1, "", "", QUESTIONS, "m")
    grave = Finding("z", 9, "", "", STOPS, "m")
    assert sorted([mild, grave], key=sort_key) == [grave, mild]


def test_nearest_name():
    assert nearest("rice_hsk", ["rice_husk", "walnut"]) == "rice_husk"
    assert nearest("RICE_HUSK", ["rice_husk"]) == "rice_husk"
    assert nearest("zzz", ["rice_husk"]) is None
