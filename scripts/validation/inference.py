"""Is `find` as sure as it may be, and as good as the readings allow?"""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from concurrent.futures import Executor, ProcessPoolExecutor, as_completed
from dataclasses import asdict, dataclass
from multiprocessing import get_context
from typing import Any

from keyturn.evidence.infer import FULL, SCREEN
from keyturn.evidence.unknowns import table as priors
from validation import ceiling, statistics
from validation.cases import OTHERS, RAIL_ONLY, RICH, Job, answers
from validation.section import MISSED, cells, say, table

PICKUP = "pickup-screw"
OTHER_BUILDS = ("van-roots", "kitcar-boost")
CHUNK = 25  # cases of one job
SEED, WRONG_SEED, FILTER_SEED = 11, 12, 13
RICH_FACTOR = 4  # rail pressures alone seldom give 70 to 80 %; rich readings do
OTHERS_FACTOR = 0.5
CONTROL = 3  # the control of a wrong likelihood takes one case of each set for so many true ones
FILTERS, LEAST_FILTERS = 5, 20  # clogged filters for each set, as a share and at least

Rows = list[dict[str, Any]]


@dataclass(frozen=True)
class Size:
    """How much is simulated."""

    cases: int = 150  # of each set of rail pressures; the rich set and the other builds by factors
    draws: int = 200_000  # of each cause in the bank
    processes: int = 2


def run(size: Size) -> tuple[dict[str, Any], bool]:
    """All results of the section, and whether every bound holds."""
    started = time.perf_counter()
    # spawned, for a fork of a process that has computed may hang in the numerical library
    with ProcessPoolExecutor(size.processes, mp_context=get_context("spawn")) as pool:
        rows = answered(pool, true_jobs(size), "cases")
        wrong = answered(pool, wrong_jobs(size), "cases of the wrong likelihood")
        filters = answered(pool, filter_jobs(size), "cars with a clogged filter")
        ceilings = beside(pool, rows, size.draws)
    results = summed(rows, wrong, filters) | {
        "ceilings": ceilings,
        "seconds": time.perf_counter() - started,
    }
    return results, holds(results)


def true_jobs(size: Size) -> list[Job]:
    few = max(1, round(size.cases * OTHERS_FACTOR))
    sets = [(PICKUP, name, size.cases) for name in RAIL_ONLY]
    sets += [(PICKUP, RICH, RICH_FACTOR * size.cases)]
    sets += [(build, name, few) for build in OTHER_BUILDS for name in OTHERS]
    return [
        Job(build, name, first, min(CHUNK, count - first), SEED)
        for build, name, count in sets
        for first in range(0, count, CHUNK)
    ]


