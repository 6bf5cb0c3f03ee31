"""Settings of a screen: config.yaml read safely, checked against its schema, defaults filled in."""

import copy
import functools
import math
import os
import re
from pathlib import Path

import yaml

from charscreen.findings import STOPS, Finding, nearest
from charscreen.screen.parsing import show
from charscreen.screen.schemas import config_schema

MAX_BYTES = 1_000_000
_TYPE_WORDS = {
    "string": "text",
    "number": "a number",
    "integer": "a whole number",
    "boolean": "true or false",
    "array": "a list in square brackets",
    "object": "a group of keys",
    "null": "nothing",
}


class _Loader(getattr(yaml, "CSafeLoader", yaml.SafeLoader)):
    """Safe loader that leaves dates as text and does not read 4:1 as a number of base 60."""


_Loader.yaml_implicit_resolvers = {
    letter: [
        (tag, pattern)
        for tag, pattern in resolvers
        if not tag.endswith((":int", ":float", ":timestamp"))
    ]
    for letter, resolvers in _Loader.yaml_implicit_resolvers.items()
}
_Loader.add_implicit_resolver(
    "tag:yaml.org,2002:int", re.compile(r"[-+]?\d+$"), list("-+0123456789")
)
_Loader.add_implicit_resolver(
    "tag:yaml.org,2002:float",
    re.compile(r"[-+]?(\d+\.\d*|\.\d+|\d+(?=[eE]))([eE][-+]?\d+)?$"),
    list("-+.0123456789"),
)


def _construct_int(loader: yaml.SafeLoader, node: yaml.ScalarNode) -> int:
    return int(node.value)


_Loader.add_constructor("tag:yaml.org,2002:int", _construct_int)


def _finding(line: int | None, key: str, value: object, message: str) -> Finding:
    return Finding("config", line, key, "" if value is None else show(value), STOPS, message)


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
    given, lines, findings = _read_yaml(Path(path))
    if given is None:
        return {}, findings
    overrides = _without_empty(_plain(overrides or {}))
    given = _merge(_without_empty(given), overrides)
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
            _finding(_line(lines, overrides, key), ".".join(key), value, message)
            for key, value, message in _disagreements(config)
        ]
    return config, findings


def _read_yaml(path: Path) -> tuple[dict | None, dict[tuple, int], list[Finding]]:
    """Raw settings, line of each key path, and what keeps the file from being read."""
    try:
        data = path.read_bytes()
    except OSError as error:
        text = f"The file cannot be opened ({error.strerror or error})."
        return None, {}, [_finding(None, "", None, text)]
    try:
        if len(data) > MAX_BYTES:
            raise ValueError("it is larger than 1 MB")
        text = data.decode("utf-8-sig")
    except ValueError as error:
        what = "it is not UTF-8" if isinstance(error, UnicodeDecodeError) else str(error)
        text = f"The file cannot be read: {what}. Save it as plain text in UTF-8."
        return None, {}, [_finding(None, "", None, text)]
    loader = None
    try:
        for event in yaml.parse(text, _Loader):
            if isinstance(event, yaml.AliasEvent):
                message = "References to other parts (*name) are not read. Write the value out."
                return None, {}, [_finding(event.start_mark.line + 1, "", event.anchor, message)]
        loader = _Loader(text)
        node = loader.get_single_node()
        if node is None:
            return {}, {}, []
        if not isinstance(node, yaml.MappingNode):
            message = "The file must hold keys with values, for example title: My screen."
            return None, {}, [_finding(1, "", None, message)]
        lines: dict[tuple, int] = {}
        twice: list[Finding] = []
        _walk(node, (), lines, twice)
        return loader.construct_document(node), lines, twice
    except yaml.YAMLError as error:
        return None, {}, [_syntax_finding(error)]
    except (ValueError, RecursionError) as error:
        text = f"The file cannot be read ({show(error)}). Mend it or begin from an empty screen."
        return None, {}, [_finding(None, "", None, text)]
    finally:
        if loader is not None:
            loader.dispose()


def _syntax_finding(error: yaml.YAMLError) -> Finding:
    mark = getattr(error, "problem_mark", None) or getattr(error, "context_mark", None)
    problem = getattr(error, "problem", None) or str(error)
    if re.search(r"\btab\b|\\t|\t", problem):
        advice = "Indent with blanks, never with tabs."
    elif "tag" in problem:
        advice = "Write plain values, without tags."
    else:
        advice = "Each line is key: value, with a blank after the colon; groups are indented alike."
    message = f"The text is no valid YAML here or just above: {show(problem)}. {advice}"
    return _finding(mark.line + 1 if mark else None, "", None, message)


def _walk(node: yaml.Node, path: tuple, lines: dict[tuple, int], twice: list[Finding]) -> None:
    """Note the line of every key; a key that stands twice is a finding."""
    if not isinstance(node, yaml.MappingNode):
        return
    for key, value in node.value:
        here = (*path, key.value if isinstance(key.value, str) else "?")
        line = key.start_mark.line + 1
        if here in lines:
            message = f"The key stands in row {lines[here]} already. Keep one of them."
            twice.append(_finding(line, ".".join(here), None, message))
        lines.setdefault(here, line)
        _walk(value, here, lines, twice)


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
        elif isinstance(value, float) and not math.isfinite(value):
            text = f"'{value}' is no finite number. Write one."
            findings.append(_finding(_line(lines, overrides, path), ".".join(path), value, text))

    look(given, ())
    return findings


@functools.cache
def _validator():
    """The compiled schema; jsonschema is imported here to keep other users of this module light."""
    import jsonschema

    return jsonschema.Draft202012Validator(config_schema())


def _schema_findings(given: dict, lines: dict, overrides: dict) -> list[Finding]:
    findings = []
    for error in _validator().iter_errors(given):
        path = tuple(str(part) for part in error.absolute_path if isinstance(part, str))
        for key, value, message in _explain(error, path):
            line = _line(lines, overrides, key)
            if line is None and overrides:
                message += " It was given on the command line."
            findings.append(_finding(line, ".".join(key), value, message))
    return findings


def _explain(error, path: tuple) -> list[tuple[tuple, object, str]]:
    """Key path, value and message for one error of the schema."""
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
            ((*path, key), None, f"The key is missing. Add it.{_about(schema, key)}")
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
        "anyOf": lambda: f"{shown} is neither `all` nor a list of names. Write one of these.",
        "pattern": lambda: f"{shown} is not of the form needed. {schema.get('description', '')}",
        "not": lambda: f"{shown} is where your tables are. Name another folder.",
    }
    text = texts[kind]() if kind in texts else error.message
    return [(path, None if isinstance(value, dict) else value, text)]


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
        wanted = plan[key] if isinstance(plan[key], list) else [plan[key]]
        if key.startswith("activation") and "KOH" not in plan["activation"]:
            continue
        for value in wanted:
            if value > hottest:
                text = f"{value:g} °C is above kiln.max_temperature_C, {hottest:g} °C. Lower it."
                found.append((("plan", key), value, text))
    for name, layout in config["column_maps"].items():
        if layout["delimiter"] == layout["decimal"]:
            text = "Delimiter and decimal mark are the same. Correct one of them."
            found.append((("column_maps", name, "decimal"), layout["decimal"], text))
        if "voltage" not in layout and "temperature" not in layout:
            text = "The map names neither voltage (a test) nor temperature (a kiln log). Add one."
            found.append((("column_maps", name), None, text))
    return found
