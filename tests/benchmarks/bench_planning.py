"""Plans: ours, beside pyDOE3's own optimal search, and an exchange wired from its grids and hypercubes and numpy."""

from __future__ import annotations

from itertools import product

import numpy as np
import pandas as pd

from formlab import Brief, Region, lay_out
from formlab.demo import demo_brief
from tests.benchmarks.rows import Row, race

RUNS, STARTS = 24, 10


def rows() -> list[Row]:
    """D and I of 24 single trials for the full quadratic of the drafting block, judged on the same model."""
    brief = demo_brief("drafting_block")
    judge = Judge(brief)
    found = []
    for criterion, judged, better in (
        ("D", "D: |X'X|^(1/p) / n", "more"),
        ("I", "I: mean variance over the region", "less"),
    ):
        seconds, plan, other, rival = race(
            lambda c=criterion: lay_out(brief, runs=RUNS, batches=RUNS, criterion=c, seed=1).frame,
            lambda c=criterion: exchange(brief, judge, c, np.random.default_rng(1)),
            repeats=1,
        )
        value = {"D": judge.d, "I": judge.i}[criterion]
        stack = "pyDOE3 fullfact + lhs, row exchange in numpy"
        task = f"plan of {RUNS} trials, criterion {criterion}"
        found.append(Row(task, seconds, other, stack, judged, value(plan), value(rival), better))
    return [*found, *(same_candidates(brief, judge, *way) for way in product((3, 5), ("fedorov", "detmax")))]


def same_candidates(brief: Brief, judge: Judge, levels: int, method: str) -> Row:
    """D-optimal choice among the same candidates, some levels a factor cut to the region, for the same model."""
    from pyDOE3 import fullfact
    from pyDOE3.doe_optimal import optimal_design

    from formlab.plans.basis import Basis
    from formlab.plans.candidates import Candidates
    from formlab.plans.problem import Problem
    from formlab.plans.search import search
    from formlab.plans.structure import Structure
    from formlab.terms import ModelSpace

    coded = 2 * fullfact([levels] * len(judge.names)) / (levels - 1) - 1
    pool = brief.complete(
        pd.DataFrame(judge.low + (coded + 1) / 2 * (judge.high - judge.low), columns=judge.names)
    )
    inside = judge.region.contains(pool).to_numpy()
    coded, pool = coded[inside], pool[inside].reset_index(drop=True)
    basis = Basis(judge.region, ModelSpace(brief))
    points, p = basis.points(pool), len(basis.space)

    def chosen() -> np.ndarray:
        candidates = Candidates({"batch": np.arange(points.shape[1])}, {"batch": points}, basis)
        problem = Problem(
            basis, candidates, Structure(RUNS, {"batch": np.arange(RUNS)}), np.zeros((p, p)), None
        )
        return search(problem, np.random.SeedSequence(1), starts=10, polish=False, n_jobs=1).points

    seconds, plan, other, rival = race(
        chosen, lambda: optimal_design(coded, RUNS, 2, criterion="D", method=method)[0], repeats=3
    )
    theirs = pd.DataFrame(judge.low + (rival + 1) / 2 * (judge.high - judge.low), columns=judge.names)
    stack, judged = f"pyDOE3 optimal_design, {method}", "D: |X'X|^(1/p) / n"
    task = f"{RUNS} of the same {len(coded)} candidates, criterion D"
    return Row(task, seconds, other, stack, judged, judge.d(basis.frame(plan)), judge.d(theirs))


class Judge:
    """Both criteria of any plan, by the full quadratic in scaled factors."""

    def __init__(self, brief: Brief) -> None:
        from sklearn.preprocessing import PolynomialFeatures

        self.region = Region.from_brief(brief)
        self.names = [*brief.varied, *brief.setting_names]
        self.low, self.high = np.array([brief.ranges[n] for n in self.names]).T
        self.features = PolynomialFeatures(2)
        over = self.matrix(self.region.sample(20_000, seed=9))
        self.moments = over.T @ over / len(over)

    def matrix(self, frame: pd.DataFrame) -> np.ndarray:
        x = frame[self.names].to_numpy(float)
        return self.features.fit_transform(2 * (x - self.low) / (self.high - self.low) - 1)

    def d(self, frame: pd.DataFrame) -> float:
        x = self.matrix(frame)
        return float(np.exp(np.linalg.slogdet(x.T @ x)[1] / x.shape[1]) / len(x))

    def i(self, frame: pd.DataFrame) -> float:
        x = self.matrix(frame)
        return float(np.trace(np.linalg.solve(x.T @ x, self.moments)))


def exchange(brief: Brief, judge: Judge, criterion: str, rng: np.random.Generator) -> pd.DataFrame:
    """Return the best of several row exchanges over a grid of five levels and a hypercube, both cut to the region."""
    from pyDOE3 import fullfact, lhs

    k = len(judge.names)
    unit = np.vstack([fullfact([5] * k) / 4, lhs(k, samples=2000, seed=rng)])
    pool = brief.complete(pd.DataFrame(judge.low + unit * (judge.high - judge.low), columns=judge.names))
    pool = pool[judge.region.contains(pool).to_numpy()].reset_index(drop=True)
    x = judge.matrix(pool)
    tries = [_one_exchange(x, judge.moments, criterion, rng) for _ in range(STARTS)]
    return pool.iloc[min(tries, key=lambda item: item[0])[1]]


def _one_exchange(
    x: np.ndarray, moments: np.ndarray, criterion: str, rng: np.random.Generator
) -> tuple[float, list[int]]:
    rows = list(rng.choice(len(x), RUNS, replace=False))
    small = 1e-8 * np.eye(x.shape[1])
    for _ in range(40):
        changed = False
        for k in range(RUNS):
            rest = np.delete(x[rows], k, axis=0)
            inverse = np.linalg.inv(rest.T @ rest + small)
            spread = ((x @ inverse) * x).sum(axis=1)
            gain = spread
            if criterion == "I":
                gain = ((x @ (inverse @ moments @ inverse)) * x).sum(axis=1) / (1 + spread)
            best = int(gain.argmax())
            if gain[best] > gain[rows[k]] * (1 + 1e-9):
                rows[k], changed = best, True
        if not changed:
            break
    m = x[rows].T @ x[rows]
    loss = np.trace(np.linalg.solve(m, moments)) if criterion == "I" else -np.linalg.slogdet(m)[1]
    return float(loss), rows
