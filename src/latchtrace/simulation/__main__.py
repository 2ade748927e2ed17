"""Make the demo captures again: `python -m latchtrace.simulation captures_demo`.

Every `NAME.scenario.yaml` of the folder is simulated into `NAME.log.zst` and `NAME.truth.json`, and `index.json` is
written. The same scenarios always give the same lines; a capture whose lines have not changed keeps its file, so that
another release of the compressor changes nothing.
"""

from __future__ import annotations

import sys
from pathlib import Path

from latchtrace.errors import LatchtraceError, UsageError
from latchtrace.simulation.demo import make_demo


def main(arguments: list[str]) -> int:
    """Make the folder's captures, say what was written, and tell the exit status."""
    try:
        if len(arguments) != 1 or not Path(arguments[0]).is_dir():
            raise UsageError("python -m latchtrace.simulation FOLDER: name the folder with the scenarios")
        for told in make_demo(Path(arguments[0])):
            print(told)
    except LatchtraceError as error:
        print(error, file=sys.stderr)
        return int(error.exit_status)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
