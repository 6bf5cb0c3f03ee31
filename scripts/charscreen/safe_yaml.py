"""YAML as plain values: bounded in size, depth and time, and without surprises of the language."""

import re
from pathlib import Path

import yaml

MOST_BYTES = 1_000_000
MOST_DEPTH = 50
MAX_DIGITS = 300


class Loader(getattr(yaml, "CSafeLoader", yaml.SafeLoader)):
    """Safe loader that leaves dates as text and does not read 4:1 as a number of base 60."""


Loader.yaml_implicit_resolvers = {
    letter: [
        (tag, pattern)
        for tag, pattern in resolvers
        if not tag.endswith((":int", ":float", ":timestamp"))
    ]
    for letter, resolvers in Loader.yaml_implicit_resolvers.items()
}
Loader.add_implicit_resolver(
    "tag:yaml.org,2002:int", re.compile(r"[-+]?[0-9]+$(?!\n)"), list("-+0123456789")
)
Loader.add_implicit_resolver(
    "tag:yaml.org,2002:float",
    re.compile(r"[-+]?([0-9]+\.[0-9]*|\.[0-9]+|[0-9]+(?=[eE]))([eE][-+]?[0-9]+)?$(?!\n)"),
    list("-+.0123456789"),
)


def _construct_int(loader: yaml.SafeLoader, node: yaml.ScalarNode) -> int:
    if len(node.value) > MAX_DIGITS:
        text = f"a number of {len(node.value)} digits"
        raise yaml.constructor.ConstructorError(None, None, text, node.start_mark)
    return int(node.value)


Loader.add_constructor("tag:yaml.org,2002:int", _construct_int)


class YamlRefused(ValueError):
    """A file that is not read, though it may be YAML; the text says why and what to do.

    Attributes
    ----------
    line : int or None
        Line of the file, from 1.
    value : str or None
        What stands there.
    """

    def __init__(self, message: str, line: int | None = None, value: str | None = None):
        super().__init__(message)
        self.line, self.value = line, value


def load_node(path: Path) -> tuple[yaml.Node | None, object]:
    """The tree of a file and its plain value; None and None for an empty one.

    Parameters
    ----------
    path : Path
        A text in UTF-8.

    Raises
    ------
    YamlRefused
        Not to be opened, too large, no UTF-8, nested too deep, with references or tags.
    yaml.YAMLError
        No YAML; its mark says where.

    Notes
    -----
    References (``*name``) are refused, so a small file cannot stand for a huge one; tags, so that
    a value is what it looks like.
    """
    text = _read_text(path)
    _refuse(text)
    loader = Loader(text)
    try:
        node = loader.get_single_node()
        return node, None if node is None else loader.construct_document(node)
    except (ValueError, RecursionError) as error:
        message = f"The file cannot be read ({error}). Mend it or begin anew."
        raise YamlRefused(message) from None
    finally:
        loader.dispose()


def _read_text(path: Path) -> str:
    try:
        if path.exists() and not path.is_file():
            raise YamlRefused("It is no file. Put the file in its place.")
        with path.open("rb") as stream:
            data = stream.read(MOST_BYTES + 1)
    except OSError as error:
        raise YamlRefused(f"The file cannot be read ({error.strerror or error}).") from None
    advice = "Save it as plain text in UTF-8."
    if len(data) > MOST_BYTES:
        raise YamlRefused(f"The file cannot be read: it is larger than 1 MB. {advice}")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise YamlRefused(f"The file cannot be read: it is not UTF-8. {advice}") from None


def _refuse(text: str) -> None:
    """Raise for what is not read; events come one by one, so depth is seen before it is built."""
    depth = 0
    for event in yaml.parse(text, Loader):
        line = event.start_mark.line + 1
        if isinstance(event, yaml.AliasEvent):
            message = "References to other parts (*name) are not read. Write the value out."
            raise YamlRefused(message, line, event.anchor)
        if getattr(event, "tag", None) is not None:
            raise YamlRefused(
                "Tags are not read. Write plain values, without tags.", line, event.tag
            )
        if isinstance(event, yaml.CollectionStartEvent):
            depth += 1
            if depth > MOST_DEPTH:
                message = (
                    f"More than {MOST_DEPTH} groups stand within each other. Write it simpler."
                )
                raise YamlRefused(message, line)
        elif isinstance(event, yaml.CollectionEndEvent):
            depth -= 1