def wrong_jobs(size: Size) -> list[Job]:
    count = max(1, size.cases // CONTROL)
    return [
        Job(PICKUP, name, first, min(CHUNK, count - first), WRONG_SEED, wrong=True)
        for name in (*RAIL_ONLY, RICH)
        for first in range(0, count, CHUNK)
    ]


def filter_jobs(size: Size) -> list[Job]:
    count = max(LEAST_FILTERS, size.cases // FILTERS)
    return [Job(PICKUP, name, 0, count, FILTER_SEED, cause="filter") for name in (*RAIL_ONLY, RICH)]


def answered(pool: Executor, jobs: Sequence[Job], words: str) -> Rows:
    """All cases of all jobs, with progress."""
    started, whole = time.perf_counter(), sum(job.count for job in jobs)
    rows: Rows = []
    for done in as_completed([pool.submit(answers, job) for job in jobs]):
        rows += done.result()
        say(f"  {len(rows)} of {whole} {words}, {time.perf_counter() - started:.0f} s")
    return sorted(rows, key=lambda row: (row["build"], row["readings"], row["number"]))


def beside(pool: Executor, rows: Rows, draws: int) -> list[dict[str, Any]]:
    waiting = [
        pool.submit(ceiling.beside, chosen(rows, name), draws, SEED) for name in (*RAIL_ONLY, RICH)
    ]
    found = []
    for done in waiting:
        found.append(done.result())
        say(f"  ceiling of {found[-1]['readings']}: {found[-1]['ceiling']:.3f}")
    return found


def chosen(rows: Rows, readings: str) -> Rows:
    return [row for row in rows if row["build"] == PICKUP and row["readings"] == readings]


def summed(rows: Rows, wrong: Rows, filters: Rows) -> dict[str, Any]:
    """What the page shows, without the ceilings."""
    ranks = statistics.ranks_of(rows)
    tenths = statistics.reliability(statistics.claims(rows))
    control = statistics.ranks_of(wrong)
    missed = statistics.reliability(statistics.claims(wrong))
    return {
        "cases": len(rows),
        "builds": sorted({row["build"] for row in rows}),
        "settled": sum(bool(row["settled"]) for row in rows),
        "particles": [SCREEN, FULL],
        "ranks": {
            name: {"cases": len(some), "p": statistics.rank_test(some)}
            for name, some in sorted(ranks.items())
        },
        "least_p": statistics.least_p(len(ranks)),
        "tenths": [asdict(row) for row in tenths],
        "stated_row_holds": statistics.stated_row_holds(tenths),
        "wrong": {
            "cases": len(wrong),
            "least_p": min(statistics.rank_test(some) for some in control.values()),
            "tenths": len(missed),
            "tenths_missed": sum(not row.holds for row in missed),
            "fails": not statistics.ranks_hold(control) and not all(row.holds for row in missed),
        },
        "filter": [_filters(filters, name) for name in (*RAIL_ONLY, RICH)],
    }


def _filters(rows: Rows, readings: str) -> dict[str, Any]:
    """How often a clogged filter is found from one reading set."""
    claimed = [row["claims"] for row in chosen(rows, readings)]
    first = [max(some, key=some.__getitem__) == "filter" for some in claimed]
    named = [some["filter"] >= float(priors()["threshold"]["named"]) for some in claimed]
    return {
        "readings": readings,
        "cases": len(claimed),
        "first": sum(first),
        "named": sum(named),
        "mean": sum(some["filter"] for some in claimed) / len(claimed),
    }


def holds(results: Mapping[str, Any]) -> bool:
    """Every bound of the section."""
    return (
        all(row["p"] > results["least_p"] for row in results["ranks"].values())
        and all(row["holds"] for row in results["tenths"])
        and bool(results["stated_row_holds"])
        and bool(results["wrong"]["fails"])
        and all(row["holds"] for row in results["ceilings"])
        and all(row["named"] == 0 for row in results["filter"] if row["readings"] in RAIL_ONLY)
    )


TOP = """
{cases} invented cars on {builds}:
cause and unknowns drawn from the prior, readings made from them with the errors of the usual
instruments, and inferred with the particles of the product ({screen} for every cause, {full} for
those in question). The sampler settled in {settled} of them;
the others count all the same, though `find` gives no answer there. The same model makes and infers:
this tests the arithmetic, not the priors. How: [theory](theory/calibration.md).
"""
RANKS = """
### Ranks of the unknowns

Simulation-based calibration (Talts et al. 2018): the rank of the true value among 63 samples of the
posterior, over all causes, is uniform. p of a chi-squared test over 16 bins; bound: every p above
{bound:.2g} (1 % over {number} unknowns).
"""
RELIABLE = """
### Claimed and observed

Every cause in every case is a claim with a probability. Intervals are exact binomial ones (Clopper
and Pearson) of 95 %; a row holds when the mean claim lies in the interval of 99.5 % (5 % over ten
rows), and for the row of 70 to 80 % in that of 95 %, with at least 60 claims.
"""
WRONG = """
Control: with every instrument taken for ten times as good as it is, {cases} cases give
a least p of {least_p:.1g} and miss {tenths_missed} of {tenths} rows: {verdict}.
"""
CEILING = """
### Beside the best possible rule

A bank of {draws} solved cars of every cause, weighed exactly: the mean of the largest probability
is the share that the best possible rule names rightly with the same readings (the Bayes ceiling; in
brackets its lower estimate from two halves of the bank, one choosing and one weighing). "By the
bank" is how often the causes that `find` puts first are right by the bank's probabilities, free of
the luck of the draw. Bound: top-1 at least the ceiling less 3 standard errors of the difference.
"Apart": largest difference of a cause's probability between `find` and bank in one case, mean and
95 % of cases.
"""
FILTER = """
### A clogged filter

Cars with a clogged filter. Rail pressures alone never name it (60 % or more): at the rail it looks
like every other shortage of flow. That is why the choice of the next test matters.
"""


def render(found: Mapping[str, Any]) -> str:
    """The section of the page."""
    screen, full = found["particles"]
    parts = [
        TOP.format(
            cases=found["cases"],
            builds=", ".join(found["builds"]),
            screen=screen,
            full=full,
            settled=found["settled"],
        ),
        RANKS.format(bound=found["least_p"], number=len(found["ranks"])),
        table("unknown", "cases", "p", ""),
    ]
    for name, row in found["ranks"].items():
        verdict = "" if row["p"] > found["least_p"] else MISSED
        parts.append(cells(name, str(row["cases"]), f"{row['p']:.3f}", verdict))
    parts += [RELIABLE, table("claimed", "claims", "mean claim", "right", "observed", "95 %", "")]
    parts += [_tenth(row, found["stated_row_holds"]) for row in found["tenths"]]
    wrong = found["wrong"]
    verdict = "it fails, as it must" if wrong["fails"] else MISSED
    parts.append(WRONG.format(**wrong, verdict=verdict))
    draws = found["ceilings"][0]["draws"]
    parts.append(CEILING.format(draws=f"{draws:,}".replace(",", " ")))
    parts.append(
        table("readings", "cases", "top-1", "by the bank", "ceiling", "3 errors", "apart", "")
    )
    parts += [_ceiling(row) for row in found["ceilings"]]
    parts += [FILTER, table("readings", "cars", "first", "named", "mean probability")]
    for row in found["filter"]:
        counts = (str(row[name]) for name in ("cases", "first", "named"))
        parts.append(cells(row["readings"], *counts, f"{row['mean']:.2f}"))
    return "".join(parts)


def _tenth(row: Mapping[str, Any], stated: bool) -> str:
    low, high = row["interval"]
    ok = row["holds"] and (stated or abs(row["low"] - statistics.STATED[0]) > 1e-9)
    return cells(
        f"{100 * row['low']:.0f} to {100 * row['high']:.0f} %",
        str(row["claims"]),
        f"{100 * row['claimed']:.1f} %",
        str(row["right"]),
        f"{100 * row['right'] / row['claims']:.1f} %",
        f"{100 * low:.1f} to {100 * high:.1f} %",
        "" if ok else MISSED,
    )


def _ceiling(row: Mapping[str, Any]) -> str:
    return cells(
        row["readings"],
        str(row["cases"]),
        f"{row['top_1']:.3f}",
        f"{row['expected']:.3f}",
        f"{row['ceiling']:.3f} ({row['ceiling_least']:.3f})",
        f"{ceiling.SIGMAS * row['standard_error']:.3f}",
        f"{row['apart_mean']:.3f}, {row['apart_95']:.3f}",
        "" if row["holds"] else MISSED,
    )
