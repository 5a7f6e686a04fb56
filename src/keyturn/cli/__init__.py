"""The command line: parses what was typed, calls one task, shows its answer."""
