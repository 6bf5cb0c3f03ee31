"""Runs the demo screen and copies its report, tables and pictures to results_demo/."""

from charscreen.demo.renew import renew

if __name__ == "__main__":
    renew()
