"""The suggestion: a formula with settings, what it will do, what it costs, and how surely."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from formlab import recipe
from formlab.brief import Brief
from formlab.errors import SuggestError
from formlab.html import Markup, escape, fold, number, panel, table
from formlab.region import Region
from formlab.suggest.conformance import KINDS, Conformance, conformance, met
from formlab.suggest.search import Found, search

__all__ = ["Question", "Suggestion", "desirability", "matters", "search_until", "suggest"]

COSTS = {"cost_per_kg": "per_kg", "cost_per_litre": "per_litre", "cost_per_piece": "per_piece"}
SEARCH_DRAWS = 1000
FINAL_DRAWS = 20_000


@dataclass(frozen=True)
class Suggestion:
    """What to make next.

    Attributes
    ----------
    brief : Brief
    formula : Series
        Every ingredient, in the brief's basis.
    settings : Series
    predicted : DataFrame
        By response: unit, mean, low, high (95 % of the true mean), batch_low, batch_high (95 % of one new
        batch), target, chance (that the true mean meets this target alone).
    conformance : Conformance
        true_mean, new_batch and accepted, from draws the search has not seen.
    claimed : float
        The same figure as `of` on the draws that the search used: too good by having been chosen.
    of : str
        Which of the three figures was asked for.
    confidence : float or None
        What was asked.
    reached : bool
        Whether the confidence asked for is reached; if not, this is the most probable formula.
    cost : Series or None
        per_kg, per_litre, per_piece in the brief's currency.
    binding : DataFrame
        Targets, limits and ranges that hold the formula where it is, and the price of each.
    alternatives : DataFrame
        A few clearly different formulas and what each gives up.
    current : DataFrame or None
        Today's formula beside the suggested one.
    notes : list of str
        What must be known before acting, the gravest first.
    """

    brief: Brief
    goal: str
    formula: pd.Series
    settings: pd.Series
    predicted: pd.DataFrame
    conformance: Conformance
    claimed: float
    of: str
    confidence: float | None
    reached: bool
    cost: pd.Series | None
    binding: pd.DataFrame
    alternatives: pd.DataFrame
    current: pd.DataFrame | None
    desirability: float
    notes: list[str] = field(default_factory=list)

    @property
    def frame(self) -> pd.DataFrame:
        """Formula and settings as one row."""
        line = {**self.formula.to_dict(), **self.settings.to_dict()}
        return pd.DataFrame([line])[self.brief.columns]

    def recipe(self, batch_kg: float | None = None, **kwargs: Any) -> pd.DataFrame:
        """Return the weigh-up of one batch (see `formlab.recipe.weigh_up`).

        Parameters
        ----------
        batch_kg : float, optional
            Batch mass; the plant's own where left out.

        Raises
        ------
        SuggestError
            If neither the call nor the brief gives a batch mass.
        """
        mass = batch_kg if batch_kg is not None else self.brief.plant.batch_kg
        if mass is None:
            raise SuggestError("No batch mass: pass batch_kg, or give the brief [plant] batch_kg in kg.")
        weighed = self.brief.materials(self.frame).iloc[0]  # masterbatches as they stand on the shelf
        return recipe.weigh_up(weighed[weighed > 0].rename("suggestion"), batch_kg=mass, **kwargs)

    def promise(self) -> dict[str, Any]:
        """Return what is claimed of the formula, as plain values: factors and the three conformance figures."""
        line = {k: v.item() if hasattr(v, "item") else v for k, v in self.frame.iloc[0].to_dict().items()}
        return {
            "brief_id": self.brief.brief_id,
            **line,
            **{kind: getattr(self.conformance, kind) for kind in KINDS},
        }

    # ---- eyes -----------------------------------------------------------------------------------

    @property
    def verdict(self) -> str:
        """What was found, how surely, and at what cost, in one sentence."""
        p, asked = getattr(self.conformance, self.of), self.confidence
        said = f"{KINDS[self.of]} with probability {p:.2f}"
        if asked is None:
            head = f"{self.goal}: {said}"
        elif self.reached:
            head = f"{self.goal}: {said} (asked: {asked:.2f})"
        else:
            head = f"The asked {asked:.2f} is not reached; this is the most probable formula: {said}"
        if self.cost is not None:
            costs = ", ".join(
                f"{number(v, 4)} {self.brief.currency} {k.replace('_', ' ')}" for k, v in self.cost.items()
            )
            head += f"; {costs}"
        return head + "."

    def __str__(self) -> str:
        lines = [self.verdict, "", "Formula"]
        unit = self.brief.amount_unit
        lines += [f"  {n:<20s} {v:9.2f} {unit}" for n, v in self.formula.items()]
        for name, value in self.settings.items():
            shown = f"{value:9.2f}" if isinstance(value, (int, float)) else f"{value:>9s}"
            lines.append(f"  {name:<20s} {shown} {self.brief.unit(str(name))}")
        for title, frame in self._parts():
            lines += ["", title, frame.to_string(index=False, float_format=lambda v: number(v, 4))]
        if self.notes:
            lines += ["", "Read before acting", *[f"  - {note}" for note in self.notes]]
        return "\n".join(lines)

    def __repr__(self) -> str:
        return f"Suggestion({self.verdict})"

    def _parts(self) -> list[tuple[str, pd.DataFrame]]:
        parts = [
            ("Predicted", self.predicted.reset_index()),
            ("Conformance", self.conformance.table().drop(columns="meaning")),
        ]
        if self.current is not None:
            parts.append(("Against today", self.current.reset_index()))
        if len(self.binding):
            parts.append(("What holds it there", self.binding))
        if len(self.alternatives):
            parts.append(("Clearly different, nearly as good", self.alternatives))
        return parts

    def _repr_html_(self) -> str:
        unit = self.brief.amount_unit
        lines = [[self.brief.title_of(n), v, unit] for n, v in self.formula.items()]
        lines += [[self.brief.title_of(str(n)), v, self.brief.unit(str(n))] for n, v in self.settings.items()]
        formula = pd.DataFrame(lines, columns=["", "amount", "unit"])
        folded = [fold(title, table(frame, rows=20)) for title, frame in self._parts()[2:]]
        parts = [
            table(formula, rows=40),
            table(self._parts()[0][1], rows=20),
            table(self.conformance.table()),
            *folded,
        ]
        if self.notes:
            parts.append(Markup(f"<p>Read before acting</p>{_listed(self.notes[:4])}"))
        if len(self.notes) > 4:
            parts.append(fold(f"{len(self.notes) - 4} more remarks", _listed(self.notes[4:])))
        return panel("Suggestion", self.verdict, *parts)

    def to_dict(self) -> dict[str, Any]:
        """Return everything as plain numbers and words, for JSON."""
        out: dict[str, Any] = {
            "goal": self.goal,
            "verdict": self.verdict,
            "reached": self.reached,
            "confidence": self.confidence,
            "of": self.of,
            "claimed_by_search": self.claimed,
            "formula": self.formula.to_dict(),
            "settings": self.settings.to_dict(),
            "conformance": {kind: getattr(self.conformance, kind) for kind in KINDS},
            "predicted": self.predicted.to_dict("index"),
            "cost": None if self.cost is None else self.cost.to_dict(),
            "desirability": self.desirability,
            "binding": self.binding.to_dict("records"),
            "alternatives": self.alternatives.to_dict("records"),
            "current": None if self.current is None else self.current.to_dict("index"),
            "notes": self.notes,
        }
        return out


def _listed(notes: list[str]) -> Markup:
    return Markup("<ul>" + "".join(f"<li>{escape(note)}</li>" for note in notes) + "</ul>")


def desirability(brief: Brief, means: np.ndarray) -> np.ndarray:
    """Return the overall desirability of means, the weighted geometric mean over responses with a target.

    Derringer & Suich (1980, J. Quality Technology 12:214); weights are the brief's importances.

    Parameters
    ----------
    brief : Brief
    means : ndarray of shape (..., n_responses)
    """
    aimed = [(k, part) for k, part in enumerate(brief.responses) if part.has_target]
    if not aimed:
        raise SuggestError("No response has a target; give one at_least, at_most or near in the brief.")
    weight = sum(part.importance for _, part in aimed)
    logs = np.zeros(means.shape[:-1])
    for k, part in aimed:
        with np.errstate(divide="ignore"):
            logs = logs + part.importance / weight * np.log(part.desirability(means[..., k]))
    return np.exp(logs)


def _shortfall(brief: Brief, means: np.ndarray) -> np.ndarray:
    """How far means are from their targets, summed in units of what matters."""
    total = np.zeros(means.shape[:-1])
    for k, part in enumerate(brief.responses):
        low, high = part.target
        size = matters(part)
        if np.isfinite(low):
            total += np.maximum(low - means[..., k], 0) / size
        if np.isfinite(high):
            total += np.maximum(means[..., k] - high, 0) / size
    return total


def matters(part: Any) -> float:
    """Return the smallest difference worth seeing, or a guess at it from the target itself."""
    if part.matters is not None:
        return float(part.matters)
    low, high = part.target
    if np.isfinite(low) and np.isfinite(high):
        return (high - low) / 10
    edge = low if np.isfinite(low) else high
    return max(abs(edge), 1.0) * 0.05 if np.isfinite(edge) else 1.0


class CostRatio:
    """Costs as ratios of sums over the amounts, for the many formulas of a search."""

    def __init__(self, brief: Brief, prices: Mapping[str, float] | None) -> None:
        self.brief, self.prices = brief, prices
        self.plain = not brief.contents and all(p.price is not None for p in brief.ingredients)
        self.names = brief.ingredient_names
        self.money = brief.numbers("price", prices).to_numpy()
        self.volume = 1.0 / brief.numbers("density").to_numpy()
        piece = brief.piece
        self.litres = piece.volume_cm3 / 1000 * (1 + piece.loss_fraction) if piece else float("nan")

    def __call__(self, frame: pd.DataFrame, of: str) -> np.ndarray:
        """Return one of per_kg, per_litre, per_piece; shape (n_formulas,)."""
        if not self.plain:  # materials that bring others along are weighed first
            return self.brief.costs(frame, self.prices)[of].to_numpy()
        amounts = frame[self.names].to_numpy(float)
        if of == "per_kg":
            return amounts @ self.money / amounts.sum(axis=1)
        return amounts @ self.money / (amounts @ self.volume) * (1.0 if of == "per_litre" else self.litres)


class Question:
    """A goal as a score for the search, on one fixed set of draws."""

    def __init__(
        self,
        brief: Brief,
        surfaces: Any,
        draws: Any,
        goal: tuple[str, str],
        confidence: float | None,
        of: str,
        score: Callable[[pd.DataFrame], Any] | None = None,
        prices: Mapping[str, float] | None = None,
        seed: int = 0,
    ) -> None:
        self.brief, self.surfaces, self.draws, self.goal = brief, surfaces, draws, goal
        self.confidence, self.of, self.user_score, self.prices, self.seed = (
            confidence,
            of,
            score,
            prices,
            seed,
        )
        self.relaxed: dict[str, tuple[float, float]] = {}
        self._met: Any = None
        self._met_key: tuple[Any, ...] | None = None
        self._cost = CostRatio(brief, prices) if brief.has_costs else None

    @property
    def targets(self) -> dict[str, tuple[float, float]]:
        """The brief's targets, relaxed ones in their place."""
        return {part.name: part.target for part in self.brief.responses} | self.relaxed

    def probability(self, frame: pd.DataFrame) -> np.ndarray:
        """Return how surely all targets are met together, shape (n_formulas,)."""
        if not hasattr(self.draws, "meeting"):  # draws of another kind than our own
            return met(self.brief, self._values(frame), self.relaxed).mean(axis=0)
        key = tuple(sorted(self.relaxed.items()))
        if key != self._met_key:
            kind = "mean" if self.of == "true_mean" else self.of
            self._met, self._met_key = self.draws.meeting(self.targets, kind, self.seed), key
        return np.asarray(self._met.probability(self.surfaces.columns(frame)))

    def _values(self, frame: pd.DataFrame) -> np.ndarray:
        if self.of == "true_mean":
            return self.draws.mean(frame)
        values = self.draws.new_batch if self.of == "new_batch" else self.draws.accepted
        return values(frame, seed=self.seed)

    def means(self, frame: pd.DataFrame) -> np.ndarray:
        return np.column_stack([self.surfaces[n].predict(frame, outside="ignore") for n in self.brief.response_names])

    def __call__(self, frame: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
        shortfall = np.zeros(len(frame))
        if self.confidence is not None:
            shortfall = self.confidence - self.probability(frame)
        return shortfall, self.value(frame, shortfall)

    def value(self, frame: pd.DataFrame, shortfall: np.ndarray) -> np.ndarray:
        kind, name = self.goal
        if self.user_score is not None:
            return -np.asarray(self.user_score(frame), dtype=float)
        if kind == "minimise":
            assert self._cost is not None  # checked by `_goal`
            return self._cost(frame, COSTS[name])
        if name == "conformance":
            return -self.probability(frame)
        means = self.means(frame)
        if name == "desirability":
            overall = desirability(self.brief, means)
            return np.where(overall > 0, -overall, _shortfall(self.brief, means))
        return -means[:, self.brief.response_names.index(name)]


def _goal(brief: Brief, minimise: str | None, maximise: str | None, score: Any) -> tuple[str, str]:
    """Check what is asked; cheapest is the default where costs are known, else most probable."""
    if sum(x is not None for x in (minimise, maximise, score)) > 1:
        raise SuggestError("Give one of minimise, maximise and score, not several.")
    if score is not None:
        return "maximise", "score"
    if minimise is None and maximise is None:
        if brief.has_costs:
            return "minimise", "cost_per_piece" if brief.piece else "cost_per_litre"
        return "maximise", "conformance"
    if minimise is not None:
        if minimise not in COSTS:
            raise SuggestError(f"minimise = {minimise!r}; it is one of {list(COSTS)}.")
        if minimise == "cost_per_piece" and brief.piece is None:
            raise SuggestError("minimise = 'cost_per_piece' needs [piece] volume_cm3 in the brief.")
        brief.numbers("price"), brief.numbers("density")
        return "minimise", minimise
    allowed = ["desirability", "conformance", *brief.response_names]
    if maximise not in allowed:
        raise SuggestError(f"maximise = {maximise!r}; it is one of {allowed}.")
    return "maximise", str(maximise)


def suggest(
    brief: Brief,
    surfaces: Any,
    *,
    minimise: str | None = None,
    maximise: str | None = None,
    score: Callable[[pd.DataFrame], Any] | None = None,
    confidence: float | None = None,
    of: str = "true_mean",
    prices: Mapping[str, float] | None = None,
    seed: int | None = None,
    alternatives: int = 3,
    explain: bool = True,
) -> Suggestion:
    """Return the formula that does best what is asked, inside the region.

    Parameters
    ----------
    brief : Brief
    surfaces : Surfaces
        From `formlab.fit`, of the same brief.
    minimise : {"cost_per_kg", "cost_per_litre", "cost_per_piece"}, optional
        The default is the cost per piece, or per litre where the brief has no piece.
    maximise : str, optional
        "desirability", "conformance", or the name of a response.
    score : callable, optional
        A score of one's own, ``score(frame) -> values``, to be maximised.
    confidence : float, optional
        Required probability, between 0 and 1, that all targets are met together; 0.90 when a cost is
        minimised, none when something is maximised.
    of : {"true_mean", "new_batch", "accepted"}
        Which of the three conformance figures is required.
    prices : mapping of str to float, optional
        Prices (currency per kg) in place of the brief's.
    seed : int, optional
    alternatives : int
        How many clearly different formulas to list.
    explain : bool
        Work out what binds and at what price; without, the search alone is done.

    Returns
    -------
    Suggestion

    Raises
    ------
    SuggestError
        If what is asked is not possible to ask of this brief.
    RegionError
        If the region is empty.

    Notes
    -----
    The probability is counted on 1,000 joint draws while searching and reported from 20,000 others: the
    first is too good by having been chosen, the second is not. Where the second is not what was asked, the
    requirement of the search is raised or lowered and the search repeated.
    """
    goal = _goal(brief, minimise, maximise, score)
    if of not in KINDS:
        raise SuggestError(f"of = {of!r}; it is one of {list(KINDS)}.")
    if confidence is None and goal[0] == "minimise":
        confidence = 0.90
    if confidence is not None and not 0 < confidence < 1:
        raise SuggestError(f"confidence = {confidence!r}; a probability between 0 and 1 is expected.")
    if not any(part.has_target for part in brief.responses) and (
        confidence is not None or goal[1] == "conformance"
    ):
        raise SuggestError("No response has a target; give one at_least, at_most or near in the brief.")
    region = Region.from_brief(brief).check()
    seeds = np.random.SeedSequence(seed).generate_state(4)
    draws = surfaces.draw(SEARCH_DRAWS, seed=int(seeds[0]))
    final = surfaces.draw(FINAL_DRAWS, seed=int(seeds[1]))
    question = Question(brief, surfaces, draws, goal, confidence, of, score, prices, int(seeds[2]))
    found, figures, claimed = search_until(question, region, final, int(seeds[3]))
    reached = confidence is None or getattr(figures, of) >= confidence - 2 * figures.error(of)
    return _report(
        question, region, found, figures, claimed, reached, confidence, alternatives, explain, final
    )


def search_until(
    question: Question, region: Region, final: Any, seed: int
) -> tuple[Found, Conformance, float]:
    """Search, check on fresh draws, and ask for more or less until the fresh figure is what was asked.

    Where the confidence cannot be reached, the most probable formula is searched for instead.
    """
    asked, baseline = question.confidence, question.brief.baseline
    starts = region.nearest(baseline) if baseline is not None else None
    effort: dict[str, int] = {}
    kept: tuple[float, Found, Conformance, float] | None = None
    for attempt in range(4):
        found = search(region, question, seed=seed + attempt, starts=starts, **effort)
        figures, claimed = _fresh(question, found, final, seed)
        if asked is None:
            return found, figures, claimed
        figure, error = getattr(figures, question.of), figures.error(question.of)
        good = figure >= asked - error
        if good and (kept is None or found.value[0] < kept[0]):
            kept = float(found.value[0]), found, figures, claimed
        if found.shortfall[0] > 0 or abs(figure - asked) <= error:
            break
        assert question.confidence is not None
        question.confidence = float(np.clip(question.confidence + 0.9 * (asked - figure), 0.01, 0.999))
        starts, effort = found.formulas, {"pool": 500, "rounds": 30}
    if kept is None:
        goal, question.goal, question.confidence = question.goal, ("maximise", "conformance"), None
        found = search(region, question, seed=seed, starts=found.formulas)
        kept = (0.0, found, *_fresh(question, found, final, seed))
        question.goal = goal
    question.confidence = asked
    return kept[1:]


def _fresh(question: Question, found: Found, final: Any, seed: int) -> tuple[Conformance, float]:
    """Conformance of the best formula on draws that the search has not seen, and on those that it has."""
    best = found.formulas.head(1)
    return conformance(question.brief, final, best, seed=seed)[0], float(question.probability(best)[0])


def _report(
    question: Question,
    region: Region,
    found: Found,
    figures: Conformance,
    claimed: float,
    reached: bool,
    confidence: float | None,
    alternatives: int,
    explain: bool,
    final: Any,
) -> Suggestion:
    brief, surfaces = question.brief, question.surfaces
    best = found.formulas.head(1)
    predicted = _predicted(brief, surfaces, best, final)
    cost = brief.costs(best, question.prices).iloc[0] if brief.has_costs else None
    means = question.means(best)
    aimed = any(part.has_target for part in brief.responses)
    kind, name = question.goal
    words = {"minimise": "Least", "maximise": "Highest"}[kind] + " " + name.replace("_", " ")
    return Suggestion(
        brief=brief,
        goal=words,
        formula=best.iloc[0][brief.ingredient_names].astype(float).rename("formula"),
        settings=best.iloc[0][brief.setting_names].rename("settings"),
        predicted=predicted,
        conformance=figures,
        claimed=claimed,
        of=question.of,
        confidence=confidence,
        reached=bool(reached),
        cost=cost,
        binding=_binding(question, region, best, predicted) if explain else pd.DataFrame(),
        alternatives=_alternatives(question, region, found, alternatives),
        current=_against_today(question, best, final),
        desirability=float(desirability(brief, means)[0]) if aimed else float("nan"),
        notes=_notes(brief, surfaces, figures, claimed, question, reached),
    )


def _predicted(brief: Brief, surfaces: Any, frame: pd.DataFrame, draws: Any) -> pd.DataFrame:
    values = draws.mean(frame)[:, 0, :]
    lines = {}
    for k, part in enumerate(brief.responses):
        line = surfaces[part.name].predict_table(frame, outside="ignore").iloc[0]
        lines[part.name] = {
            "unit": part.unit,
            **{c: float(line[c]) for c in ("mean", "low", "high", "batch_low", "batch_high")},
            "target": part.target_text,
            "chance": float(part.meets(values[:, k]).mean()) if part.has_target else float("nan"),
        }
    return pd.DataFrame.from_dict(lines, orient="index").rename_axis("response")


def _against_today(question: Question, best: pd.DataFrame, final: Any) -> pd.DataFrame | None:
    brief, today = question.brief, question.brief.baseline
    if today is None:
        return None
    both = pd.concat([today, best], ignore_index=True)
    lines = {
        f"{n} ({brief.unit(n)})" if brief.unit(n) else n: both[n]
        for n in [*brief.varied, *brief.setting_names]
    }
    means = question.means(both)
    for k, part in enumerate(brief.responses):
        lines[f"{part.name} ({part.unit})"] = pd.Series(means[:, k])
    if brief.has_costs:
        for name, column in brief.costs(both, question.prices).items():
            lines[f"cost {str(name).replace('_', ' ')} ({brief.currency})"] = column
    figures = conformance(brief, final, both, seed=question.seed)
    lines["conformance of the true mean"] = pd.Series([f.true_mean for f in figures])
    out = pd.DataFrame(lines).T.set_axis(["today", "suggested"], axis=1).rename_axis("")
    numeric = out.map(lambda v: isinstance(v, (int, float, np.floating)))
    out["change"] = [
        b - a if ok else "" for a, b, ok in zip(out["today"], out["suggested"], numeric.all(axis=1))
    ]
    return out


def _alternatives(question: Question, region: Region, found: Found, count: int) -> pd.DataFrame:
    """Near-best formulas that differ by at least 15 % of a range, what they cost and how sure they are."""
    brief = question.brief
    if count < 1:
        return pd.DataFrame()
    names = [
        n
        for n in region.polytope.names
        if region.polytope.lower[region.polytope.names.index(n)]
        < region.polytope.upper[region.polytope.names.index(n)]
    ]
    width = np.array([brief.ranges[n][1] - brief.ranges[n][0] for n in names])
    scaled = found.formulas[names].to_numpy(float) / width
    ok = np.maximum(found.shortfall, 0) <= max(found.shortfall[0], 0) + 0.02
    best = found.value[0]
    spread = abs(best) * 0.10 + 1e-12
    chosen = [0]
    for row in range(1, len(scaled)):
        apart = min(np.abs(scaled[row] - scaled[k]).max() for k in chosen)
        other = any(found.formulas[n].iloc[row] != found.formulas[n].iloc[0] for n in region.categories)
        if ok[row] and found.value[row] <= best + spread and (apart >= 0.15 or other):
            chosen.append(row)
        if len(chosen) > count:
            break
    if len(chosen) == 1:
        return pd.DataFrame()
    frame = found.formulas.iloc[chosen[1:]].reset_index(drop=True)
    out = frame[[*brief.varied, *brief.setting_names]].copy()
    if brief.has_costs:
        for name, column in brief.costs(frame, question.prices).items():
            out[f"cost {str(name).replace('_', ' ')}"] = column
    out[question.of] = question.probability(frame)
    return out


def _binding(question: Question, region: Region, best: pd.DataFrame, predicted: pd.DataFrame) -> pd.DataFrame:
    """Targets, ranges and limits that hold the formula, and what relaxing each by one step is worth."""
    lines = []
    kind, goal = question.goal
    priced = question.confidence is not None and kind == "minimise"
    unit = f"{question.brief.currency} {COSTS[goal].replace('_', ' ')}" if priced else ""
    base = question.value(best, np.zeros(1))[0]
    for part in question.brief.responses:
        chance = predicted.loc[part.name, "chance"]
        if not part.has_target or chance > 0.995:
            continue
        saved = _price_of_target(question, region, best, part, float(base)) if priced else float("nan")
        lines.append({
            "what": f"target: {part.name} {part.target_text}", "chance alone": chance,
            "if relaxed by": f"{matters(part):g} {part.unit}".strip(), f"saves {unit}".strip(): saved,
        })  # fmt: skip
    names = list(region.polytope.names)
    gaps = region.polytope.gaps(best[names].to_numpy(float))[0]
    words = [f"range: {n} at its low {v:g}" for n, v in zip(names, region.polytope.lower)]
    words += [f"range: {n} at its high {v:g}" for n, v in zip(names, region.polytope.upper)]
    words += [f"limit: {rule.text}" for rule in region.polytope.rules]
    open_range = np.concatenate(
        [region.polytope.lower < region.polytope.upper] * 2
        + [np.array([r.sense != "=" for r in region.polytope.rules], dtype=bool)]
    )
    for gap, word, can in zip(gaps, words, open_range):
        if can and gap < 1e-4:
            lines.append({"what": word, "chance alone": float("nan"), "if relaxed by": "",
                          f"saves {unit}".strip(): float("nan")})  # fmt: skip
    return pd.DataFrame(lines).dropna(axis=1, how="all")


def _price_of_target(question: Question, region: Region, best: pd.DataFrame, part: Any, base: float) -> float:
    low, high = part.target
    size = matters(part)
    question.relaxed = {part.name: (low - size, high + size)}
    try:
        found = search(region, question, seed=question.seed, pool=300, rounds=25, starts=best, most_slices=2)
    finally:
        question.relaxed = {}
    return max(base - float(found.value[0]), 0.0) if found.shortfall[0] <= 0 else 0.0


def _notes(
    brief: Brief, surfaces: Any, figures: Conformance, claimed: float, question: Question, reached: bool
) -> list[str]:
    notes = []
    if not reached:
        notes.append(
            "No formula in the region reaches the confidence asked for with what is known now; this one is the "
            "most probable. find_conflict says which targets fight, next_trials which trials would tell."
        )
    said = [(rank, f"{name}: {warning}") for name in brief.response_names
            for rank, warning in enumerate(surfaces[name].warnings_[:2])]  # fmt: skip
    notes += [text for _, text in sorted(said, key=lambda line: line[0])]
    final = getattr(figures, question.of)
    notes.append(
        f"The search saw {claimed:.3f} on its own draws; fresh draws give {final:.3f} "
        f"(Monte Carlo error {figures.error(question.of):.3f}), and that is what is printed."
    )
    return notes
