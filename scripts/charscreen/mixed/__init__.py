"""Linear mixed models: restricted maximum likelihood, degrees of freedom, posterior draws."""

from .errors import MixedModelError
from .fit import MixedFit, fit_mixed
from .posterior import Posterior

__all__ = ["MixedFit", "MixedModelError", "Posterior", "fit_mixed"]
