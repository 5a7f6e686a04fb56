"""What was read and decided, kept for good: one SQLite file that only grows."""
