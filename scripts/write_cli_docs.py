"""Write src/keyturn/cli/help.txt and docs/cli.md from the live help."""

from __future__ import annotations

from pathlib import Path

from cli_text import cli_page, help_of

ROOT = Path(__file__).resolve().parents[1]

if __name__ == "__main__":
    (ROOT / "src/keyturn/cli/help.txt").write_text(help_of(), encoding="utf-8")
    (ROOT / "docs/cli.md").write_text(cli_page(), encoding="utf-8")
