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
from formlab.html import Markup, escape, fold, headed, number, panel, table
from formlab.progress import showing
from formlab.region import Region
from formlab.suggest.alternatives import clearly_different
from formlab.suggest.binding import what_holds
from formlab.suggest.conformance import KINDS, Conformance, conformance, meaning
from formlab.suggest.doubts import (
    beyond_read,
    beyond_tried,
    flat_optimum,
    if_less_sure,
    met_at_all,
    under_other_priors,
)
from formlab.suggest.impossible import find_conflict
from formlab.suggest.posterior import check_all_fitted, few, trials_of
from formlab.suggest.promises import Ledger, after_misses
from formlab.suggest.question import Question, desirability, goal_of
from formlab.suggest.search import Found
from formlab.suggest.seek import FINAL_DRAWS, HOPELESS, SEARCH_DRAWS, Answer, search_until, surer
from formlab.surfaces.readings import HISTORY

__all__ = ["Suggestion", "suggest"]


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
        By response: unit, mean, low, high (95 % of the true mean; of the median where the target says so), batch_low, batch_high (95 % of one
        reading of a new batch), target, chance (that the true mean meets this target alone).
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
    nearest : bool
        Whether no formula of the region has a chance worth telling, so that this is the one whose predicted means are
        nearest to the targets.
    cost : Series or None
        per_kg, per_litre, per_piece in the brief's currency.
    binding : DataFrame
        Targets, limits and ranges that hold the formula where it is, with their price: what relaxing by one step
        saves (of a range 5 % of its width), and of targets also what the whole costs and where it would be free. Where
        something is maximised it is what is gained of that, and where the confidence is not reached, of probability. A
        saving beyond what was tried is extrapolated, and said to be; where there is none to be given, it says why.
    alternatives : DataFrame
        A few clearly different formulas, at most 10 % worse in what was asked: costs, conformance (of fresh draws) and
        what each gives up against the suggested one.
    current : DataFrame or None
        Today's formula beside the suggested one.
    notes : list of str
        What must be known before acting, the gravest first.
    shift : float
        What past promises took off the log-odds of the three figures; 0 or negative.
    fitted : mapping
        The kind of the surfaces, and whether a history was in them; empty where they do not say. A promise keeps it.

    Examples
    --------
    >>> import formlab as fl
    >>> series = fl.open_series("demo_trials/ink_wedge")
    >>> surfaces = fl.fit(series.brief, series.trials(), kind="least squares", seed=1)
    >>> answer = fl.suggest(series.brief, surfaces, explain=False, alternatives=0, seed=1)
    >>> sorted(answer.cost.index), answer.frame.shape[0]
    (['per_kg', 'per_litre', 'per_piece'], 1)
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
    shift: float = 0.0
    nearest: bool = False
    fitted: Mapping[str, Any] = field(default_factory=dict)

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
            Batch mass in kg; the plant's own where left out.
        kwargs
            Further arguments of `weigh_up`.

        Raises
        ------
        SuggestError
            If neither the call nor the brief gives a batch mass.
        """
        mass = batch_kg if batch_kg is not None else self.brief.plant.batch_kg
        if mass is None:
            raise SuggestError("No batch mass: pass batch_kg, or give the brief [plant] batch_kg in kg.")
        weighed = self.brief.materials(self.frame).iloc[0]  # masterbatches as they stand on the shelf
        return recipe.weigh_up(recipe.without_traces(weighed).rename("suggestion"), batch_kg=mass, **kwargs)

    def promise(self) -> dict[str, Any]:
        """Return what is claimed of the formula, as plain values: factors, the three conformance figures, from which surfaces."""
        line = {k: v.item() if hasattr(v, "item") else v for k, v in self.frame.iloc[0].to_dict().items()}
        return {
            "brief_id": self.brief.brief_id,
            **line,
            **{kind: getattr(self.conformance, kind) for kind in KINDS},
            "shift": self.shift,
            **self.fitted,
        }

    # ---- eyes -----------------------------------------------------------------------------------

    @property
    def saved(self) -> str:
        """What a year's pieces cost less, or more, than today's formula makes them, in a sentence; empty where that cannot be told."""
        piece = self.brief.piece
        if self.current is None or self.cost is None or piece is None or piece.per_year is None:
            return ""
        year = -float(self.current.loc[f"cost per piece ({self.brief.currency})", "change"]) * piece.per_year
        return (
            f"Over {piece.per_year:,.0f} pieces a year it {'saves' if year >= 0 else 'costs'} {abs(year):,.0f} "
            f"{self.brief.currency} of material{'' if year >= 0 else ' more'} against today."
        )

    def chance_today(self, of: str = "true_mean") -> float:
        """Return one of the three figures (`Conformance`) of today's formula; NaN where the brief has none."""
        return (
            float("nan")
            if self.current is None
            else float(self.current.loc[_conformance_of(self.brief, of), "today"])
        )

    @property
    def verdict(self) -> str:
        """What was found, how surely, and at what cost, in one sentence."""
        p, asked = getattr(self.conformance, self.of), self.confidence
        said = f"{meaning(self.of, self.brief.true_words)} with probability {p:.2f}"
        if self.nearest:
            head = f"{'' if asked is None else f'The asked {asked:.2f} is far from reached. '}Nearest to the targets: {said}"
        elif asked is None:
            head = f"{self.goal}: {said}"
        elif self.reached:
            head = f"{self.goal}: {said} (asked: {asked:.2f})"
        else:
            head = f"The asked {asked:.2f} is not reached; this is the most probable formula: {said}"
        if self.cost is not None:
            costs = ", ".join(_money(str(k), float(v), self.brief.currency) for k, v in self.cost.items())
            head += f"; {costs}"
        return head + "."

    def __str__(self) -> str:
        lines = [self.verdict, *([self.saved] if self.saved else []), "", "Formula"]
        unit = self.brief.amount_unit
        lines += [f"  {n:<20s} {number(v):>9s} {unit}" for n, v in self.formula.items()]
        for name, value in self.settings.items():
            lines.append(f"  {name:<20s} {number(value):>9s} {self.brief.unit(str(name))}")
        for title, frame in self._parts():
            lines += ["", title, frame.to_string(index=False, float_format=lambda v: number(v, 4), na_rep="")]
        if self.notes:
            lines += ["", "Read before acting", *[f"  - {note}" for note in self.notes]]
        return "\n".join(lines)

    def __repr__(self) -> str:
        return f"Suggestion({self.verdict})"

    def _parts(self) -> list[tuple[str, pd.DataFrame]]:
        parts = [
            (
                f"Predicted, with 95 % limits of the {self.brief.statistic_words} and of one reading of a new batch",
                headed(self.predicted.reset_index()),
            ),
            ("Conformance", headed(self.conformance.table().drop(columns="meaning"))),
        ]
        if self.current is not None:
            parts.append(("Against today", self.current.reset_index()))
        if len(self.binding):
            parts.append(("What holds it there", self.binding))
        if len(self.alternatives):
            others = self.alternatives.rename(columns=self.brief.head)
            parts.append(("Clearly different, nearly as good", others))
        return parts

    def _repr_html_(self) -> str:
        unit = self.brief.amount_unit
        lines = [[self.brief.title_of(n), v, unit] for n, v in self.formula.items()]
        lines += [[self.brief.title_of(str(n)), v, self.brief.unit(str(n))] for n, v in self.settings.items()]
        formula = pd.DataFrame(lines, columns=["", "amount", "unit"])
        folded = [fold(title, table(frame, rows=20)) for title, frame in self._parts()[2:]]
        parts = [
            *([Markup(f"<p>{escape(self.saved)}</p>")] if self.saved else []),
            table(formula, rows=40),
            table(self._parts()[0][1], rows=20),
            table(headed(self.conformance.table()), digits=3),
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


def _money(of: str, value: float, currency: str) -> str:
    """A cost in words; that of very small pieces for a thousand of them."""
    if of == "per_piece" and value < 0.01:
        return f"{number(1000 * value, 4)} {currency} per 1000 pieces"
    return f"{number(value, 4)} {currency} {of.replace('_', ' ')}"


def _listed(notes: list[str]) -> Markup:
    return Markup("<ul>" + "".join(f"<li>{escape(note)}</li>" for note in notes) + "</ul>")


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
    premium: float = 0.01,
    ledger: Ledger | None = None,
    seed: int | None = None,
    alternatives: int = 3,
    explain: bool = True,
    progress: bool | None = None,
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
    premium : float
        Share of the least cost that may be spent on more certainty, where 0.1 % of it buys at least 0.005 of
        probability: the cheapest formula that is just sure enough lies on the edge of several targets, and a little
        more money often makes it much surer. 0 asks for the cheapest itself. Without effect where no cost is
        minimised.
    ledger : Ledger, optional
        How past promises came out (`formlab.suggest.score_promises`); where they came true less often than
        claimed, claims are lowered and more is required.
    seed : int, optional
    alternatives : int
        How many clearly different formulas to list.
    explain : bool
        Work out what binds and at what price; without, the search alone is done.
    progress : bool, optional
        Whether to show a progress bar; where left out, at a terminal or in a notebook once it has taken a second.

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
    requirement of the search is raised or lowered and the search repeated. Then the formula
    that a premium makes much surer is looked for, on the same draws, and reported from the same others.

    Examples
    --------
    >>> import formlab as fl
    >>> series = fl.open_series("demo_trials/ink_wedge")
    >>> surfaces = fl.fit(series.brief, series.trials(), kind="least squares", seed=1)
    >>> answer = suggest(series.brief, surfaces, minimise="cost_per_piece", explain=False, alternatives=0, seed=1)
    >>> answer.reached, round(answer.conformance.true_mean, 1)
    (True, 0.9)
    """
    goal = goal_of(brief, minimise, maximise, score)
    check_all_fitted(brief, surfaces)
    if of not in KINDS:
        raise SuggestError(f"of = {of!r}; use one of {list(KINDS)}.")
    if confidence is None and goal[0] == "minimise":
        confidence = 0.90
    if confidence is not None and not 0 < confidence < 1:
        raise SuggestError(f"confidence = {confidence!r}; give a probability between 0 and 1.")
    if not 0 <= premium < 1:
        raise SuggestError(f"premium = {premium!r}; give a share of the cost, 0.01 for 1 %.")
    if not any(part.has_target for part in brief.responses) and (
        confidence is not None or goal[1] == "conformance"
    ):
        raise SuggestError("No response has a target; give one at_least, at_most or near in the brief.")
    region = Region.from_brief(brief).check()
    seeds = np.random.SeedSequence(seed).generate_state(4)
    with showing("suggesting", 3, progress) as work:
        work.at(0, "searching")
        draws = few(surfaces, SEARCH_DRAWS, int(seeds[0]))
        final = surfaces.draw(FINAL_DRAWS, seed=int(seeds[1]))
        raw = confidence if confidence is None or ledger is None else ledger.raw(confidence)
        question = Question(brief, surfaces, draws, goal, raw, of, score, prices, int(seeds[2]))
        found, figures, claimed = search_until(question, region, final, int(seeds[3]))
        reached = raw is None or figures.reaches(of, raw)
        answer = Answer(found.formulas.head(1), figures, claimed)
        if premium > 0 and reached and goal[0] == "minimise":
            work.at(1, "what a little more money buys")
            answer = surer(question, region, found, answer, final, premium, int(seeds[3]))
        work.at(2, "what holds it there")
        return _report(
            question, region, found, answer, reached, confidence, alternatives, explain, final, ledger
        )


def _report(
    question: Question,
    region: Region,
    found: Found,
    answer: Answer,
    reached: bool,
    confidence: float | None,
    alternatives: int,
    explain: bool,
    final: Any,
    ledger: Ledger | None,
) -> Suggestion:
    brief, surfaces = question.brief, question.surfaces
    best, figures = answer.formula, answer.figures
    figures = after_misses(figures, ledger)
    predicted = _predicted(brief, surfaces, best, final)
    cost = brief.costs(best, question.prices).iloc[0] if brief.has_costs else None
    means = question.means(best)
    aimed = any(part.has_target for part in brief.responses)
    kind, name = question.goal
    words = {"minimise": "Least", "maximise": "Highest"}[kind] + " " + name.replace("_", " ")
    nearest = answer.claimed < HOPELESS and (not reached or name == "conformance")
    flat = [] if nearest else flat_optimum(brief, found)
    notes = _notes(brief, surfaces, answer, question, predicted, confidence, reached, nearest, ledger, flat)
    if explain and (nearest or not reached):
        notes[1:1] = [
            *_conflict(question, confidence),
            met_at_all(question, region, found),
            *if_less_sure(question, region, found, answer),
        ]
    if explain:
        asked = question.confidence if reached else None  # a verdict that is no already cannot be turned
        honest = None if ledger is None else ledger.honest
        notes += under_other_priors(brief, surfaces, best, question.of, asked, question.seed, honest)
    return Suggestion(
        brief=brief,
        goal=words,
        formula=best.iloc[0][brief.ingredient_names].astype(float).rename("formula"),
        settings=best.iloc[0][brief.setting_names].rename("settings"),
        predicted=predicted,
        conformance=figures,
        claimed=answer.claimed,
        of=question.of,
        confidence=confidence,
        reached=bool(reached),
        cost=cost,
        binding=what_holds(question, region, found, predicted["chance"], final, reached)
        if explain and not nearest
        else pd.DataFrame(),
        alternatives=pd.DataFrame()
        if nearest
        else clearly_different(question, region, found, answer, reached, alternatives, final),
        current=_against_today(question, best, final, figures, ledger),
        desirability=float(desirability(brief, means)[0]) if aimed else float("nan"),
        notes=notes,
        shift=0.0 if ledger is None else ledger.shift,
        nearest=nearest,
        fitted=_fitted(surfaces),
    )


def _fitted(surfaces: Any) -> dict[str, Any]:
    """What a promise is to be held against later: kind of surface, and whether a history was in it."""
    trials = trials_of(surfaces)
    if trials is None or not hasattr(surfaces, "kind"):
        return {}
    return {"kind": surfaces.kind, "history": bool("block" in trials and (trials["block"] == HISTORY).any())}


def _predicted(brief: Brief, surfaces: Any, frame: pd.DataFrame, draws: Any) -> pd.DataFrame:
    values = draws.typical(frame)[:, 0, :]
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


def _conformance_of(brief: Brief, kind: str) -> str:
    words = {
        "true_mean": f"of the {brief.true_words}",
        "new_batch": "of one new batch",
        "accepted": "as measured",
    }
    return f"conformance {words[kind]}"


def _against_today(
    question: Question, best: pd.DataFrame, final: Any, figures: Conformance, ledger: Ledger | None
) -> pd.DataFrame | None:
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
        lines[brief.head(part.name)] = pd.Series(means[:, k])
    if brief.has_costs:
        for name, column in brief.costs(both, question.prices).items():
            lines[f"cost {str(name).replace('_', ' ')} ({brief.currency})"] = column
    now = after_misses(conformance(brief, final, today)[0], ledger)
    for kind in KINDS:
        lines[_conformance_of(brief, kind)] = pd.Series([getattr(now, kind), getattr(figures, kind)])
    out = pd.DataFrame(lines).T.set_axis(["today", "suggested"], axis=1).rename_axis("")
    numeric = out.map(lambda v: isinstance(v, (int, float, np.floating)))
    out["change"] = [
        b - a if ok else "" for a, b, ok in zip(out["today"], out["suggested"], numeric.all(axis=1))
    ]
    return out


def _conflict(question: Question, confidence: float | None) -> list[str]:
    """Which targets stand in the way of a confidence that is not reached, in words; nothing if its few draws see none."""
    asked = question.confidence or confidence or 0.90  # of the most probable formula none was asked
    found = find_conflict(
        question.brief, question.surfaces, confidence=asked, of=question.of, seed=question.seed
    )
    return [found.words] if len(found.give) else []


def _of_surfaces(brief: Brief, surfaces: Any) -> list[str]:
    """The two gravest warnings of each surface that bear on a formula; those of several are said once."""
    said: dict[tuple[int, str], list[str]] = {}
    for name in brief.response_names:
        surface = surfaces[name]
        grave = surface.formula_warnings if hasattr(surface, "formula_warnings") else surface.warnings_
        for rank, warning in enumerate(grave[:2]):
            said.setdefault((rank, warning), []).append(name)
    ranked = sorted(said.items(), key=lambda item: item[0][0])
    return [f"{', '.join(names)}: {warning}" for (_, warning), names in ranked]


def _notes(
    brief: Brief,
    surfaces: Any,
    answer: Answer,
    question: Question,
    predicted: pd.DataFrame,
    confidence: float | None,
    reached: bool,
    nearest: bool,
    ledger: Ledger | None,
    flat: list[str],
) -> list[str]:
    notes, figures = [], answer.figures
    if nearest:
        notes.append(
            f"No formula in the region meets all targets with a probability of even {HOPELESS:g} with what is known now; this "
            "one has the predicted means that are nearest to them, counted in what matters. Nothing holds it there that "
            "could be priced: a target must give, or the region."
        )
    elif not reached:
        notes.append(
            "No formula in the region reaches the confidence asked for with what is known now; this one is the "
            "most probable. next_trials (formlab next) says which trials would tell."
        )
    if figures.made < 0.995:
        notes.append(
            f"The chance that this formula can be made at all is {figures.made:.2f}, judged from trials that could "
            f"not; it is in every conformance figure. If it can be made, it meets all targets with probability "
            f"{figures.true_mean / figures.made:.2f}."
        )
    trials = trials_of(surfaces)
    if trials is not None:
        notes += beyond_tried(brief, trials, answer.formula)
        notes += beyond_read(brief, trials, predicted)
    notes += _of_surfaces(brief, surfaces)
    final = getattr(figures, question.of)
    notes.append(
        f"The search saw {answer.claimed:.3f} on its own draws; fresh draws give {final:.3f} "
        f"(Monte Carlo error {figures.error(question.of):.3f}), and that is what is printed."
    )
    weighed = any(getattr(surfaces[name], "origins", ()) for name in brief.response_names)
    if weighed and figures.of_parts > max(0.01, 2 * figures.error("true_mean")):
        notes.append(
            f"A fit keeps some of the many models it weighs: with another seed of it the figure of the {brief.true_words} would "
            f"move by about {figures.of_parts:.2g} (standard error)."
        )
    if answer.extra > 0:
        notes.append(
            f"The cheapest formula that reaches {confidence:.2f} on the search's draws has {final - answer.gained:.3f} on fresh ones; this one costs "
            f"{100 * answer.extra:.1f} % more and has {final:.3f}. premium=0 asks for the cheapest itself."
        )
    asked = question.prices or {}
    other = [p.name for p in brief.ingredients if p.name in asked and asked[p.name] != p.price]
    if other:
        prices = ", ".join(f"{name} at {number(asked[name])}" for name in other)
        notes.append(f"Costs, today's too, are with {prices} {brief.currency} per kg instead of the brief's.")
    notes += flat
    if ledger is not None:
        notes.append(ledger.told(final))
    return notes
