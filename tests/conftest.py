"""Settings of all tests."""

import os

# The models are of small matrices: threads of the linear algebra wait for each other more than
# they help, sixfold where two processes share two cores. Jobs of a run have one as well.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import hypothesis

# How long an example takes says something about the machine, not about the code.
hypothesis.settings.register_profile("untimed", deadline=None)
hypothesis.settings.load_profile("untimed")
