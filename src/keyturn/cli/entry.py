"""Where the ``keyturn`` command starts.

The first page of help and the version are served before anything heavy is read, so that they
appear at once: ``help.txt`` is written from the live help and a test holds the two together.
"""

from __future__ import annotations

import os
import sys


def main() -> None:
    """Run the command that was typed and leave with its exit code."""
    typed = sys.argv[1:]
    if typed in ([], ["--help"], ["-h"]):
        path = os.path.join(os.path.dirname(__file__), "help.txt")
        with open(path, encoding="utf-8") as stream:
            sys.stdout.write(stream.read())
        return
    if typed == ["--version"]:
        from keyturn import __version__

        print(f"keyturn {__version__}")
        return
    from keyturn.cli.outcome import run

    sys.exit(run(typed))
