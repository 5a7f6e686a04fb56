"""Garage simulation: random faults on the example builds, tested and repaired until called clear.

python bench/garage/run.py --cases 1000 --json FILE
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections import Counter
from collections.abc import Callable, Sequence
from contextlib import nullcontext
from dataclasses import asdict
from functools import cache
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
from scipy.special import betaincinv

HERE = Path(__file__).resolve().parent
# run as a program, also where keyturn is not installed: what is imported below (E402) is found
# through this path
sys.path[:0] = [str(HERE), str(HERE.parents[1] / "src")]

from bank import DRAWS, Bank, bank  # noqa: E402
from bound import bound  # noqa: E402
from policies import POLICIES  # noqa: E402
from world import draw  # noqa: E402

import keyturn  # noqa: E402
from keyturn.evidence.infer import prepare  # noqa: E402

EXAMPLES = Path(keyturn.__file__).parent / "examples"
EVERY = {"cheapest test first": 4}  # it makes many tests: every fourth case is enough
ROWS = ("total", "money", "hours", "parts", "needless", "tests", "dangerous", "steps", "fell_back")


@cache
def bank_of(name: str, draws: int = DRAWS) -> Bank:
    """The draws of an example, made once in a process."""
    return bank(prepare(keyturn.load(EXAMPLES / name)), seed=0, draws=draws)


def one(task: tuple[str, int, tuple[str, ...], int]) -> dict[str, Any]:
    """One case under every policy: the same car, the same luck."""
    name, seed, policies, draws = task
    own = bank_of(name, draws)
    out: dict[str, Any] = {"example": name, "seed": seed}
    own.logs.clear()
    first = draw(own.model, seed, own.probe)
    out["cause"], out["sick"] = first.space.cause.name, first.sick()
    ledgers = []
    for policy in policies:
        started, car = time.process_time(), first.again()
        ledger = POLICIES[policy](car, own)
        out[policy] = {**asdict(ledger), "total": ledger.total, "repaired": car.repaired}
        if ledger.left == ledger.left:  # it ended by the rule of the all-clear, or by asking
            ledgers.append(ledger)
        out[policy] |= {"made": car.made, "seconds": time.process_time() - started}
    if set(policies) >= {"keyturn", "oracle"}:
        started = time.process_time()
        out["bound"], out["bound by"] = bound(first.again(), own, ledgers)
        out["bound seconds"] = time.process_time() - started
    return out


def cases(
    count: int,
    first: int,
    policies: Sequence[str] = tuple(POLICIES),
    workers: int = 1,
    progress: Callable[[list[dict[str, Any]]], None] = lambda found: None,
    draws: int = DRAWS,
    done: Sequence[dict[str, Any]] = (),
) -> list[dict[str, Any]]:
    """``count`` cases in equal shares of the examples; the banks are made once and shared."""
    names = sorted(path.name for path in EXAMPLES.iterdir() if path.is_dir())
    tasks = [
        (
            names[n % len(names)],
            first + n,
            tuple(p for p in policies if n % EVERY.get(p, 1) == 0),
            draws,
        )
        for n in range(count)
    ]
    for name in names[:count]:
        bank_of(name, draws)
    found = list(done)
    tasks = tasks[len(found) :]
    with get_context("fork").Pool(workers) if workers > 1 else nullcontext() as pool:
        for row in pool.imap(one, tasks) if pool is not None else map(one, tasks):
            found.append(row)
            progress(found)
    return found


def summed(found: list[dict[str, Any]], first: int) -> dict[str, Any]:
    """Means from the cases themselves."""
    groups = {"all": found}
    for name in sorted({row["example"] for row in found}):
        groups[name] = [row for row in found if row["example"] == name]
    for sick, name in ((True, "with a fault that matters"), (False, "without one")):
        groups[name] = [row for row in found if row["sick"] == sick]
    thin = [row for row in found if all(name in row for name in EVERY)]
    groups["those with the cheapest test first"] = thin
    groups = {name: rows for name, rows in groups.items() if rows}
    return {
        "cases": len(found),
        "first seed": first,
        "groups": {
            group: {
                name: _means([row[name] for row in rows])
                for name in POLICIES
                if all(name in row for row in rows)
            }
            for group, rows in groups.items()
        },
        "bound": {group: _bound(rows) for group, rows in groups.items()},
    }


def _bound(rows: list[dict[str, Any]]) -> dict[str, float]:
    """The test-inclusive bound, and what keyturn takes over both bounds."""
    mean = float(np.mean([row["bound"] for row in rows]))
    own = float(np.mean([row["keyturn"]["total"] for row in rows]))
    bare = float(np.mean([row["oracle"]["total"] for row in rows]))
    kinds = Counter(row["bound by"] for row in rows)
    return {
        "cases": len(rows),
        "total": mean,
        "over bound": own / mean,
        "over bare": own / bare,
    } | {name: count / len(rows) for name, count in kinds.items()}


def _means(rows: list[dict[str, Any]]) -> dict[str, float]:
    out = {name: float(np.mean([row[name] for row in rows])) for name in ROWS}
    for end in ("clear", "asked", "gave up"):
        out[end] = sum(row["end"] == end for row in rows) / len(rows)
    wrong = sum(row["wrong"] for row in rows)
    out["wrong"] = wrong / len(rows)
    out["wrong at most"] = (
        1.0 if wrong == len(rows) else float(betaincinv(wrong + 1, len(rows) - wrong, 0.95))
    )
    return out


def goals(result: dict[str, Any]) -> list[tuple[str, float, float]]:
    """What is wanted: name, value, and what it may be at most."""
    own, usual = (result["groups"]["all"][name] for name in ("keyturn", "fixed order"))
    needless = own["needless"] / max(usual["needless"], 1e-9)
    return [
        ("needless parts over the fixed order's", needless, 0.25),
        ("cost over the bound with proof", result["bound"]["all"]["over bound"], 1.5),
        ("wrong all-clears", own["wrong"], 0.01),
    ]


def markdown(result: dict[str, Any]) -> str:
    """The means as a table."""
    head = (
        "| cases | way | money and time | money | hours | parts | needless | tests | dangerous "
        "| wrong all-clears (95 % below) | asked someone | gave up |\n" + "|---" * 12 + "|\n"
    )
    lines = [
        f"| {group} | {name} | {row['total']:.0f} | {row['money']:.0f} | {row['hours']:.2f} "
        f"| {row['parts']:.2f} | {row['needless']:.3f} | {row['tests']:.1f} "
        f"| {row['dangerous']:.2f} | {row['wrong']:.1%} ({row['wrong at most']:.1%}) "
        f"| {row['asked']:.1%} | {row['gave up']:.1%} |\n"
        for group, policies in result["groups"].items()
        for name, row in policies.items()
    ]
    bounds = [
        f"| {group} | {row['cases']} | {row['total']:.0f} | {row['over bound']:.2f} "
        f"| {row['over bare']:.2f} |\n"
        for group, row in result["bound"].items()
    ]
    under = (
        "\n| cases | number | bound with proof | keyturn over it | keyturn over the bare oracle |\n"
    )
    return head + "".join(lines) + under + "|---" * 5 + "|\n" + "".join(bounds)


def main() -> int:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--cases", type=int, default=60)
    asked.add_argument("--seed", type=int, default=10_000, help="of the first case")
    asked.add_argument("--workers", type=int, default=1)
    asked.add_argument("--json", type=Path)
    asked.add_argument("--resume", action="store_true", help="go on from what --json holds")
    said = asked.parse_args()
    started = time.perf_counter()

    def progress(found: list[dict[str, Any]]) -> None:
        if len(found) % 20 and len(found) != said.cases:
            return
        spent = time.perf_counter() - started
        print(f"{len(found)} of {said.cases} cases, {spent:.0f} s", file=sys.stderr, flush=True)
        if said.json:
            kept = {**summed(found, said.seed), "rows": found}
            said.json.write_text(json.dumps(kept, indent=1), encoding="utf-8")

    done = json.loads(said.json.read_text(encoding="utf-8"))["rows"] if said.resume else []
    found = cases(said.cases, said.seed, workers=said.workers, progress=progress, done=done)
    result = summed(found, said.seed)
    print(markdown(result))
    return 0 if all(value <= goal for _, value, goal in goals(result)) else 1


if __name__ == "__main__":
    sys.exit(main())
