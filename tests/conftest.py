"""Settings of all tests."""

import hypothesis

# How long an example takes says something about the machine, not about the code.
hypothesis.settings.register_profile("untimed", deadline=None)
hypothesis.settings.load_profile("untimed")
