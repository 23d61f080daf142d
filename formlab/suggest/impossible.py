"""Targets that cannot all be met: the smallest set of them that fights, and by how much each would have to give."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd

from formlab.brief import Brief, Response
from formlab.errors import SuggestError
from formlab.region import Region
from formlab.suggest.conformance import KINDS, met
from formlab.suggest.posterior import Posterior, chance_to_make, few
from formlab.suggest.question import matters
from formlab.suggest.search import search

__all__ = ["Conflict", "find_conflict"]

NO_TARGET = (-np.inf, np.inf)
MOST_SETS = 30  # of one size that are searched, those that look worst
MOST_STEPS = 64.0  # of what matters: a target that must give more is no longer one
FRESH_DRAWS = 4000
WAYS = {"true_mean": "typical", "new_batch": "new_batch", "accepted": "accepted"}  # of draws to say it
COUNTS = {2: "both", 3: "all three", 4: "all four", 5: "all five", 6: "all six"}

Targets = dict[str, tuple[float, float]]


@dataclass(frozen=True)
class Conflict:
    """The targets that stand in the way.

    Attributes
    ----------
    fighting : tuple of str
        The smallest set of targets that cannot be met together with `confidence`, of those of its size the worst; or
        all those that cannot be met even by themselves. Empty where all can be met.
    sets : DataFrame
        targets (their names), best: the highest probability over the region that they are met together; of every set
        that looked as if it might fight, by size, the worst first.
    give : DataFrame
        Of each target that fights: response, target, alone (the highest probability that was seen of it, whatever becomes of
        the others), give, equally, unit. `give` is by how much that target alone must be relaxed for `confidence` of
        all, `equally` by how much if all that fight give the same number of what matters; infinite where no relaxation
        of it is enough. Of targets out of reach by themselves `give` is what each takes before all else, and there is
        no `equally`.
    confidence : float
    together : float
        The highest probability that all are met; empty `give` where that is enough.
    failures : bool
        Whether trials failed, so that the chance that a formula can be made at all counts in every probability.
    """

    fighting: tuple[str, ...]
    sets: pd.DataFrame
    give: pd.DataFrame
    confidence: float
    together: float
    failures: bool = False

    @property
    def words(self) -> str:
        if not len(self.give):
            return f"All targets are met with probability {self.together:.2f} at best: none has to give."
        if "equally" not in self.give:
            chances = [f"{v.response} with probability {v.alone:.2f}" for v in self.give.itertuples()]
            head, by = f"Out of reach even alone: {', '.join(chances)} at best.", self._by("give")
            takes = f" To be met with {self.confidence:.2f} at all, relax {_listed(by)}." if by else ""
            return (
                head
                + takes
                + "".join(
                    f" {name} is farther away than {MOST_STEPS:g} times what matters."
                    for name in self.give["response"][np.isinf(self.give["give"])]
                )
                + self._makeable
            )
        best = self.sets["best"][self.sets["targets"] == self.fighting].iloc[0]
        count = COUNTS.get(len(self.fighting), f"all {len(self.fighting)}")
        head = f"{_listed(self.fighting)} are hardest to meet together: {count} with probability {best:.2f} at best"
        if len(self.fighting) > 2:
            head += f", any {'two' if len(self.fighting) == 3 else 'fewer'} of them with {self.confidence:.2f} or more"
        return f"{head}. {self._ways}{self._makeable}"

    @property
    def _makeable(self) -> str:
        return (
            " In all of these counts the chance that the formula can be made at all." if self.failures else ""
        )

    @property
    def _ways(self) -> str:
        alone, others = self._by("give"), self.give["response"][np.isinf(self.give["give"])]
        said = f"To reach {self.confidence:.2f} for all targets, relax {' or '.join(alone)}" if alone else ""
        if len(others):
            most = f"{_listed(others)} by {'itself' if len(others) == 1 else 'themselves'}"
            said = (
                f"{said}; no relaxing of {most} is enough"
                if alone
                else f"No relaxing of one of {_listed(others)} is enough"
            )
        if np.isfinite(self.give["equally"]).all():
            return f"{said}. Or all of them at once: {_listed(self._by('equally'))}."
        return f"{said}, nor of all together: other targets fight as well."

    def _by(self, column: str) -> list[str]:
        """Each target that can give enough, and by how much."""
        lines = self.give[["response", "target", column, "unit"]].itertuples(index=False)
        return [
            f"{n} ({target}) by {size:.3g} {unit}".rstrip()
            for n, target, size, unit in lines
            if np.isfinite(size)
        ]


def _listed(words: Iterable[str]) -> str:
    *most, last = words
    return f"{', '.join(most)} and {last}" if most else last


def find_conflict(
    brief: Brief,
    surfaces: Posterior,
    *,
    confidence: float = 0.90,
    of: str = "true_mean",
    draws: int = 500,
    seed: int | None = None,
) -> Conflict:
    """Return the smallest set of targets that cannot be met together, or not even alone, and by how much each must give.

    Parameters
    ----------
    brief : Brief
    surfaces : Surfaces
    confidence : float
        Required probability that all targets are met together.
    of : {"true_mean", "new_batch", "accepted"}
    draws : int
        Of the search; what it finds is judged on 4,000 others.
    seed : int, optional

    Raises
    ------
    SuggestError
        If no response has a target.

    Notes
    -----
    Single targets are tried first, then pairs, triples, and so on; of each size the 30 sets that look worst, so that
    among very many targets a smaller set may be overlooked. Sizes are found to a tenth of what matters.
    """
    if of not in KINDS:
        raise SuggestError(f"of = {of!r}; use one of {list(KINDS)}.")
    parts = [part for part in brief.responses if part.has_target]
    if not parts:
        raise SuggestError("No response has a target; give one at_least, at_most or near in the brief.")
    reach = _Reach(brief, surfaces, of, draws, confidence, seed)

    def without(kept: Iterable[str]) -> Targets:
        return {p.name: NO_TARGET for p in parts if p.name not in kept}

    together, names = reach.best({}), [p.name for p in parts]
    if together >= confidence:
        return Conflict((), pd.DataFrame(columns=["targets", "best"]), pd.DataFrame(), confidence, together)
    looked: dict[tuple[str, ...], float] = {}
    fighting: list[tuple[str, ...]] = []
    for size in range(1, len(names) + 1):
        guessed = {some: reach.seen(without(some)) for some in combinations(names, size)}
        unsure = sorted((some for some in guessed if guessed[some] < confidence), key=guessed.__getitem__)
        found = {
            some: together if size == len(names) else reach.best(without(some)) for some in unsure[:MOST_SETS]
        }
        looked |= dict(sorted(found.items(), key=lambda item: item[1]))
        fighting = [some for some, best in looked.items() if best < confidence]
        if fighting:
            break
    sets = pd.DataFrame({"targets": list(looked), "best": list(looked.values())})
    alone = len(fighting[0]) == 1
    chosen = [p for p in parts if any(p.name in some for some in (fighting if alone else fighting[:1]))]

    def chance(part: Response) -> float:
        return max(looked.get((part.name,), 0.0), reach.seen(without([part.name])))

    give = pd.DataFrame(
        [
            {
                "response": p.name, "target": p.target_text, "alone": chance(p), "unit": p.unit,
                "give": reach.least([p], without([p.name]) if alone else {}) * matters(p),
            }
            for p in chosen
        ]
    )  # fmt: skip
    if not alone:
        give["equally"] = reach.least(chosen, {}) * np.array([matters(p) for p in chosen])
    return Conflict(tuple(p.name for p in chosen), sets, give, confidence, together, reach.made is not None)


class _Reach:
    """How surely targets can be met somewhere in the region; what was seen is kept, and spares many a search."""

    def __init__(
        self, brief: Brief, surfaces: Posterior, of: str, draws: int, confidence: float, seed: int | None
    ) -> None:
        self.brief, self.confidence = brief, confidence
        self.region = Region.from_brief(brief).check()
        seeds = [int(v) for v in np.random.SeedSequence(seed).generate_state(4)]
        drawn, self.seed = few(surfaces, draws, seeds[0]), seeds[1]
        self.fresh, self.of = surfaces.draw(FRESH_DRAWS, seed=seeds[3]), of
        self.judged: dict[int, tuple[np.ndarray, np.ndarray | None]] = {}
        self.values: Callable[[pd.DataFrame], np.ndarray] = getattr(drawn, WAYS[of])
        self.chance: Callable[[pd.DataFrame], np.ndarray | None] = lambda frame: chance_to_make(drawn, frame)
        self.formulas = self.region.sample(1000, seeds[2])
        self.known, self.made = self.values(self.formulas), self.chance(self.formulas)

    def seen(self, targets: Targets) -> float:
        """The highest probability at the formulas known so far, on draws that it was not chosen by."""
        best = int(self._at_known(targets).argmax())
        if best not in self.judged:
            formula = self.formulas.iloc[[best]]
            self.judged[best] = (
                getattr(self.fresh, WAYS[self.of])(formula),
                chance_to_make(self.fresh, formula),
            )
        return float(self._share(*self.judged[best], targets)[0])

    def _at_known(self, targets: Targets) -> np.ndarray:
        return self._share(self.known, self.made, targets)

    def _share(self, values: np.ndarray, made: np.ndarray | None, targets: Targets) -> np.ndarray:
        """How surely targets are met by formulas that may turn out not to be made, shape (n,)."""
        ok = met(self.brief, values, targets)
        return np.asarray((ok if made is None else ok * made).mean(axis=0))

    def best(self, targets: Targets) -> float:
        """The highest probability over the region, `targets` in place of the brief's."""

        def score(frame: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
            return np.zeros(len(frame)), -self._share(self.values(frame), self.chance(frame), targets)

        starts = self.formulas.iloc[np.argsort(-self._at_known(targets), kind="stable")[:8]]
        found = search(self.region, score, seed=self.seed, pool=500, rounds=15, starts=starts, most_slices=2)
        best = found.formulas.head(16)
        self.formulas = pd.concat([self.formulas, best], ignore_index=True)
        self.known = np.concatenate([self.known, self.values(best)], axis=1)
        if self.made is not None:
            self.made = np.concatenate([self.made, self.chance(best)], axis=1)  # type: ignore[list-item]
        return self.seen(targets)

    def least(self, parts: list[Response], others: Targets) -> float:
        """By how many steps of what matters targets must be relaxed for the confidence; infinite if by none.

        It is found to a tenth of a step: what known formulas need is the most, and searches for less lower it.
        """

        def eased(steps: float) -> Targets:
            sizes = {p.name: steps * matters(p) for p in parts}
            return others | {
                p.name: (p.target[0] - sizes[p.name], p.target[1] + sizes[p.name]) for p in parts
            }

        def enough(low: float, high: float) -> float:
            """The least that known formulas need, between a number that is too few and one that is enough."""
            while high - low > 0.01:
                middle = (low + high) / 2
                low, high = (low, middle) if self.seen(eased(middle)) >= self.confidence else (middle, high)
            return high

        if self.seen(eased(MOST_STEPS)) < self.confidence and self.best(eased(MOST_STEPS)) < self.confidence:
            return float("inf")
        bottom, top = 0.0, enough(0.0, MOST_STEPS)
        while top - bottom > 0.1:
            less = max((bottom + top) / 2, 0.9 * top)  # where much was searched there is little to be gained
            if self.best(eased(less)) >= self.confidence:
                top = enough(bottom, less)
            else:
                bottom = less
        return top
