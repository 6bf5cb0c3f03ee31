"""Settings: defaults, closed schema, messages with line and remedy, overrides."""

import pytest
from charscreen.findings import STOPS, render
from charscreen.screen.config import load_config
from charscreen.screen.schemas import config_schema
from hypothesis import given, settings
from hypothesis import strategies as st
from tiny_screen import CONFIG


@pytest.fixture
def load(tmp_path):
    """Function from the text of a config.yaml to (config, findings)."""

    def of(text, overrides=None):
        path = tmp_path / "config.yaml"
        path.write_bytes(text if isinstance(text, bytes) else text.encode("utf-8"))
        return load_config(path, overrides)

    return of


def keys_of(schema, prefix=()):
    """Key paths of everything in the schema that has a fixed name."""
    for key, inner in schema.get("properties", {}).items():
        yield (*prefix, key)
        yield from keys_of(inner, (*prefix, key))


def test_all_defaults_are_filled_in(load):
    config, findings = load(CONFIG)
    assert findings == []
    for path in keys_of(config_schema()):
        here = config
        for key in path:
            assert key in here, path
            here = here[key]
    assert list(config) == list(config_schema()["properties"])
    assert config["default_balance"] == config["electrode_balance"] == "bench"
    assert config["balances"]["fine"] == {
        "readability_g": 0.0001,
        "repeatability_g": 0,
        "calibration_percent": 0,
    }
    # No unit: then the header of the file tells.
    assert config["column_maps"]["plain"]["time"] == {"column": "time_s"}
    assert config["column_maps"]["plain"]["current"]["positive_is"] == "charge"
    assert "current" not in config["column_maps"]["voltage_only"]
    assert config["plan"]["firings"] is None
    assert config["plan"]["activation"] == ["none"]


def test_defaults_pass_their_own_schema():
    import jsonschema

    schema = config_schema()
    jsonschema.Draft202012Validator.check_schema(schema)

    def look(inner, path):
        if "default" in inner and inner.get("type") != "object":
            jsonschema.Draft202012Validator(inner).validate(inner["default"])
        assert inner.get("description"), path
        for key, deeper in inner.get("properties", {}).items():
            look(deeper, (*path, key))
        others = inner.get("additionalProperties")
        assert others is not None or inner.get("type") != "object", f"{path} is open"
        if isinstance(others, dict):
            look(others | {"description": "entry"}, (*path, "*"))

    look(schema | {"description": "all"}, ())


def test_calls_do_not_share_values(load):
    first, _ = load(CONFIG)
    first["plan"]["hold_min"].append(5)
    first["balances"]["bench"]["readability_g"] = 7
    second, _ = load(CONFIG)
    assert second["plan"]["hold_min"] == [30, 60]
    assert second["balances"]["bench"]["readability_g"] == 0.01


