"""How near a plan comes to the best that a much longer search finds: nine invented regions, three criteria.

    python -m tests.plans_quality [--times 100] [--regions NAME;…] [--criteria D,A,I] [--file SCORES.csv]

The long search is the default one, again and again from other seeds, ``--times`` as long in all. Every search is kept
in the file, `plans_searches.csv` where none is named, and one that is there is not made again: a comparison that takes
many hours can be made a part at a time. The best is the best of these and of all searches before, some of
them much longer, which `plans_best.csv` holds. Printed:

    searches  how many there are, the default one (seed 0) among them
    seconds   processor seconds of a search, median
    short     efficiency of the default search against the best that was found by any, %
    median, worst   the same for all of them
    within    share of all of them within 0.5 % of the best
    better    whether one of them is better than all before, by more than 0.001 %
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from formlab import Brief, Region
from formlab.plans.ask import Ask
from formlab.plans.basis import Basis
from formlab.plans.optimal import pose, shape
from formlab.plans.problem import Problem
from formlab.plans.search import search
from formlab.plans.structure import default_ratios
from formlab.terms import ModelSpace

__all__ = ["REGIONS", "asked", "best_before", "efficiency", "posed"]

BEST = pd.read_csv(Path(__file__).parent / "plans_best.csv").set_index(["region", "criterion"])

SEARCHES = Path(__file__).parent / "plans_searches.csv"
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


def asked(brief: Brief, ratios: dict[str, float] | None = None, **wishes: Any) -> Problem:
    """Return the search problem of a plan without earlier trials."""
    space = ModelSpace(brief)
    ask = Ask(brief, Region.from_brief(brief), space, default_ratios(brief, ratios)[0], seed=1, **wishes)
    basis = Basis(ask.region, space)
    return pose(ask, basis, shape(ask, basis), np.zeros((len(space), len(space))))


def posed(name: str, criterion: str) -> Problem:
    """Return the search problem of one region."""
    brief, wishes = REGIONS[name]
    wishes = dict(wishes)
    potential = "auto" if wishes.pop("potential", False) else None
    batches = wishes.pop("batches", wishes["runs"])
    problem = asked(brief, criterion=criterion, batches=batches, potential=potential, **wishes)
    if potential:
        from formlab.plans.bayes import default_potential, make_prior
        from formlab.plans.optimal import trial_sd

        basis = problem.basis
        prior = make_prior(basis, default_potential(basis), trial_sd(problem.structure))
        problem.prior = prior.precision
    return problem


def efficiency(score: Any, best: float) -> Any:
    """Return the efficiency, in %, of scores against another: they are logarithms for every criterion."""
    return 100 * np.exp(score - best)


def best_before(region: str, criterion: str) -> float:
    """Return the best score of a region that any search has found so far."""
    return float(BEST.loc[(region, criterion), "score"])


def searched(region: str, criterion: str, seed: int) -> dict[str, Any]:
    """Return the score of one default search, and how long it took."""
    problem = posed(region, criterion)
    start = time.process_time()
    score = search(problem, np.random.SeedSequence(seed), n_jobs=1).score
    return {"region": region, "terms": len(problem.basis.space), "runs": problem.structure.n, "criterion": criterion,
            "seed": seed, "score": score, "seconds": time.process_time() - start}  # fmt: skip


def summary(scores: pd.DataFrame) -> pd.DataFrame:
    """Return the table that the module explains."""
    lines = []
    for (name, criterion), part in scores.groupby(["region", "criterion"], sort=False):
        before = best_before(str(name), str(criterion))
        reached = efficiency(part["score"].to_numpy(), max(part["score"].max(), before))
        lines.append({"region": name, "terms": part["terms"].iloc[0], "runs": part["runs"].iloc[0],
                      "criterion": criterion, "searches": len(part), "seconds": part["seconds"].median().round(1),
                      "short": reached[part["seed"].to_numpy() == 0].min().round(2),
                      "median": np.median(reached).round(2), "worst": reached.min().round(2),
                      "within": np.mean(reached >= 99.5).round(2),
                      "better": part["score"].max() > before + 1e-5})  # fmt: skip
    return pd.DataFrame(lines)


def main(arguments: list[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description="Plans against a much longer search.")
    parser.add_argument("--times", type=int, default=100)
    parser.add_argument("--regions", default="", help="parts of names, with semicolons; all if left out")
    parser.add_argument("--criteria", default="D,A,I")
    parser.add_argument("--file", type=Path, default=SEARCHES)
    options = parser.parse_args(arguments)
    picked = [n for n in REGIONS if any(part in n for part in options.regions.split(";"))]
    scores = pd.read_csv(options.file) if options.file.exists() else pd.DataFrame()
    for seed in range(options.times + 1):
        for name in picked:
            for criterion in options.criteria.split(","):
                one = {"region": name, "criterion": criterion, "seed": seed}
                if len(scores) and (scores[list(one)] == pd.Series(one)).all(axis=1).any():
                    continue
                scores = pd.concat([scores, pd.DataFrame([searched(**one)])], ignore_index=True)
                scores.round({"score": 6, "seconds": 1}).to_csv(options.file, index=False)
    here = scores["region"].isin(picked) & (scores["seed"] <= options.times)
    print(summary(scores[here]).to_string(index=False))


if __name__ == "__main__":
    main()
