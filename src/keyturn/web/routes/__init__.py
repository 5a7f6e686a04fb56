"""One file per page: its HTML and its JSON twin."""
