from charscreen.screen.unfilled import unfilled


def lot(run, **more):
    row = {"run": run, "firing": "K1", "activation": "none", "activation_firing": None}
    return row | {"parent": None} | more


def test_what_a_half_filled_screen_lacks():
    tables = {
        "design": [
            lot("R1"),
            lot("R2", firing="K2"),
            lot("R3", activation="KOH", activation_firing="A1"),
            lot("R3a", activation="KOH", activation_firing="A1", parent="R3"),
            lot("R4", activation="KOH", activation_firing="A1"),
            lot("R5"),
        ],
        "masses": [
            {"run": "R1", "char_g": 10.0},
            # A row laid out for later holds no mass yet.
            {"run": "R2", "char_g": None, "char_gross_g": None},
            {"run": "R3", "char_g": 9.0, "activated_g": None},
            {"run": "R3a", "char_g": None, "activated_g": 2.0},
            {"run": "R4", "char_gross_g": 60.0, "activated_gross_g": 33.0},
        ],
        "cells": [{"cell": "C1", "run": "R1"}, {"cell": "C2", "run": "R1"}],
        "tests": [{"test": "T1", "cell": "C1"}],
        "firings": [{"firing": "K1"}],
    }
    assert unfilled(tables) == {
        "not_weighed": ["R2", "R3", "R5"],
        "without_cells": ["R2", "R3", "R3a", "R4", "R5"],
        "without_tests": ["C2"],
        "firings_not_recorded": ["K2", "A1"],
    }


def test_an_empty_screen_lacks_nothing_by_name():
    assert not any(unfilled({}).values())
    assert not any(unfilled({"design": [], "masses": []}).values())
