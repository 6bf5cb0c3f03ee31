"""What cells scatter about their lot, where the response is one value per lot; numbers by hand."""

import numpy as np
import pandas as pd
import pytest
from charscreen.propose.search import Stakes, _readings_of_lots

START = "What more cells of the lots you have would add cannot be told: by device farads"


def stakes(*, random=("firing", "lot"), variances=None, cells=True):
    """Two lots of two and three cells; the draws of a variance are all alike."""
    variances = variances or {"firing": 9.0, "lot": 4.0, "residual": 0.25}
    draws = pd.DataFrame({f"v[{name}]": np.full(64, value) for name, value in variances.items()})
    return Stakes(
        merit="device_F_per_kg_d",
        unit="F/kg",
        candidates=pd.DataFrame({"candidate": ["a", "b"]}),
        values=np.zeros((64, 2)),
        sign=1.0,
        merit_of=lambda single: np.zeros(2),
        models={"device_farads": {}} | ({"capacitance": {"random": list(random)}} if cells else {}),
        draws={"capacitance": draws},
        rows={"device_farads": pd.DataFrame({"n_cells": [2, 3]})},
    )


def test_a_cell_scatters_by_what_the_model_of_cells_leaves_over():
    readings, reason = _readings_of_lots(stakes())
    assert reason == ""
    assert readings.count.tolist() == [2.0, 3.0]
    # Firing and lot are shared by the cells of a lot, so only the residual is a cell's own.
    assert readings.variance == pytest.approx(np.full(32, 0.25))


def test_another_batch_of_assembly_is_scatter_of_each_cell_to_come():
    variances = {"firing": 9.0, "aliquot": 4.0, "assembly_batch": 0.5, "residual": 0.25}
    readings, reason = _readings_of_lots(
        stakes(random=("firing", "aliquot", "assembly_batch"), variances=variances)
    )
    assert reason == ""
    assert readings.variance == pytest.approx(np.full(32, 0.75))


def test_without_a_model_of_single_cells_more_cells_tell_nothing_that_is_known():
    readings, reason = _readings_of_lots(stakes(cells=False))
    assert readings is None
    assert reason.startswith(START)
    assert reason.endswith("a lot is one value, and there is no model of single cells.")


def test_without_second_cells_the_scatter_of_cells_is_not_known():
    readings, reason = _readings_of_lots(stakes(random=("firing",)))
    assert readings is None
    assert reason.startswith(START)
    assert reason.endswith(
        "a lot is one value, and what of its scatter is that of its cells is not known: too few "
        "lots have a second cell."
    )
