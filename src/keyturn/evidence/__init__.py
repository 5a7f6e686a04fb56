"""From readings to causes, the next test and the right purchase."""
