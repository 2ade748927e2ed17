"""Runs the command line as `python -m latchtrace`."""

import sys

from latchtrace.cli import main

if __name__ == "__main__":
    sys.exit(main())
