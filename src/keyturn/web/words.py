"""Words of the pages that no other floor has."""

from __future__ import annotations

SHOWN = {"rpm": "rev/min", "degC": "°C", "degF": "°F", "cm3/min": "cm³/min", "mohm": "mΩ",
         "ohm": "Ω", "mm2": "mm²", "cm2": "cm²", "-": "", "cm3": "cm³", "in3": "in³",
         "kg/m3": "kg/m³", "deg": "°"}  # fmt: skip


# what the command line advises, and what a page says instead
ON_A_PAGE = {
    "check the path, or make one with: keyturn new DIR --example NAME":
        "begin one on the first page",
    "start from an example: keyturn new DIR --example NAME":
        "put its text back, or begin a build on the first page",
    "keyturn new --list": "choose one on the first page",
    ": keyturn find BUILD": ", see Find",
    ": keyturn read BUILD rail-pressure VALUE --state key-on": "",
    "with --correct, take it out with --withdraw": "with Correct, take it out with Take out",
    "see the numbers with: keyturn read BUILD --list": "the numbers stand on Find",
    "import an export: keyturn read BUILD --import FILE": "import an export on Papers",
    "start it on a folder of builds: keyturn serve FOLDER":
        "start the server on a folder of builds",
    "or the same again with --sure when it is right": "or say that it is right",
    "keyturn steps BUILD record ": "",
    "keyturn steps BUILD path ": "",
    "stored with: keyturn read BUILD": "stored on Find",
    "--power": "power",
    ": keyturn log BUILD FILE --confirm": " on Logs",
    "say each: --map ": "say each below, such as: ",
    "look at what is proposed, then: keyturn log BUILD logs/": "look at what is proposed for ",
    " --confirm": ", and confirm it",
    "none yet: keyturn log BUILD FILE": "none yet",
    "say it: --map ": "choose it: ",
    "--map 'time=COLUMN as s'": "choose it under Time",
    "--map 'engine_speed=COLUMN as rpm'": "choose a column for engine speed",
    "write it as the log does: --map 'rail_gauge=Fuel Press as psi gauge'":
        "choose one of the columns",
    "CHANNEL=COLUMN as UNIT, such as 'rail_gauge=Fuel Press as psi gauge', or =none":
        "a column and a unit",
    "--map": "columns",
    "an outline file, as keyturn gasket trace or gasket measure writes it":
        "an outline as Make writes it",
}  # fmt: skip


def on_a_page(text: str) -> str:
    """A message without the words of the command line, and without TOML that no field takes."""
    text = text.partition(" or {value = ")[0]
    for typed, said in ON_A_PAGE.items():
        text = text.replace(typed, said)
    return text


def unit_words(unit: str) -> str:
    """A unit as it is read, not as it is typed."""
    return SHOWN.get(unit, unit)
