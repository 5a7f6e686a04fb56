"""``python -m keyturn`` is the same as the ``keyturn`` command."""

from keyturn.cli.entry import main

if __name__ == "__main__":
    main()
