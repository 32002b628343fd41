"""Start here: ``tuner`` or ``python -m tuner``."""

from __future__ import annotations

import io
import os
import sys

from tuner.cli import run
from tuner.errors import BadFile, Stopped, TunerError
from tuner.text import visible


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
    except BadFile as error:
        for finding in error.findings:
            print(f"tuner: {visible(finding)}", file=sys.stderr)
        return error.exit_status
    except TunerError as error:
        print(f"tuner: {visible(str(error))}", file=sys.stderr)
        return error.exit_status


if __name__ == "__main__":
    sys.exit(main())
