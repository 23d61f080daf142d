"""How near a plan comes to the best that a much longer search finds: nine invented regions, three criteria.

    python -m tests.plans_quality [--times 100] [--regions NAME,…] [--criteria D,A,I]

The long search is the default one, again and again from other seeds, ``--times`` as long in all. Printed:

    seconds   processor seconds of a default search
    short     efficiency of the default search against the best that was found by either, %
    worst     the same for the worst of the other searches, each a default search with a seed of its own
    within    share of all of them within 0.5 % of the best
"""

from __future__ import annotations

import argparse
import time
from typing import Any

import numpy as np
import pandas as pd

from formlab import Brief, Region
from formlab.plans.ask import Ask
from formlab.plans.basis import Basis
from formlab.plans.exchange import Problem, search
from formlab.plans.optimal import pose, shape
from formlab.plans.structure import default_ratios
from formlab.terms import ModelSpace

__all__ = ["REGIONS", "efficiency", "posed"]

RUBBER = {"name": "rubber", "role": "rubber"}


def _parts(**ranges: tuple[float, float]) -> list[dict[str, Any]]:
    return [{"name": name, "low": low, "high": high} for name, (low, high) in ranges.items()]


def _phr(parts: list[dict[str, Any]], **more: Any) -> Brief:
    return Brief(ingredient=[RUBBER, *parts], **more)


def _fraction(parts: list[dict[str, Any]], **more: Any) -> Brief:
    return Brief(basis="fraction", ingredient=parts, **more)


CURE = [{"name": "cure_min", "low": 6, "high": 14}, {"name": "cure_temp", "low": 140, "high": 160}]
PRESS = [{"name": "cure_min", "low": 6, "high": 14, "changes": "slab"}]
SEVEN = _parts(rubber=(0.2, 0.45), factice=(0.1, 0.4), oil=(0.02, 0.15), chalk=(0.1, 0.45), pumice=(0.0, 0.2),
               clay=(0.0, 0.15), regrind=(0.0, 0.1))  # fmt: skip

# name: brief, what is asked beyond it
REGIONS: dict[str, tuple[Brief, dict[str, Any]]] = {
    "3 shares": (
        _fraction(_parts(rubber=(0.2, 0.6), factice=(0.1, 0.5), chalk=(0.1, 0.6))),
        {"runs": 10},
    ),
    "4 phr, 2 limits": (
        _phr(_parts(factice=(20, 80), oil=(0, 30), chalk=(20, 120), pumice=(0, 30)),
             limit=[{"expression": "chalk + pumice <= 110"}, {"expression": "oil <= 0.4 factice"}]),
        {"runs": 21},
    ),
    "5 phr, thin cure": (
        _phr(_parts(factice=(20, 80), oil=(5, 25), chalk=(20, 100), sulfur=(1.5, 2.5), accelerator=(0.6, 1.2)),
             limit=[{"expression": "sulfur + accelerator <= 3.2"}, {"expression": "oil + factice <= 95"}]),
        {"runs": 28},
    ),
    "3 phr, 2 settings": (
        _phr(_parts(factice=(20, 80), oil=(5, 25), chalk=(20, 100)), setting=CURE, limit=[{"expression": "factice + chalk <= 150"}]),
        {"runs": 27},
    ),
    "5 shares, limits": (
        _fraction(_parts(rubber=(0.2, 0.5), factice=(0.1, 0.4), oil=(0.02, 0.15), chalk=(0.1, 0.5), pumice=(0.0, 0.2)),
                  limit=[{"expression": "chalk + pumice <= 0.55"}, {"expression": "oil <= 0.4 factice"}]),
        {"runs": 21},
    ),
    "6 phr, potential": (
        _phr(_parts(factice=(20, 80), oil=(5, 25), chalk=(20, 100), pumice=(0, 25), clay=(0, 30), regrind=(0, 20)),
             limit=[{"expression": "chalk + pumice + clay <= 120"}]),
        {"runs": 20, "potential": True},
    ),
    "7 shares, 2 settings": (_fraction(SEVEN, setting=CURE, crossed="main"), {"runs": 60}),
    "9 phr, linear": (
        _phr(_parts(factice=(20, 80), oil=(5, 25), chalk=(20, 100), pumice=(0, 25), clay=(0, 30), regrind=(0, 20),
                    sulfur=(1.0, 2.5), accelerator=(0.5, 1.5), pigment=(0, 3)),
             model="linear", limit=[{"expression": "chalk + pumice + clay <= 120"}, {"expression": "sulfur + accelerator <= 3.2"}]),
        {"runs": 16},
    ),
    "3 phr in batches": (
        _phr(_parts(factice=(20, 80), oil=(5, 25), chalk=(20, 100)), setting=PRESS, limit=[{"expression": "factice + chalk <= 150"}]),
        {"runs": 30, "batches": 15},
    ),
}  # fmt: skip


def posed(name: str, criterion: str) -> Problem:
    """Return the search problem of one region."""
    brief, wishes = REGIONS[name]
    wishes = dict(wishes)
    potential = "auto" if wishes.pop("potential", False) else None
    batches = wishes.pop("batches", wishes["runs"])
    space = ModelSpace(brief)
    ratios = default_ratios(brief)[0]
    ask = Ask(brief, Region.from_brief(brief), space, ratios, seed=1, criterion=criterion, batches=batches,
              potential=potential, **wishes)  # fmt: skip
    basis = Basis(ask.region, space)
    problem = pose(ask, basis, shape(ask, basis), np.zeros((len(space), len(space))))
    if potential:
        from formlab.plans.bayes import default_potential, make_prior
        from formlab.plans.optimal import trial_sd

        prior = make_prior(basis, default_potential(basis), trial_sd(problem.structure))
        problem.prior = prior.precision
    return problem


def efficiency(score: float, best: float) -> float:
    """Return the efficiency, in %, of a score against another: scores are logarithms for every criterion."""
    return float(100 * np.exp(score - best))


def row(name: str, criterion: str, times: int) -> dict[str, Any]:
    problem = posed(name, criterion)
    start = time.process_time()
    scores = [search(problem, np.random.SeedSequence(0), n_jobs=1).score]
    seconds = time.process_time() - start
    scores += [search(problem, np.random.SeedSequence(k), n_jobs=1).score for k in range(1, times + 1)]
    reached = [efficiency(s, max(scores)) for s in scores]
    return {
        "region": name,
        "terms": len(problem.basis.space),
        "runs": problem.structure.n,
        "criterion": criterion,
        "seconds": round(seconds, 2),
        "short": round(reached[0], 2),
        "worst": round(min(reached), 2),
        "within": round(float(np.mean(np.array(reached) >= 99.5)), 3),
    }


def main(arguments: list[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description="Plans against a much longer search.")
    parser.add_argument("--times", type=int, default=100)
    parser.add_argument("--regions", default=",".join(REGIONS))
    parser.add_argument("--criteria", default="D,A,I")
    options = parser.parse_args(arguments)
    # names hold commas, so a region is picked by any part of its name
    picked = [
        n
        for n in REGIONS
        if options.regions == ",".join(REGIONS) or any(part in n for part in options.regions.split(";"))
    ]
    rows = []
    for name in picked:
        for criterion in options.criteria.split(","):
            rows.append(row(name, criterion, options.times))
            print(pd.DataFrame(rows[-1:]).to_string(index=False, header=len(rows) == 1), flush=True)


if __name__ == "__main__":
    main()