@pytest.mark.parametrize(
    ("added", "line", "key", "message"),
    [
        (
            "kilm: 3",
            14,
            "kilm",
            "The key is unknown. Did you mean 'kiln'? Rename or delete it.",
        ),
        (
            "plan: {hold: [60]}",
            14,
            "plan.hold",
            "The key is unknown. Did you mean 'hold_min'? Rename or delete it.",
        ),
        (
            "limits:\n  zzz: 3",
            15,
            "limits.zzz",
            "The key is unknown. Known here are electrode_F_per_g, loading_mg_per_cm2, "
            "mass_u_percent, lot_mates_factor, like_cells_factor, aqueous_voltage_V, "
            "nitrogen_d_percent, koh_warning_C, peak_off_C, hold_off_percent, "
            "ramp_off_percent, thermocouple_spread_C, koh_ratio_off_percent, "
            "koh_carbon_percent. Rename or delete it.",
        ),
        (
            "moisture_u_percent: 1,5",
            14,
            "moisture_u_percent",
            "'1,5' is not a number. Write it with a decimal point: 1.5.",
        ),
        (
            "plan: {koh_ratio: 4:1}",
            14,
            "plan.koh_ratio",
            "'4:1' is not of the form needed. Write a number, a list such as [2, 4], or a range "
            "such as {from: 2, to: 4}.",
        ),
        ("seed: 1.5", 14, "seed", "'1.5' is not a whole number. Write a whole number."),
        (
            "seed: -1",
            14,
            "seed",
            "'-1' is below 0. Write a larger value.",
        ),
        (
            "plan: {activation: [none, Koh]}",
            14,
            "plan.activation",
            "'Koh' is not a choice. Did you mean 'KOH'? Write one of: none, KOH.",
        ),
        (
            "plan: {activation: KOH}",
            14,
            "plan.activation",
            "'KOH' is not a list in square brackets. Write a list, for example [KOH].",
        ),
        (
            "plan: {hold_min: {from: 60, to: 30}}",
            14,
            "plan.hold_min",
            "The range from 60 to 30 is upside down. Write the lower end first.",
        ),
        (
            "plan: {hold_min: {from: 60}}",
            14,
            "plan.hold_min.to",
            "The key is missing. Add it.",
        ),
        (
            "plan: {hold_min: {from: -1, to: 30}}",
            14,
            "plan.hold_min.from",
            "'-1' is below 0. Write a larger value.",
        ),
        (
            "plan: {hold_min: [60, 60]}",
            14,
            "plan.hold_min",
            "'[60, 60]' names something twice. Name each once.",
        ),
        (
            "plan: {hold_min: []}",
            14,
            "plan.hold_min",
            "The list is too short: 1 or more are needed.",
        ),
        (
            "plan: {feedstocks: husk}",
            14,
            "plan.feedstocks",
            "'husk' is not of the form needed. Write `all`, or a list of names.",
        ),
        (
            "question: 7",
            14,
            "question",
            "'7' is not text. Put it in quotation marks: \"7\".",
        ),
        (
            "data_are_invented: perhaps",
            14,
            "data_are_invented",
            "'perhaps' is not true or false. Write true or false.",
        ),
        (
            "results: ../elsewhere",
            14,
            "results",
            "'../elsewhere' is not of the form needed. Write the name of a folder in the screen, "
            "for example results or results/first: letters, digits, _ . and -, parted by /, each "
            "part beginning with a letter or digit.",
        ),
        (
            "results: config/results",
            14,
            "results",
            "'config/results' is for your tables, kept rankings or code. Name another folder.",
        ),
        (
            "default_balance: benhc",
            14,
            "default_balance",
            "'benhc' is not under balances. Did you mean 'bench'? Name one of them.",
        ),
        (
            "capacitance:\n  window: [0.4, 0.8]",
            15,
            "capacitance.window",
            "The window 0.4 to 0.8 is upside down. Write the higher fraction first.",
        ),
        (
            "plan: {peak_temperature_C: [600, 1100]}",
            14,
            "plan.peak_temperature_C",
            "1100 °C is above kiln.max_temperature_C, 1000 °C. Lower it.",
        ),
        (
            "merits: [electrod_F_per_g]",
            14,
            "merits",
            "'electrod_F_per_g' is not a merit. Did you mean 'electrode_F_per_g'? Merits are "
            "electrode_F_per_g, cell_F_per_g, carbon_g_per_kg_d, device_F_per_kg_d, "
            "energy_Wh_per_kg, esr_area_ohm_cm2, cost_per_kg_d, cost_per_device_F.",
        ),
        ("title: Again", 14, "title", "The key stands in row 1 already. Keep one of them."),
        (
            "plan: {start_date: 2027-02-30}",
            14,
            "plan.start_date",
            "'2027-02-30' is no day of the calendar. Write one, as 2027-03-01.",
        ),
        (
            "plan: {start_date: soon}",
            14,
            "plan.start_date",
            "'soon' is not of the form needed. Write year-month-day, for example 2027-03-01.",
        ),
        (
            "plan: {coating_binder_percent: 21}",
            14,
            "plan.coating_binder_percent",
            "80 % carbon and 21 % binder are more than the coating. Lower one.",
        ),
    ],
)
def test_faults_name_line_key_and_remedy(load, added, line, key, message):
    _, findings = load(CONFIG + added + "\n")
    assert [(f.row, f.column, f.message) for f in findings] == [(line, key, message)]
    assert findings[0].severity == STOPS
    assert (
        render(findings) == f"1 problem in config/config.yaml\n  row {line}, key {key}: {message}"
    )


def test_missing_keys_are_all_named(load):
    _, findings = load("kiln: {crucibles: 3}\nbalances: {}\n")
    assert {f.column: f.message for f in findings} == {
        "title": "The key is missing. Add it. Title of the screen, on top of every page.",
        "kiln.crucible_volume_mL": "The key is missing. Add it. Volume of one crucible.",
        "kiln.max_temperature_C": (
            "The key is missing. Add it. Highest temperature the kiln is good for."
        ),
        "balances": "The group is empty. Write at least one.",
    }


