"""Make the invented example builds in demo/, check one and write its report there."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
FOLDER = Path("demo") / "van-roots"


def keyturn(*typed: str) -> None:
    """Run a verb just as a user would, and stop where it stops."""
    print(f"$ keyturn {' '.join(typed)}", flush=True)
    outcome = subprocess.run([sys.executable, "-m", "keyturn", *typed], cwd=ROOT, check=False)
    if outcome.returncode != 0:
        sys.exit(outcome.returncode)


def main() -> None:
    os.chdir(ROOT)
    shutil.rmtree(FOLDER.parent, ignore_errors=True)
    FOLDER.parent.mkdir()
    keyturn("new", str(FOLDER), "--example", "van-roots")
    keyturn("check", str(FOLDER))
    keyturn("report", str(FOLDER))
    print(f"\nThe report to read or print: {FOLDER / 'made' / 'report.html'} (and report.pdf)")


if __name__ == "__main__":
    main()
