"""Settings of a screen: config.yaml read safely, checked against its schema, defaults filled in."""

import copy
import datetime
import functools
import os
import re
from pathlib import Path

from charscreen.findings import Finding, nearest
from charscreen.ranges import read_levels
from charscreen.screen.check_desirability import check_desirability
from charscreen.screen.check_merits import check_merits
from charscreen.screen.config_yaml import config_finding, read_yaml, resolved
from charscreen.screen.parsing import show
from charscreen.screen.schemas import config_schema

LARGEST = 1e15  # whole numbers beyond are not exact; nothing in a screen is as large
_TYPE_WORDS = {
    "string": "text",
    "number": "a number",
    "integer": "a whole number",
    "boolean": "true or false",
    "array": "a list in square brackets",
    "object": "a group of keys",
    "null": "nothing",
}


def load_config(
    path: str | os.PathLike, overrides: dict | None = None
) -> tuple[dict, list[Finding]]:
    """Settings with all defaults filled in, and everything wrong with them.

    Parameters
    ----------
    path : path-like
        The config.yaml of a screen.
    overrides : dict, optional
        Nested settings from the command line; they win over the file.

    Returns
    -------
    config : dict
        Every key of the schema, in its order; empty where the file cannot be read at all.
    findings : list of Finding
        All of them *stop*; then `config` is not fit for use. The row is the line of the file.
    """
    given, lines, findings = read_yaml(Path(path))
    if given is None:
        return {}, findings
    overrides = resolved(_plain(overrides or {}))
    given = _without_empty(_merge(given, overrides))
    schema = config_schema()
    findings = findings + _unusable(given, lines, overrides)
    config = {}
    if not findings:
        findings = _schema_findings(given, lines, overrides)
        config = _fill(given, schema)
    if not findings:
        first = next(iter(config["balances"]))
        for key in ("default_balance", "electrode_balance"):
            config.setdefault(key, first)
        config = {key: config[key] for key in schema["properties"]}
        findings = [
            config_finding(_line(lines, overrides, key), ".".join(key), value, message)
            for key, value, message in _disagreements(config)
        ]
    return config, findings


def _plain(value: object) -> object:
    """Dicts and lists of any kind as plain ones, keys as text."""
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    return value


def _without_empty(value: object) -> object:
    """The same without keys that have no value: they count as absent."""
    if isinstance(value, dict):
        return {str(k): _without_empty(item) for k, item in value.items() if item is not None}
    return value


def _merge(base: dict, over: dict) -> dict:
    merged = dict(base)
    for key, value in over.items():
        both = isinstance(value, dict) and isinstance(merged.get(key), dict)
        merged[key] = _merge(merged[key], value) if both else copy.deepcopy(value)
    return merged


def _line(lines: dict[tuple, int], overrides: dict, path: tuple) -> int | None:
    """Line of a key, or of the nearest group above it; None where the command line set it."""
    here: object = overrides
    for key in path:
        here = here.get(key) if isinstance(here, dict) else None
    if here is not None:
        return None
    while path and path not in lines:
        path = path[:-1]
    return lines.get(path)


def _unusable(given: dict, lines: dict, overrides: dict) -> list[Finding]:
    """Numbers that are not finite; the schema language has no word for them."""
    findings = []

    def look(value: object, path: tuple) -> None:
        if isinstance(value, dict):
            for key, item in value.items():
                look(item, (*path, key))
        elif isinstance(value, list):
            for item in value:
                look(item, path)
        elif isinstance(value, (int, float)) and not abs(value) < LARGEST:
            is_huge = abs(value) < float("inf")
            what = "too large a number. Write a smaller" if is_huge else "no finite number. Write"
            text = f"'{show(value)}' is {what} one."
            line = _line(lines, overrides, path)
            findings.append(config_finding(line, ".".join(path), value, text))

    look(given, ())
    return findings


@functools.cache
def _validator():
    """The compiled schema; jsonschema is imported here to keep other users of this module light."""
    import jsonschema

    return jsonschema.Draft202012Validator(config_schema())


