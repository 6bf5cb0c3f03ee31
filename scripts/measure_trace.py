"""Prints what one trace says: capacitance, resistance and farads per gram, with uncertainty."""

import sys

from charscreen.capacitance.quick_command import main

if __name__ == "__main__":
    sys.exit(main())
