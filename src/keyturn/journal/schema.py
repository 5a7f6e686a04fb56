"""The tables of journal.db, as ordered migrations; the file only ever grows.

Append-only is a rule of the file itself: whoever opens it, with whatever program, cannot change
or delete a row through SQL without first taking the triggers away.
"""

from __future__ import annotations

APPLICATION = 0x6B747274  # says in the header of the file whose it is
REFUSAL = "the journal is append-only"

ENTRIES = (
    """CREATE TABLE entry (
        id INTEGER PRIMARY KEY,
        topic TEXT NOT NULL CHECK (typeof(topic) = 'text' AND length(topic) > 0),
        act TEXT NOT NULL CHECK (typeof(act) = 'text' AND length(act) > 0),
        points_to INTEGER REFERENCES entry (id),
        recorded TEXT NOT NULL CHECK (typeof(recorded) = 'text'),
        body TEXT NOT NULL CHECK (typeof(body) = 'text'),
        CHECK (points_to IS NULL OR points_to < id)
    )""",
)


def _only_grows(table: str, key: str) -> tuple[str, ...]:
    refuse = f"BEGIN SELECT RAISE(ABORT, '{REFUSAL}'); END"
    return (
        f"CREATE TRIGGER {table}_never_changes BEFORE UPDATE ON {table} {refuse}",
        f"CREATE TRIGGER {table}_never_goes BEFORE DELETE ON {table} {refuse}",
        # REPLACE would delete without asking the trigger above; ids have no gaps
        f"CREATE TRIGGER {table}_in_order BEFORE INSERT ON {table} "
        f"WHEN NEW.{key} IS NOT (SELECT coalesce(max({key}), 0) + 1 FROM {table}) {refuse}",
    )


# Number of a migration = its place, counted from 1. Never change one that was released.
MIGRATIONS: tuple[tuple[str, ...], ...] = (
    ENTRIES,
    _only_grows("entry", "id"),
    _only_grows("migration", "version"),
)
