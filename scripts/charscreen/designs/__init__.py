"""Designs: which settings and feedstocks to put into which firings. Arrays in, tables out.

A design is a DataFrame with a row per lot, in the form of design.csv: run, role (screen,
reference, repeat), feedstock, firing, crucible, peak_temperature_C, hold_min, ramp_C_per_min,
activation (none, KOH), koh_ratio, activation_firing, activation_temperature_C,
activation_hold_min, and particle_size_mm and drying_C where they are factors. Of a lot that is not
activated the four columns of activation are empty.

``Terms`` says what a model holds; ``model_matrix(design, terms)`` gives its matrix and names,
``information(X, firing_codes, activation_codes, ratios)`` what the design tells of it where
firings are random.
"""

from charscreen.designs.information import codes_of, information
from charscreen.designs.terms import Scale, Terms, model_matrix, terms_of

__all__ = ["Scale", "Terms", "codes_of", "information", "model_matrix", "terms_of"]
