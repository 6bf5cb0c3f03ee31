"""The one error that a model which cannot be fitted raises."""


class MixedModelError(ValueError):
    """A mixed model cannot be fitted to these data; the message says why and what to do."""
