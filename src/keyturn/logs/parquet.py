"""A Parquet log as a table of ours."""

from __future__ import annotations

from pathlib import Path

from keyturn.errors import FileRefused, Place
from keyturn.logs.table import Table, sink, unread


def open_parquet(source: Path, target: Path) -> Table:
    """A Parquet log as a table of ours: numbers, truth values and times become numbers."""
    import polars as pl

    try:
        lazy = pl.scan_parquet(source)
        schema = lazy.collect_schema()
        chosen = []
        for name, kind in schema.items():
            if kind.is_numeric() or kind == pl.Boolean:
                chosen.append(pl.col(name).cast(pl.Float64))
            elif kind in (pl.Datetime, pl.Date):
                chosen.append(pl.col(name).dt.epoch("us").cast(pl.Float64) / 1e6)
            elif kind in (pl.Duration, pl.Time):
                chosen.append(pl.col(name).cast(pl.Int64).cast(pl.Float64) / _per_second(kind))
            elif kind == pl.String:
                chosen.append(pl.col(name))
        if not chosen:
            raise _refused(source, "holds no column of numbers")
        lazy = lazy.select(chosen)
        sink(lazy, target)
        rows = pl.scan_ipc(target).select(pl.len()).collect().item()
    except unread() as error:
        panicked = isinstance(error, pl.exceptions.PanicException)
        why = "it is cut off or damaged" if panicked else str(error).splitlines()[0]
        raise _refused(source, f"cannot be read as Parquet: {why}") from None
    if rows < 2:
        raise _refused(source, "holds fewer than two rows")
    columns = tuple(lazy.collect_schema())
    timed = [name for name in columns if schema[name].is_temporal()]
    units = tuple("s" if name in timed else "" for name in columns)
    return Table(target, columns, units, rows)


def _per_second(kind: object) -> float:
    return {"ms": 1e3, "us": 1e6, "ns": 1e9}.get(getattr(kind, "time_unit", "ns"), 1e9)


def _refused(source: Path, what: str) -> FileRefused:
    return FileRefused(
        f"the file {what}",
        place=Place(file=source.name),
        accepted="a flat table with one column a channel",
        advice="export the log again, as CSV if need be",
    )
