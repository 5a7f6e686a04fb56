"""keyturn: will fuel, air, drive and wiring hold on a home-built boosted engine?

From Python::

    import keyturn

    build = keyturn.load("mycar")
    result = keyturn.check(build, samples=400, seed=0)
    print(result.sentence)
    result.envelope.across_injector  # arrays in SI, shape (speeds, pressures)
    keyturn.write_report(result, "mycar/made")
    keyturn.read("mycar", keyturn.Typed("rail-pressure", "36 psi", "key-on"))
    print(keyturn.find("mycar").sentence)  # from the readings so far
    print(keyturn.choose("mycar").sentence)  # of the purchases in its build.toml
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from keyturn.build.read import load
    from keyturn.errors import KeyturnError
    from keyturn.journal.typed import Typed
    from keyturn.tasks.check import check
    from keyturn.tasks.choose import choose
    from keyturn.tasks.find import find
    from keyturn.tasks.read import read
    from keyturn.tasks.report import write_report

__version__ = "0.1.0"
__all__ = [
    "KeyturnError",
    "Typed",
    "__version__",
    "check",
    "choose",
    "find",
    "load",
    "read",
    "write_report",
]

# Read only when asked for: NumPy alone costs more than showing the help may take.
_HOME = {
    "KeyturnError": "keyturn.errors",
    "Typed": "keyturn.journal.typed",
    "check": "keyturn.tasks.check",
    "choose": "keyturn.tasks.choose",
    "find": "keyturn.tasks.find",
    "load": "keyturn.build.read",
    "read": "keyturn.tasks.read",
    "write_report": "keyturn.tasks.report",
}


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'keyturn' has no attribute {name!r}")
    return getattr(import_module(_HOME[name]), name)


def __dir__() -> list[str]:
    return sorted(__all__)
