"""Random numbers of the demo: one independent stream per subject, all from one seed."""

import zlib

import numpy as np


def stream(seed: int, *subject: object) -> np.random.Generator:
    """Generator for one subject, so that a change of one part of the demo leaves the others alone.

    Parameters
    ----------
    seed : int
        Seed of the demo.
    *subject : str or int
        What the numbers are for, for example ``"cell", "R07-1"``.
    """
    key = zlib.crc32("/".join(str(part) for part in subject).encode("utf-8"))
    return np.random.default_rng(np.random.SeedSequence([seed, key]))
