"""What next: the few trials that would teach most where the decision will fall.

Every joint draw is a plant that could be the real one. The cheapest formula that conforms in each of them
is where that plant would have us go (Thompson 1933); trials are chosen, one after another, for how much they
would narrow what is uncertain at those formulas, near the targets that decide. The effect of a trial on the
draws is linear in their covariance (as in ensemble Kalman filtering, Evensen 1994), so none is refitted.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil
from typing import Any

import numpy as np
import pandas as pd

from formlab.brief import Brief
from formlab.errors import SuggestError
from formlab.html import number
from formlab.plans.tidy import tidied
from formlab.progress import along, showing
from formlab.region import Region
from formlab.suggest.conformance import met
from formlab.suggest.making import money_of, plan_rows
from formlab.suggest.posterior import chance_to_make, check_all_fitted, few
from formlab.suggest.question import COSTS, Question, goal_of, matters, shortfall_of, small_change
from formlab.suggest.search import search

__all__ = ["chosen_trials", "next_trials", "worth_of_another_round"]

WORLDS = 400
POOL = 3000
SEARCHED = 16  # worlds in which the cheapest formula is searched for beyond the pool


def next_trials(
    brief: Brief,
    surfaces: Any,
    trials: pd.DataFrame,
    count: int = 4,
    *,
    slabs: int = 1,
    minimise: str | None = None,
    maximise: str | None = None,
    confidence: float = 0.90,
    seed: int | None = None,
    progress: bool | None = None,
) -> Any:
    """Return the next few trials, as a plan of batches in press loads.

    Parameters
    ----------
    brief : Brief
    surfaces : Surfaces
        Fitted to `trials`.
    trials : DataFrame
        What was made so far; new trial and batch names go on from it.
    count : int
        How many batches.
    slabs : int
        Slabs of each batch; they share its ingredients and differ in what changes with the load or the slab, if
        anything does.
    minimise, maximise, confidence, seed
        As in `suggest`: what the trials are to decide.
    progress : bool, optional
        Whether to show a progress bar; where left out, at a terminal or in a notebook once it has taken a second.

    Returns
    -------
    Plan
        Its notes say what another round is worth.

    Raises
    ------
    SuggestError
        If `count` or `slabs` is less than 1 or no response has a target.

    Notes
    -----
    Where trials could not be made, a formula counts by the chance that it can be.

    Examples
    --------
    >>> import formlab as fl
    >>> series = fl.open_series("demo_trials/ink_wedge")
    >>> surfaces = fl.fit(series.brief, series.trials(), kind="least squares", seed=1)
    >>> more = next_trials(series.brief, surfaces, series.trials(), count=2, seed=1)
    >>> more.frame[["trial", "batch"]].to_numpy().tolist()
    [['T37', 'B19'], ['T38', 'B20']]
    """
    from formlab.plans import Plan
    from formlab.terms import ModelSpace

    worlds, frame = chosen_trials(
        brief, surfaces, trials, count, slabs=slabs, minimise=minimise, maximise=maximise, confidence=confidence,
        seed=seed, progress=progress,
    )  # fmt: skip
    plan = Plan(brief, frame, ModelSpace(brief), kind="next", criterion="where the decision falls", seed=seed)
    plan.notes += _repeated(brief, frame)
    plan.notes.append(worlds.words(money_of(plan)))
    return plan


def _repeated(brief: Brief, frame: pd.DataFrame) -> list[str]:
    """A note on batches of one formula."""
    batches = frame.drop_duplicates("batch")
    factors = [*brief.varied, *(s.name for s in brief.settings if s.changes in ("day", "batch"))]
    alike = batches.groupby(factors)["batch"].agg(list) if factors else pd.Series(dtype=object)
    return [
        f"{', '.join(names)} are one formula in {len(names)} batches: what one batch reads of it is too uncertain."
        for names in alike
        if len(names) > 1
    ]


def chosen_trials(
    brief: Brief,
    surfaces: Any,
    trials: pd.DataFrame,
    count: int,
    *,
    slabs: int = 1,
    minimise: str | None = None,
    maximise: str | None = None,
    confidence: float = 0.90,
    seed: int | None = None,
    progress: bool | None = None,
) -> tuple[_Worlds, pd.DataFrame]:
    """Return what could be, and the rows of `next_trials` alone; what another round is worth takes longer to say."""
    if count < 1:
        raise SuggestError(f"count = {count!r}; ask for at least 1 trial.")
    if slabs < 1:
        raise SuggestError(f"slabs = {slabs!r}; ask for at least 1 slab of a batch.")
    if not any(part.has_target for part in brief.responses):
        raise SuggestError("No response has a target; give one at_least, at_most or near in the brief.")
    check_all_fitted(brief, surfaces)
    goal = goal_of(brief, minimise, maximise, None)
    with showing("choosing trials", 2, progress) as work:
        work.at(0, "where the decision falls")
        worlds = _Worlds(brief, surfaces, goal, confidence, seed)
        work.at(1, "what would tell most")
        chosen, loads = worlds.choose(count, slabs)
    return worlds, plan_rows(brief, chosen, slabs, trials, loads)


def worth_of_another_round(
    brief: Brief, surfaces: Any, *, confidence: float = 0.90, seed: int | None = None
) -> str:
    """Return in words what knowing everything would be worth: the most that further trials can bring."""
    return _Worlds(brief, surfaces, goal_of(brief, None, None, None), confidence, seed).words()


@dataclass
class _Optima:
    rows: np.ndarray  # pool row of each world's best formula
    value: np.ndarray
    exists: np.ndarray


class _Worlds:
    """Draws over a pool of formulas, and where each of them has its best."""

    def __init__(
        self, brief: Brief, surfaces: Any, goal: tuple[str, str], confidence: float, seed: int | None
    ) -> None:
        self.brief, self.surfaces, self.goal, self.confidence = brief, surfaces, goal, confidence
        self.region = Region.from_brief(brief).check()
        seeds = [int(v) for v in np.random.SeedSequence(seed).generate_state(4)]
        self.rng = np.random.default_rng(seeds[0])
        self.draws = few(surfaces, WORLDS, seeds[1])
        self.question = Question(brief, surfaces, self.draws, goal, confidence, "true_mean", seed=seeds[2])
        found = search(self.region, self.question, seed=seeds[2], pool=1500, rounds=30)
        self.best = found.formulas.head(1)
        self.best_value = float(found.value[0]) if found.shortfall[0] <= 0 else float("nan")
        self.pool = self._pool(found.formulas)
        self.means = self.draws.typical(self.pool)
        self.chance = chance_to_make(self.draws, self.pool)
        self.values = self._values(self.pool)
        self.optima = self._optima()

    def _pool(self, near: pd.DataFrame) -> pd.DataFrame:
        """Uniform formulas, and as many between them and the best ones so far."""
        wide = self.region.sample(POOL // 2, self.rng)
        names = [n for n in self.region.polytope.names if n not in self.region.levels]
        anchors = near.iloc[self.rng.integers(min(len(near), 8), size=POOL // 2)].reset_index(drop=True)
        weight = self.rng.random((len(wide), 1)) ** 2 * 0.6
        close = anchors.copy()
        close[names] = (1 - weight) * anchors[names].to_numpy(float) + weight * wide[names].to_numpy(float)
        close = close[self.region.contains(close)]  # a limit with a level in it may cut the line between two
        return pd.concat([near.head(1), close, wide], ignore_index=True)

    def _values(self, frame: pd.DataFrame) -> np.ndarray:
        """What is to be small, one row a world."""
        kind, name = self.goal
        if kind == "minimise":
            return np.repeat(
                self.brief.costs(frame)[COSTS[name]].to_numpy()[None, :], len(self.draws), axis=0
            )
        if name in self.brief.response_names:
            return -self.means[:, :, self.brief.response_names.index(name)]
        return shortfall_of(self.brief, self.means)

    def _optima(self) -> _Optima:
        ok = met(self.brief, self.means)
        if self.chance is not None:
            ok &= self.chance > 0.5  # what cannot be made is nobody's best
        exists = np.asarray(ok.any(axis=1))
        value = np.where(ok, self.values, np.inf)
        rows = np.where(exists, value.argmin(axis=1), shortfall_of(self.brief, self.means).argmin(axis=1))
        return _Optima(rows, value.min(axis=1), exists)

    # ---- choice -----------------------------------------------------------------------------------

    def choose(self, count: int, slabs: int = 1) -> tuple[pd.DataFrame, list[int]]:
        """Greedy choice of formulas from the pool, each after the effect of those before it, `slabs` rows a batch.

        What is told is weighed against the hours it takes: a slab may go into a load that has room, with its settings,
        or into one of its own. The second part is the number of each slab's load.
        """
        targets = self.optima.rows[:200]
        self.weight = self._weights(targets)
        random = self.rng.choice(len(self.pool), 400, replace=False)
        candidates = np.unique(np.concatenate([[0], targets, random]))
        wide = self.pool.iloc[candidates].reset_index(drop=True)
        self.goals = self._deviations(self.means[:, targets, :])
        self.seen: list[tuple[np.ndarray, np.ndarray, np.ndarray]] = []
        press = _Press(self.brief, count * slabs)
        mill = self.brief.plant.mill_h or 1.0
        free = [s.name for s in self.brief.settings if s.changes in ("load", "slab")]
        rows = []
        for _ in along(range(count), "batch"):
            batch = self._most_for_its_hours(wide, press, mill, self.brief.columns)
            rows.append(batch)
            for _ in range(slabs - 1):
                rows.append(self._most_for_its_hours(self._slabs_of(batch, free), press, 0.0, free))
        return pd.concat(rows, ignore_index=True), press.numbers

    def _slabs_of(self, batch: pd.DataFrame, free: list[str]) -> pd.DataFrame:
        """A batch as it was, and with other settings of the load and the slab."""
        if not free:
            return batch
        pick = self.rng.choice(len(self.pool), 60, replace=False)
        some = pd.concat([batch] * 61, ignore_index=True)
        some[free] = pd.concat([batch[free], self.pool[free].iloc[pick]], ignore_index=True)
        return some[self.region.contains(some)].reset_index(drop=True)

    def _most_for_its_hours(
        self, some: pd.DataFrame, press: _Press, hours: float, free: list[str]
    ) -> pd.DataFrame:
        """The slab that tells most an hour, put into its load and learnt from; `hours` are those of its batch."""
        most, picked = -1.0, None
        for load, values, extra in press.offers():
            frame = some
            if values is not None and press.names:
                frame = some.assign(**dict(zip(press.names, values)))
                frame = frame[self.region.contains(frame)].reset_index(drop=True)
            if len(frame):
                gain, ensemble, noise = self._looked_at(frame)
                best = int(gain.argmax())
                if gain[best] / (hours + extra) > most:
                    most = gain[best] / (hours + extra)
                    picked = load, frame.iloc[[best]], ensemble[:, best, :], noise[best]
        assert picked is not None  # a load of its own takes any slab
        load, slab, before, error = picked
        chosen = tidied(self.region, slab, free)
        if press.names and load < len(press.held):  # what is pressed together is alike to the digit
            chosen[press.names] = [press.values[load]]
        press.fill(load, tuple(chosen[press.names].iloc[0]))
        self._learn(before, error)
        return chosen

    def _looked_at(self, frame: pd.DataFrame) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """What each formula would tell after all that was learnt, its draws, and the variance of its measurement."""
        means = self.draws.typical(frame)
        ensemble, noise = self._deviations(means), self._noise(means, frame)
        for step in self.seen:
            ensemble = _updated(ensemble, *step)
        gain, chance = self._gain(ensemble, noise), chance_to_make(self.draws, frame)
        return gain if chance is None else gain * chance.mean(axis=0), ensemble, noise

    def _gain(self, ensemble: np.ndarray, noise: np.ndarray) -> np.ndarray:
        """How much less uncertain the goals would be after each trial, weighted, shape (n,)."""
        var = (ensemble**2).mean(axis=0) + noise
        gain = np.zeros(ensemble.shape[1])
        for k in range(ensemble.shape[2]):
            cov = ensemble[:, :, k].T @ self.goals[:, :, k] / len(ensemble)
            gain += (cov**2 / var[:, [k]]) @ self.weight[:, k]
        return gain

    def _learn(self, before: np.ndarray, noise: np.ndarray) -> None:
        """Let one trial count, for the goals and for all that are looked at after it."""
        read = before + self.rng.normal(size=before.shape) * np.sqrt(noise)
        step = before, read, (before**2).mean(axis=0) + noise
        self.seen.append(step)
        self.goals = _updated(self.goals, *step)

    def _deviations(self, means: np.ndarray) -> np.ndarray:
        return means - means.mean(axis=0)

    def _weights(self, targets: np.ndarray) -> np.ndarray:
        """How much each response matters at each goal: near a target and uncertain counts, far from it does not."""
        mean, sd = self.means[:, targets, :].mean(axis=0), self.means[:, targets, :].std(axis=0) + 1e-12
        out = np.zeros_like(mean)
        for k, part in enumerate(self.brief.responses):
            for edge in part.target:
                if np.isfinite(edge):
                    z = (mean[:, k] - edge) / sd[:, k]
                    out[:, k] += np.exp(-0.5 * z**2) / sd[:, k] ** 2
        return out

    def _noise(self, means: np.ndarray, frame: pd.DataFrame) -> np.ndarray:
        """Variance of a new batch as measured about its true mean, shape (candidates, responses)."""
        return np.asarray((self.draws.accepted(frame) - means).var(axis=0)) + 1e-12

    # ---- words ------------------------------------------------------------------------------------

    def words(self, cost: float = float("nan")) -> str:
        """What another round is worth at most, and whether it is worth its cost, where that is known."""
        kind, name = self.goal
        if kind == "minimise" and np.isfinite(self.best_value):
            words, worth = self._saving(cost)
        elif name in self.brief.response_names:
            words, worth = self._more(name)
        else:
            words, worth = self._surer()
        return words if worth else f"{words} Another round is hardly worth its mill time."

    def _saving(self, cost: float) -> tuple[str, bool]:
        name = self.goal[1]
        cheapest = self.optima.value - self._too_dear()
        known = float(np.where(self.optima.exists, cheapest, self.best_value).mean())
        gain = max(self.best_value - known, 0.0)
        times, unit = small_change(self.brief, name)
        words = (
            f"Knowing everything would save {100 * gain / self.best_value:.1f} % ({times * gain:.3g} {unit}) on average against the "
            f"formula that is sure enough now; further trials cannot bring more than that."
        )
        piece = self.brief.piece
        if name != "cost_per_piece" or piece is None or not piece.per_year:
            return words, gain / self.best_value >= 0.01
        year = gain * piece.per_year
        words += f" It is {number(year, 3)} {self.brief.currency} a year"
        if not np.isfinite(cost):
            return f"{words}.", gain / self.best_value >= 0.01
        return f"{words}, and this round costs {number(cost, 3)} {self.brief.currency}.", year > cost

    def _too_dear(self) -> float:
        """By how much the cheapest formula of the pool costs more, on average, than the cheapest that a search finds.

        Known from a few worlds, each searched from its best formula of the pool.
        """
        some = np.flatnonzero(self.optima.exists)
        some = np.random.default_rng(0).choice(some, min(SEARCHED, len(some)), replace=False)
        extra = []
        for k in some:
            alone = Question(
                self.brief, self.surfaces, self.draws.subset(np.array([k])), self.goal, 0.5, "true_mean"
            )
            start = self.pool.iloc[[self.optima.rows[k]]]
            found = search(self.region, alone, seed=int(k), pool=60, rounds=15, starts=start, most_slices=1)
            extra.append(self.optima.value[k] - found.value[0] if found.shortfall[0] <= 0 else 0.0)
        return float(np.mean(extra)) if extra else 0.0

    def _more(self, name: str) -> tuple[str, bool]:
        """How much higher a response could be on average if all were known."""
        exists = self.optima.exists
        if not exists.any():
            return self._surer()
        gain = float((self.values[exists, 0] - self.optima.value[exists]).mean())
        part = self.brief.by_name[name]
        words = f"Knowing everything would bring about {f'{max(gain, 0.0):.3g} {part.unit}'.strip()} more of {name} on average."  # type: ignore[union-attr]
        return words, gain >= matters(part)

    def _surer(self) -> tuple[str, bool]:
        """How likely it is that trials find a formula that is sure enough."""
        share, now = float(self.optima.exists.mean()), float(self.question.probability(self.best)[0])
        words = (
            f"The best formula so far is {now:.2f} sure to meet all targets, on the draws it was chosen by and so a little too "
            f"good (suggest counts on others); in {100 * share:.0f} % of what the data still allow there is a formula that does."
        )
        if now >= self.confidence:
            return words, share - now >= 0.02
        return f"{words} As likely is it that more trials find one.", share >= 0.1


def _updated(values: np.ndarray, before: np.ndarray, seen: np.ndarray, var: np.ndarray) -> np.ndarray:
    """Deviations of the draws after one more trial, whatever it reads.

    `values` of shape (draws, n, responses); `before` and `seen` of shape (draws, responses) are the draws at the
    trial without and with its error, `var` the variance of the latter.
    """
    cov = np.einsum("dnk,dk->nk", values, before) / len(before)
    return values - cov / var * seen[:, None, :]


class _Press:
    """Loads of the next trials: what each is pressed at, and how many slabs it holds.

    As many loads as the slabs fill cost nothing more, each further one its hours.
    """

    def __init__(self, brief: Brief, slabs: int) -> None:
        plant = brief.plant
        self.names = [s.name for s in brief.settings if s.changes in ("day", "load")]
        self.most = plant.slabs_per_load or 1
        self.least = ceil(slabs / self.most)
        self.hours = plant.press_h or 0.5
        self.values: list[tuple[object, ...]] = []
        self.held: list[int] = []
        self.numbers: list[int] = []

    def offers(self) -> list[tuple[int, tuple[object, ...] | None, float]]:
        """Loads that a slab may go into, a new one last: number, its settings, and hours."""
        share = self.hours / self.most
        room = [k for k, held in enumerate(self.held) if held < self.most]
        new = 0.0 if len(self.held) < self.least else self.hours
        if not self.names and room:  # loads are all alike
            return [(room[0], self.values[room[0]], share)]
        return [*((k, self.values[k], share) for k in room), (len(self.held), None, share + new)]

    def fill(self, load: int, values: tuple[object, ...]) -> None:
        """Put a slab into a load."""
        if load == len(self.held):
            self.values.append(values)
            self.held.append(0)
        self.held[load] += 1
        self.numbers.append(load)