def _schema_findings(given: dict, lines: dict, overrides: dict) -> list[Finding]:
    findings = []
    errors = [inner for error in _validator().iter_errors(given) for inner in _of_form(error)]
    for error in errors:
        path = tuple(str(part) for part in error.absolute_path if isinstance(part, str))
        for key, value, message in _explain(error, path, lines):
            line = _line(lines, overrides, key)
            if line is None and overrides:
                message += " It was given on the command line."
            findings.append(config_finding(line, ".".join(key), value, message))
    return findings


def _of_form(error) -> list:
    """Of a value that may take several forms: what is wrong with it in the form it has."""
    kinds = {dict: "object", list: "array"}
    kind = kinds.get(type(error.instance), "number")
    if error.validator != "anyOf" or isinstance(error.instance, str):
        return [error]
    here = [k for k, form in enumerate(error.validator_value) if form.get("type") == kind]
    return [inner for inner in error.context if inner.schema_path[0] in here] or [error]


def _explain(error, path: tuple, lines: dict) -> list[tuple[tuple, object, str]]:
    """Key path, value and message for one error of the schema.

    A key that is missing to the schema may stand in the file without a value: `lines` tells.
    """
    schema, value, kind, limit = (
        error.schema,
        error.instance,
        error.validator,
        error.validator_value,
    )
    shown = f"'{show(value)}'"
    if kind == "additionalProperties":
        known = schema.get("properties", {})
        unknown = [key for key in value if key not in known]
        return [((*path, key), None, _unknown_key(key, known)) for key in unknown]
    if kind == "required":
        missing = [key for key in limit if key not in value]
        return [
            (
                (*path, key),
                None,
                f"{_absent((*path, key) in lines)}{_about(schema, key)}",
            )
            for key in missing
            if f"'{key}' is a required" in error.message
        ]
    if kind == "propertyNames":
        text = f"{shown} cannot be a name. Use letters, digits, _ and -, beginning with a letter."
        return [((*path, str(value)), None, text)]
    unit = f" {schema['unit']}" if schema.get("unit") else ""
    texts = {
        "type": lambda: f"{shown} is not {_type_words(limit)}. {_type_advice(limit, value)}",
        "enum": lambda: (
            f"{shown} is not a choice.{_near(value, limit)} Write one of: {_list(limit)}."
        ),
        "minimum": lambda: f"{shown} is below {limit:g}{unit}. Write a larger value.",
        "exclusiveMaximum": lambda: (
            f"{shown} must be below {limit:g}{unit}. Write a smaller value."
        ),
        "exclusiveMinimum": lambda: f"{shown} must be above {limit:g}{unit}. Write a larger value.",
        "maximum": lambda: f"{shown} is above {limit:g}{unit}. Write a smaller value.",
        "minItems": lambda: f"The list is too short: {limit} or more are needed.",
        "maxItems": lambda: f"The list is too long: {limit} at most.",
        "uniqueItems": lambda: f"{shown} names something twice. Name each once.",
        "minProperties": lambda: "The group is empty. Write at least one.",
        "minLength": lambda: "The text is empty. Write it.",
        "maxLength": lambda: f"The text is too long: {limit} characters at most.",
        "anyOf": lambda: f"{shown} is not of the form needed. {_form(schema)}",
        "pattern": lambda: f"{shown} is not of the form needed. {_form(schema)}",
        "not": lambda: f"{shown} is for your tables, kept rankings or code. Name another folder.",
    }
    text = texts[kind]() if kind in texts else error.message
    return [(path, None if isinstance(value, dict) else value, text)]


def _absent(stands_there: bool) -> str:
    if stands_there:
        return "The key has no value. Write one behind the colon."
    return "The key is missing. Add it."


def _form(schema: dict) -> str:
    """What a text must look like."""
    return schema.get("x-form") or schema.get("description", "")


def _unknown_key(key: str, known: dict) -> str:
    near = nearest(key, known)
    if near:
        return f"The key is unknown. Did you mean '{near}'? Rename or delete it."
    return f"The key is unknown. Known here are {', '.join(known)}. Rename or delete it."


def _about(schema: dict, key: str) -> str:
    text = schema.get("properties", {}).get(key, {}).get("description", "")
    return f" {text}" if text else ""


def _type_words(types: str | list) -> str:
    names = [types] if isinstance(types, str) else types
    return " or ".join(_TYPE_WORDS[name] for name in names)


