"""The models of yields, of what the carbon does in a cell, and of both together."""