def test_a_required_key_without_a_value_is_not_called_missing(load):
    _, findings = load(CONFIG.replace("crucibles: 3,", "crucibles: ,"))
    assert [(f.column, f.message) for f in findings] == [
        (
            "kiln.crucibles",
            "The key has no value. Write one behind the colon. Crucibles it takes in one firing.",
        )
    ]
    assert findings[0].row == 1 + CONFIG.split("crucibles: 3")[0].count("\n")
    _, findings = load(CONFIG.replace("crucibles: 3, ", "crucible: 3, "))
    assert {f.column for f in findings} == {"kiln.crucible", "kiln.crucibles"}
    assert any(f.message.startswith("The key is missing. Add it.") for f in findings)


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        ("title: [a\nkiln: 3\n", 2, "no valid YAML"),
        ("title: a\n\tkiln: 3\n", 2, "Indent with blanks, never with tabs."),
        ("- a\n- b\n", 1, "must hold keys with values"),
        ("just words\n", 1, "must hold keys with values"),
        ("title: &a x\nquestion: *a\n", 2, "References to other parts"),
        ("title: !!python/object:os.system x\n", 1, "Tags are not read"),
        (b"title: caf\xe9\n", None, "it is not UTF-8"),
        ("title: x\n".encode("utf-16"), None, "it is not UTF-8"),
        (b"title: \x00\n", None, "no valid YAML"),
        ("title: x\n" + "#" * 1_000_001, None, "larger than 1 MB"),
    ],
)
def test_unreadable_files(load, text, line, words):
    config, findings = load(text)
    assert config == {}
    assert len(findings) == 1
    assert words in findings[0].message
    if line is not None:
        assert findings[0].row == line


def test_empty_values_count_as_absent(load):
    config, findings = load(CONFIG + "question:\nplan:\nlimits:\n  koh_warning_C:\n")
    assert findings == []
    assert config["question"] == ""
    assert config["limits"]["koh_warning_C"] == 650
    _, findings = load("")
    assert sorted(f.column for f in findings) == ["balances", "kiln", "title"]


def test_dates_and_words_stay_text(load):
    config, findings = load(CONFIG.replace("Two wastes", "2026-03-14"))
    assert findings == []
    assert config["title"] == "2026-03-14"


def test_overrides_win_and_are_named(load):
    config, findings = load(CONFIG, {"seed": 7, "kiln": {"crucibles": 5}})
    assert findings == []
    assert config["seed"] == 7
    assert config["kiln"] == {
        "crucibles": 5,
        "crucible_volume_mL": 250,
        "max_temperature_C": 1000,
        "ramp_C_per_min": 2,
        "cooling_h": 8,
        "power_kW": 3,
    }
    _, findings = load(CONFIG, {"kiln": {"crucibles": "many"}, "sed": 3})
    assert {f.column: (f.row, f.message) for f in findings} == {
        "kiln.crucibles": (
            None,
            "'many' is not a whole number. Write the number alone, without unit or quotation "
            "marks. It was given on the command line.",
        ),
        "sed": (
            None,
            "The key is unknown. Did you mean 'seed'? Rename or delete it. It was given on the "
            "command line.",
        ),
    }
    _, findings = load(CONFIG, {"moisture_u_percent": float("nan")})
    assert findings[0].message == "'nan' is no finite number. Write one."


def test_nested_overrides_arrive_as_text_and_mean_what_they_would_in_the_file(load):
    # What the workflow engine makes of --config 'plan={replicates: 2, firings: null, ...}'.
    given = {"replicates": "2", "hold_min": ["30", "1.5"], "firings": "null", "reference": "no_1"}
    text = CONFIG + "plan: {firings: 9, koh_ratio: 4}\n"
    config, findings = load(text, {"plan": given, "data_are_invented": "true", "title": "12a"})
    assert findings == []
    plan = config["plan"]
    assert (plan["replicates"], plan["hold_min"]) == (2, [30, 1.5])
    assert (plan["firings"], plan["reference"], plan["koh_ratio"]) == (None, "no_1", 4)
    assert (config["data_are_invented"], config["title"]) == (True, "12a")
    _, findings = load(CONFIG, {"plan": {"replicates": "two"}})
    assert "'two' is not a whole number" in findings[0].message


def test_whole_numbers_become_int(load):
    config, findings = load(CONFIG + "model: {draws: 4000.0}\n")
    assert findings == []
    assert config["model"]["draws"] == 4000
    assert isinstance(config["model"]["draws"], int)


@given(st.text(max_size=120))
def test_any_text_gives_findings_and_no_traceback(text):
    import tempfile
    from pathlib import Path

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "config.yaml"
        path.write_bytes(text.encode("utf-8", "replace"))
        _, findings = load_config(path)
        assert findings


@settings(deadline=None)  # no test asserts a time
@given(
    st.recursive(
        st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
        lambda inner: (
            st.lists(inner, max_size=3)
            | st.dictionaries(
                st.sampled_from(["plan", "hold_min", "kiln", "balances", "time", "x"]),
                inner,
                max_size=4,
            )
        ),
        max_leaves=12,
    )
)
def test_any_override_gives_findings_and_no_traceback(value):
    import tempfile
    from pathlib import Path

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "config.yaml"
        path.write_text(CONFIG, encoding="utf-8")
        _, findings = load_config(path, {"plan": value, "column_maps": {"a": value}})
        assert isinstance(findings, list)
