"""What `make validate` measures: one module a section, each with its results kept as JSON."""
