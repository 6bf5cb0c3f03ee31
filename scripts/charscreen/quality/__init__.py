"""How good a plan is, said before the first gram is weighed: chances, power, confounding, cost."""
