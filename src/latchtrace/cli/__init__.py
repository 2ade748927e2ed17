"""The command line: reads the arguments, calls the Python interface, sets the exit status."""

from __future__ import annotations

import sys
from collections.abc import Sequence

from latchtrace.errors import ExitStatus, LatchtraceError


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit status: 0, 1, 2 or 130 (errors.ExitStatus)."""
    try:
        from latchtrace.cli.parser import read_arguments

        options = read_arguments(sys.argv[1:] if arguments is None else arguments)
        status = int(options.run(options))
        sys.stdout.flush()
    except LatchtraceError as error:
        status = _say(str(error), error.exit_status)
    except KeyboardInterrupt:
        status = _say("interrupted; no output file was written or changed", ExitStatus.INTERRUPTED)
    except BrokenPipeError:  # whoever read the output has seen enough
        from latchtrace.cli.terminal import close_quietly

        close_quietly()
        status = int(ExitStatus.DONE)
    return status


def _say(text: str, status: ExitStatus) -> int:
    from latchtrace.cli.terminal import print_error

    print_error(text)
    return int(status)
