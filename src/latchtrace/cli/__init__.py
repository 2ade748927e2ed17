"""The command line: reads the arguments, calls the Python interface, sets the exit status."""

from __future__ import annotations

import sys
from collections.abc import Sequence

from latchtrace.errors import ExitStatus, LatchtraceError


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit status: 0, 1, 2 or 130 (errors.ExitStatus)."""
    from latchtrace.cli.parser import read_arguments
    from latchtrace.cli.terminal import close_quietly, print_error

    try:
        options = read_arguments(sys.argv[1:] if arguments is None else arguments)
        status = options.run(options)
        sys.stdout.flush()
    except LatchtraceError as error:
        print_error(str(error))
        return int(error.exit_status)
    except KeyboardInterrupt:
        print_error("interrupted; no output file was written or changed")
        return int(ExitStatus.INTERRUPTED)
    except BrokenPipeError:  # whoever read the output has seen enough
        close_quietly()
        return int(ExitStatus.DONE)
    return int(status)
