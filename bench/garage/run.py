"""Garage simulation: random faults on the example builds, tested and repaired until called clear.

python bench/garage/run.py --cases 1000 --json FILE
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parents[1] / "src")]

from bank import Bank, bank  # noqa: E402
from bound import bound  # noqa: E402
from policies import POLICIES  # noqa: E402
from world import draw  # noqa: E402

import keyturn  # noqa: E402
from keyturn.evidence.infer import prepare  # noqa: E402

EXAMPLES = Path(keyturn.__file__).parent / "examples"
ROWS = ("total", "money", "hours", "parts", "needless", "tests", "dangerous")


@cache
def bank_of(name: str) -> Bank:
    """The draws of an example, made once in a process."""
    return bank(prepare(keyturn.load(EXAMPLES / name)), seed=0)


def one(task: tuple[str, int, tuple[str, ...]]) -> dict[str, Any]:
    """One case under every policy: the same car, the same luck with the first readings."""
    name, seed, policies = task
    own = bank_of(name)
    out: dict[str, Any] = {"example": name, "seed": seed}
    own.logs.clear()
    first = draw(own.model, seed, own.probe)
    out["cause"], out["sick"] = first.space.cause.name, first.sick()
    ledgers = []
    for policy in policies:
        started, car = time.process_time(), first.again()
        ledger = POLICIES[policy](car, own)
        out[policy] = {**asdict(ledger), "total": ledger.total, "repaired": car.repaired}
        if policy != "oracle":
            ledgers.append(ledger)
        out[policy] |= {"made": car.made, "seconds": time.process_time() - started}
    if set(policies) >= {"keyturn", "oracle"}:
        started = time.process_time()
        out["bound"], out["bound by"] = bound(first.again(), own, ledgers)
        out["bound seconds"] = time.process_time() - started
    return out


def cases(
    count: int,
    seed: int,
    policies: Sequence[str] = tuple(POLICIES),
    workers: int = 1,
    progress: Callable[[int], None] = lambda done: None,
) -> list[dict[str, Any]]:
    """``count`` cases spread over the examples."""
    names = sorted(path.name for path in EXAMPLES.iterdir() if path.is_dir())
    tasks = [(names[n % len(names)], 1000 * seed + n, tuple(policies)) for n in range(count)]
    found = []
    if workers == 1:
        for task in tasks:
            found.append(one(task))
            progress(len(found))
        return found
    with ProcessPoolExecutor(workers) as pool:
        for row in pool.map(one, tasks, chunksize=len(names)):
            found.append(row)
            progress(len(found))
    return found


def summary(count: int, seed: int, workers: int = 1) -> dict[str, Any]:
    """Means of every policy, over all cases and for each example."""
    found = cases(count, seed, workers=workers)
    return summed(found, seed)


def summed(found: list[dict[str, Any]], seed: int) -> dict[str, Any]:
    """Means from the cases themselves."""
    policies = [name for name in POLICIES if name in found[0]]
    groups = {"all": found}
    for name in sorted({row["example"] for row in found}):
        groups[name] = [row for row in found if row["example"] == name]
    return {
        "cases": len(found),
        "seed": seed,
        "groups": {
            group: {name: _means([row[name] for row in rows]) for name in policies}
            for group, rows in groups.items()
        },
    }


def _means(rows: list[dict[str, Any]]) -> dict[str, float]:
    out = {name: float(np.mean([row[name] for row in rows])) for name in ROWS}
    cleared = [row for row in rows if row["end"] == "clear"]
    out["wrong"] = sum(row["wrong"] for row in rows) / len(rows)
    out["cleared"] = len(cleared) / len(rows)
    out["asked"] = sum(row["end"] == "asked" for row in rows) / len(rows)
    out["gave up"] = sum(row["end"] == "gave up" for row in rows) / len(rows)
    return out


def markdown(result: dict[str, Any]) -> str:
    """The means as a table."""
    head = (
        "| cases | way | money and time | money | hours | parts | needless | tests | dangerous "
        "| wrong all-clears | asked someone | gave up |\n" + "|---" * 12 + "|\n"
    )
    lines = [
        f"| {group} | {name} | {row['total']:.0f} | {row['money']:.0f} | {row['hours']:.2f} "
        f"| {row['parts']:.2f} | {row['needless']:.3f} | {row['tests']:.1f} "
        f"| {row['dangerous']:.2f} | {row['wrong']:.1%} | {row['asked']:.1%} "
        f"| {row['gave up']:.1%} |\n"
        for group, policies in result["groups"].items()
        for name, row in policies.items()
    ]
    return head + "".join(lines)


def main() -> int:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--cases", type=int, default=60)
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--workers", type=int, default=1)
    asked.add_argument("--json", type=Path)
    said = asked.parse_args()
    started = time.perf_counter()

    def progress(done: int) -> None:
        if done % 20 == 0 or done == said.cases:
            spent = time.perf_counter() - started
            print(f"{done} of {said.cases} cases, {spent:.0f} s", file=sys.stderr, flush=True)

    found = cases(said.cases, said.seed, workers=said.workers, progress=progress)
    result = summed(found, said.seed)
    print(markdown(result))
    if said.json:
        said.json.write_text(json.dumps({**result, "rows": found}, indent=1), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
