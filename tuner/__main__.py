"""Start here: ``tuner`` or ``python -m tuner``."""

from __future__ import annotations

import io
import os
import sys

from tuner.cli import failed, run
from tuner.errors import Stopped, TunerError


def main() -> int:
    """Run the command line and return its exit status; no traceback for a person's mistake."""
    if sys.stdout is None:  # so Python shows a closed one
        print("tuner: standard output is closed; there is nowhere to say anything", file=sys.stderr)
        return TunerError.exit_status
    if isinstance(sys.stdout, io.TextIOWrapper):
        # A terminal that cannot show a character shows a question mark, and the work goes on.
        sys.stdout.reconfigure(errors="replace")
    try:
        return run(sys.argv[1:])
    except KeyboardInterrupt:
        return Stopped.exit_status
    except BrokenPipeError:
        # The reader of our output is gone; say nothing more, to it or at interpreter exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return TunerError.exit_status
    except TunerError as error:
        return failed(error)


if __name__ == "__main__":
    sys.exit(main())
