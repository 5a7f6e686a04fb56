"""More dialects: written by pandas, polars and asammdf, and as a spreadsheet would save them."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import polars as pl
from writers import BARE, NAMES, ROWS, UNITS, Written, cells, drive, put, writer


def table(names: tuple[str, ...] = NAMES) -> dict[str, np.ndarray]:
    return dict(zip(names, drive().values(), strict=True))


@writer(".csv")
def pandas_with_index(path: Path) -> Written:
    pd.DataFrame(table()).to_csv(path)
    return Written()


@writer(".csv")
def pandas_continental(path: Path) -> Written:
    pd.DataFrame(table()).to_csv(path, index=False, sep=";", decimal=",", encoding="cp1252")
    return Written()


@writer(".csv")
def pandas_fixed_digits(path: Path) -> Written:
    pd.DataFrame(table()).to_csv(path, index=False, float_format="%.4f", sep="\t")
    return Written()


@writer(".csv")
def pandas_two_bytes(path: Path) -> Written:
    pd.DataFrame(table()).to_csv(path, index=False, encoding="utf-16", sep="\t")
    return Written()


@writer(".csv")
def pandas_two_heads(path: Path) -> Written:
    frame = pd.DataFrame(table(BARE))
    frame.columns = pd.MultiIndex.from_arrays([BARE, UNITS])
    frame.to_csv(path, index=False)
    return Written()


@writer(".csv")
def pandas_missing_as_na(path: Path) -> Written:
    frame = pd.DataFrame(table())
    frame.loc[10:14, "Battery (V)"] = np.nan
    frame.to_csv(path, index=False, na_rep="NA")
    return Written(empty=tuple(("volts", i) for i in range(10, 15)))


@writer(".csv")
def pandas_dates(path: Path) -> Written:
    frame = pd.DataFrame(table())
    start = pd.Timestamp("2026-03-01 08:15:00.25")
    frame.insert(0, "Date Time", start + pd.to_timedelta(frame.pop(NAMES[0]), unit="s"))
    frame.to_csv(path, index=False, date_format="%d.%m.%Y %H:%M:%S.%f")
    return Written()


@writer(".csv")
def polars_plain(path: Path) -> Written:
    pl.DataFrame(table()).write_csv(path)
    return Written()


@writer(".csv")
def polars_with_mark(path: Path) -> Written:
    pl.DataFrame(table()).write_csv(path, include_bom=True, separator=";", line_terminator="\r\n")
    return Written()


@writer(".csv")
def polars_all_quoted(path: Path) -> Written:
    pl.DataFrame(table()).write_csv(path, quote_style="always", float_precision=3)
    return Written()


@writer(".csv")
def polars_without_names(path: Path) -> Written:
    pl.DataFrame(table()).write_csv(path, include_header=False)
    columns = ("rpm", "kPa absolute", "psi gauge", "lambda", "ms", "percent", "V", "degC")
    channels = (
        "engine_speed", "manifold_pressure", "rail_gauge", "lambda", "injector_pulse", "duty",
        "voltage", "coolant_temperature",
    )  # fmt: skip
    mapping = {
        channel: f"column {number} as {unit}"
        for number, (channel, unit) in enumerate(zip(channels, columns, strict=True), 2)
    }
    return Written(mapping={"time": "column 1 as s", **mapping})


@writer(".parquet")
def polars_parquet(path: Path) -> Written:
    pl.DataFrame(table()).write_parquet(path)
    return Written()


@writer(".parquet")
def polars_parquet_narrow(path: Path) -> Written:
    frame = pl.DataFrame(table()).with_columns(
        pl.col("Engine Speed (rpm)").cast(pl.Int16), pl.col("Coolant Temp (°C)").cast(pl.UInt8)
    )
    frame.write_parquet(path, compression="zstd", row_group_size=100)
    return Written()


@writer(".parquet")
def polars_parquet_dates(path: Path) -> Written:
    start = datetime(2026, 3, 1, 8, 15)
    stamps = [start + timedelta(seconds=float(t)) for t in drive()["time"]]
    frame = pl.DataFrame({"Timestamp": stamps, **dict(list(table().items())[1:])})
    frame.write_parquet(path)
    return Written()


@writer(".parquet")
def polars_parquet_durations(path: Path) -> Written:
    spans = [timedelta(seconds=float(t)) for t in drive()["time"]]
    frame = pl.DataFrame({"Elapsed": spans, **dict(list(table().items())[1:])})
    frame.write_parquet(path)
    return Written()


# --- as a spreadsheet of another language saves it -------------------------------------------

GERMAN = (
    "Zeit [s]", "Drehzahl [1/min]", "Saugrohrdruck [kPa]", "Kraftstoffdruck [psi]", "Lambda",
    "Einspritzzeit [ms]", "Tastverhältnis Einspritzung [%]", "Batteriespannung [V]",
    "Kühlmitteltemperatur [°C]",
)  # fmt: skip
FRENCH = (
    "Temps (s)", "Régime moteur (tr/min)", "Pression admission (kPa)", "Pression essence (psi)",
    "Richesse (lambda)", "Temps injection (ms)", "Injector duty (%)", "Tension batterie (V)",
    "Temp eau (°C)",
)  # fmt: skip


def grouped(cell: str, mark: str) -> str:
    whole, comma, rest = cell.partition(",")
    return f"{int(whole):,}".replace(",", mark) + comma + rest if whole.isdigit() else cell


@writer(".csv")
def german_spreadsheet(path: Path) -> Written:
    rows = [[grouped(cell, ".") for cell in row] for row in cells(",")]
    lines = [";".join(row) for row in [list(GERMAN), *rows]]
    return put(path, "\r\n".join(lines) + "\r\n", "cp1252")


@writer(".csv")
def french_spreadsheet(path: Path) -> Written:
    rows = [[grouped(cell, "\u202f") for cell in row] for row in cells(",")]
    lines = [";".join(row) for row in [list(FRENCH), *rows]]
    return put(path, "\r\n".join(lines) + "\r\n", "utf-8-sig")


@writer(".csv")
def separator_said_first(path: Path) -> Written:
    lines = ["sep=;", ";".join(NAMES), *(";".join(row) for row in cells(","))]
    return put(path, "\r\n".join(lines) + "\r\n")


@writer(".txt")
def unicode_text_of_a_spreadsheet(path: Path) -> Written:
    lines = ["\t".join(NAMES), *("\t".join(row) for row in cells(","))]
    return put(path, "\ufeff" + "\r\n".join(lines) + "\r\n", "utf-16-le")


@writer(".csv")
def empty_rows_and_columns_around(path: Path) -> Written:
    lines = [
        ";;;;;;;;;;",
        ";".join([*NAMES, "", ""]),
        *(";".join([*r, "", ""]) for r in cells(",")),
    ]
    return put(path, "\r\n".join(lines) + "\r\n" + ";;;;;;;;;;\r\n" * 3)


@writer(".mf4")
def measurement_format(path: Path) -> Written:
    from asammdf import MDF, Signal

    drawn = drive()
    names, units = list(BARE), list(UNITS)
    slow = np.arange(0, ROWS, 10)
    with MDF(version="4.10") as opened:
        for name, unit, values in list(zip(names, units, drawn.values(), strict=True))[1:]:
            rows = slow if name == "Coolant Temp" else np.arange(ROWS)
            signal = Signal(values[rows], drawn["time"][rows], name=name, unit=unit)
            opened.append([signal])
        opened.save(path, overwrite=True)
    return Written(slow=("coolant",))
