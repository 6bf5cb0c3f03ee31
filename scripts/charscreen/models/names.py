"""Names of the models, and which of them the jobs after the fits read."""

MODEL_NAMES = (
    "char_yield",
    "activation_yield",
    "overall_yield",
    "capacitance",
    "esr_area",
    "retention",
    "device_farads",
)
YIELD_MODELS = ("char_yield", "activation_yield", "overall_yield")
RANKED_MODELS = ("char_yield", "activation_yield", "capacitance", "esr_area", "device_farads")
COMPARED_MODELS = ("capacitance", "overall_yield", "esr_area", "device_farads")