def _type_advice(types: str | list, value: object) -> str:
    names = [types] if isinstance(types, str) else types
    if isinstance(value, str) and ("number" in names or "integer" in names):
        if re.fullmatch(r"[-+]?\d+,\d+", value):
            return f"Write it with a decimal point: {value.replace(',', '.')}."
        return "Write the number alone, without unit or quotation marks."
    if "array" in names:
        return f"Write a list, for example [{show(value)}]."
    if "string" in names and not isinstance(value, (dict, list)):
        return f'Put it in quotation marks: "{show(value)}".'
    return f"Write {_type_words(types)}."


def _near(value: object, choices: list) -> str:
    near = nearest(str(value), [str(choice) for choice in choices])
    return f" Did you mean '{near}'?" if near else ""


def _list(choices: list) -> str:
    return ", ".join(str(choice) for choice in choices)


def _fill(value: object, schema: dict) -> object:
    """A value with all defaults of its schema filled in; whole numbers as int."""
    if schema.get("type") == "integer" and isinstance(value, float) and value == int(value):
        return int(value)
    if not isinstance(value, dict):
        return copy.deepcopy(value)
    filled = {}
    schema = next((form for form in schema.get("anyOf", []) if "properties" in form), schema)
    properties = schema.get("properties", {})
    for key, inner in properties.items():
        if key in value:
            filled[key] = _fill(value[key], inner)
        elif "default" in inner:
            filled[key] = _fill(inner["default"], inner)
    others = schema.get("additionalProperties")
    if isinstance(others, dict):
        filled |= {key: _fill(item, others) for key, item in value.items()}
    return filled


def _disagreements(config: dict) -> list[tuple[tuple, object, str]]:
    """Settings that are right each for itself and wrong together."""
    found: list[tuple[tuple, object, str]] = []
    for key in ("default_balance", "electrode_balance"):
        if config[key] not in config["balances"]:
            near = _near(config[key], list(config["balances"]))
            text = f"'{config[key]}' is not under balances.{near} Name one of them."
            found.append(((key,), config[key], text))
    high, low = config["capacitance"]["window"]
    if high <= low:
        text = f"The window {high:g} to {low:g} is upside down. Write the higher fraction first."
        found.append((("capacitance", "window"), None, text))
    kiln, plan = config["kiln"], config["plan"]
    hottest = kiln["max_temperature_C"]
    for key in ("peak_temperature_C", "activation_temperature_C"):
        wanted = read_levels(plan[key])
        wanted = wanted[-1:] if isinstance(plan[key], dict) else wanted
        if key.startswith("activation") and "KOH" not in plan["activation"]:
            continue
        for value in wanted:
            if value > hottest:
                text = f"{value:g} °C is above kiln.max_temperature_C, {hottest:g} °C. Lower it."
                found.append((("plan", key), value, text))
    for key, value in plan.items():
        if isinstance(value, dict) and "from" in value and value["from"] >= value["to"]:
            text = f"The range from {value['from']:g} to {value['to']:g} is upside down. "
            found.append((("plan", key), None, f"{text}Write the lower end first."))
    if not _is_day(plan["start_date"]):
        text = f"'{plan['start_date']}' is no day of the calendar. Write one, as 2027-03-01."
        found.append((("plan", "start_date"), plan["start_date"], text))
    carbon, binder = plan["coating_carbon_percent"], plan["coating_binder_percent"]
    if carbon + binder > 100:
        text = f"{carbon:g} % carbon and {binder:g} % binder are more than the coating. Lower one."
        found.append((("plan", "coating_binder_percent"), binder, text))
    for name, layout in config["column_maps"].items():
        if layout["delimiter"] == layout["decimal"]:
            text = "Delimiter and decimal mark are the same. Correct one of them."
            found.append((("column_maps", name, "decimal"), layout["decimal"], text))
        if "voltage" not in layout and "temperature" not in layout:
            text = "The map names neither voltage (a test) nor temperature (a kiln log). Add one."
            found.append((("column_maps", name), None, text))
    found += check_merits(config)
    return found + check_desirability(config["desirability"], config["merits"])


def _is_day(text: str | None) -> bool:
    """Whether a text names a day that exists; none does as well."""
    try:
        return text is None or bool(datetime.date.fromisoformat(text))
    except ValueError:
        return False
