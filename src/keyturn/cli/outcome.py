"""From what happened to a message and an exit code; a user never sees a traceback.

Exit codes: 0 answered; 1 with ``--strict`` when the answer is not "holds"; 2 what was typed cannot
be taken; 3 cannot be answered; 70 a fault in keyturn itself; 130 interrupted; 141 the reader of the
output went away.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence

from keyturn import __version__
from keyturn.errors import KeyturnError

FAULT = 70
INTERRUPTED = 130


def run(typed: Sequence[str]) -> int:
    """Run one command line and return its exit code."""
    for stream in (sys.stdout, sys.stderr):
        # a terminal that cannot show a sign shows a question mark instead of ending the answer
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    try:
        from keyturn.cli.app import app

        app(args=list(typed), prog_name="keyturn")
    except SystemExit as leaving:
        return leaving.code if isinstance(leaving.code, int) else 0
    except KeyturnError as error:
        _say(str(error))
        return error.exit_code
    except KeyboardInterrupt:
        _say("interrupted")
        return INTERRUPTED
    except Exception as error:
        if os.environ.get("KEYTURN_TRACEBACK"):
            raise
        _say(
            f"a fault in keyturn {__version__}, not in your build: "
            f"{type(error).__name__}: {error}\n"
            "  do: run it again with KEYTURN_TRACEBACK=1 and report what it prints, with your\n"
            "      build.toml if you may share it"
        )
        return FAULT
    return 0


def _say(message: str) -> None:
    print(f"keyturn: {message}", file=sys.stderr)
