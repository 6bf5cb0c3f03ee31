"""NIST StRD nonlinear regression, exponential class: Misra1a and BoxBOD.

Data files: NIST Statistical Reference Datasets, itl.nist.gov/div898/strd, public domain, verbatim
in data/. Certified values are in the files; every start must pass. The factor b1 is linear, so the
fit needs a start for b2 alone: that of each of NIST's two starting points.
"""

from pathlib import Path

import numpy as np
import pytest
from charscreen.capacitance.fitting import fit_separable

DATA = Path(__file__).parent / "data"
SIX_DIGITS = 5e-7  # half a unit of the sixth significant digit, relative to a leading 1


def read(name):
    """Readings, starts and certified values of a NIST file."""
    lines = (DATA / f"{name}.dat").read_text().splitlines()
    y, x = np.array([[float(s) for s in line.split()] for line in lines[60:] if line.strip()]).T
    rows = [[float(s) for s in line.split("=")[1].split()] for line in lines[40:42]]
    rss = next(float(line.split(":")[1]) for line in lines if "Residual Sum of Sq" in line)
    return x, y, np.array(rows), rss


@pytest.mark.parametrize("start", [0, 1])
@pytest.mark.parametrize(("name", "n"), [("Misra1a", 14), ("BoxBOD", 6)])
def test_certified_values(name, n, start):
    x, y, rows, rss = read(name)
    assert len(x) == n
    fit = fit_separable(
        lambda x, p: (1.0 - np.exp(-p[0] * x))[:, None], x, y, start=[rows[1, start]]
    )
    found = np.concatenate([fit.linear, fit.nonlinear])
    np.testing.assert_allclose(found, rows[:, 2], rtol=SIX_DIGITS)
    np.testing.assert_allclose(fit.se, rows[:, 3], rtol=SIX_DIGITS)
    assert fit.rss == pytest.approx(rss, rel=1e-9)
