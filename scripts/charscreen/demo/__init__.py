"""The invented demo screen: scenario, known truth, circuit, loggers and files.

Nothing here imports the library, so the demo is an independent check of it. All data are invented.
"""
