"""The result tables of a screen, read back for figures and report."""

from collections.abc import Mapping

from charscreen.files import read_csv, read_json
from charscreen.graph import MODEL_NAMES, MODEL_TABLES


def read_models(paths: Mapping[str, str]) -> dict[str, dict]:
    """Tables of all models.

    Parameters
    ----------
    paths : mapping of str to path
        ``<model>_<table>`` as `charscreen.graph.model_files` names them; anything with a
        ``get`` will do.

    Returns
    -------
    dict of str to dict
        Per model the DataFrames of `charscreen.graph.MODEL_TABLES` and the dict ``json``.
    """
    return {
        name: {table: read_csv(paths.get(f"{name}_{table}")) for table in MODEL_TABLES}
        | {"json": read_json(paths.get(f"{name}_model"))}
        for name in MODEL_NAMES
    }
