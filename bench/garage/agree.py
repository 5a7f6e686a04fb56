"""Whether the bank answers what `find` answers: cause by cause, and in what to do next.

python bench/garage/agree.py --posteriors 50 --json FILE
"""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

import numpy as np
from bank import Bank, Mind
from world import draw

from keyturn.evidence import decide, next_test
from keyturn.evidence.causes import causes
from keyturn.evidence.infer import infer
from run import EXAMPLES, bank_of

STEPS = 4  # the case is stopped after at most so many acts


def one(bank: Bank, seed: int) -> dict[str, object]:
    """A case followed for some acts, and both answers then."""
    bank.logs.clear()
    car = draw(bank.model, seed, bank.probe)
    mind = Mind(bank, car.rng)
    rows = {row.name: row for row in causes(bank.model.build)}
    for step in range(1 + seed % (STEPS + 1)):
        mind.read(car.readings)
        tried = car.candidates()
        state, ranked = mind.judged(car.repaired, tried)
        act = decide.act(state, ranked)
        if step == seed % (STEPS + 1) or act.kind not in ("test", "repair"):
            break
        if act.kind == "repair":
            car.repair(rows[act.name])
        else:
            row = next(row for row in ranked if row.name == act.name)
            car.test(row.after or act.name)
    rng = np.random.default_rng(seed)
    found = infer(bank.model.build, car.readings, rng, model=bank.model)
    theirs = decide.belief(found, bank.model, car.repaired, rng, bank.probe)
    their = decide.act(theirs, next_test.judged(theirs, bank.model, car.candidates()))
    own = dict.fromkeys(rows, 0.0)
    own |= dict(zip([r.name for r in mind.rows], mind.probabilities()[:-1].tolist(), strict=True))
    other = {item.cause.name: item.probability for item in found.suspects}
    own["none of these"] = float(mind.probabilities()[-1])
    away = {name: own[name] - p for name, p in other.items()}
    return {
        "seed": seed,
        "readings": len(car.readings),
        "repaired": car.repaired,
        "away": max(abs(p) for p in away.values()),
        "away most": max(away, key=lambda name: abs(away[name])),
        "mean": float(np.mean([abs(p) for p in away.values()])),
        "left": [state.left, theirs.left],
        "act": [f"{act.kind} {act.name}", f"{their.kind} {their.name}"],
        "fell back": mind.fell_back,
        "converged": all(item.converged for item in found.suspects if item.probability > 0.05),
    }


def main() -> int:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--posteriors", type=int, default=50)
    asked.add_argument("--seed", type=int, default=20_000)
    asked.add_argument("--json", type=Path)
    said = asked.parse_args()
    names = sorted(path.name for path in EXAMPLES.iterdir() if path.is_dir())
    found: list[dict[str, object]] = []
    for n in range(said.posteriors):
        found.append(one(bank_of(names[n % len(names)]), said.seed + n))
        print(found[-1], file=sys.stderr, flush=True)
        if said.json:
            said.json.write_text(json.dumps(found, indent=1), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
