"""The two families of models: yields and capacitance."""
