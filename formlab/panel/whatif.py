"""What if: one formula that is moved about in the region, and what it would do. Knows no widgets."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from formlab.brief import Brief
from formlab.errors import FormlabError
from formlab.html import number
from formlab.panel.slides import reach, sharing, slide
from formlab.polytope import Polytope
from formlab.recipe import weigh_up, without_traces
from formlab.region import Region
from formlab.suggest import Conformance, Ledger, Suggestion, suggest
from formlab.suggest.conformance import KINDS, meaning
from formlab.suggest.posterior import chance_to_make, few
from formlab.suggest.promises import after_misses
from formlab.suggest.question import Question, usual_cost
from formlab.suggest.search import search

__all__ = ["Outcome", "WhatIf", "percent"]

STEPS = 100  # of a slider at least, and a thousand at most
MEETINGS = {"true_mean": "typical", "new_batch": "new_batch", "accepted": "accepted"}


def percent(value: float) -> str:
    """Return a part of one in percent; what all draws say is no certainty."""
    text = f"{100 * value:.0f} %"
    return {"100 %": "> 99 %", "0 %": "< 1 %"}.get(text, text)


@dataclass(frozen=True)
class Outcome:
    """What one formula would do.

    Attributes
    ----------
    frame : DataFrame
        The formula, one row.
    predicted : DataFrame
        By response: unit, mean, low, high, batch_low, batch_high (95 %), target, chance of it alone, doubt: the
        standard error as a part of that at the worst trial.
    conformance : Conformance
    cost : Series or None
        per_kg, per_litre, per_piece in the brief's currency, at the prices of the scenario.
    """

    frame: pd.DataFrame
    predicted: pd.DataFrame
    conformance: Conformance
    cost: pd.Series | None

    @property
    def beyond(self) -> list[str]:
        """Responses whose mean is less sure here than at any trial: a hidden extrapolation."""
        return self.predicted.index[self.predicted["doubt"] > 1 + 1e-9].tolist()


class WhatIf:
    """One formula, where it may go, and what it would do there.

    Parameters
    ----------
    brief : Brief
    surfaces : Surfaces
        Of the same brief, with every response.
    prices : DataFrame, optional
        Indexed by ingredient, one column a scenario (currency per kg); a missing price is the brief's.
    suggestion : Suggestion, optional
        The formula to begin with; today's where left out, else the centre of the region.
    ledger : Ledger, optional
        How past promises came out; where they came true less often than claimed, the three figures are lowered and more
        is required of `cheapest` and of a suggestion.
    draws : int
        Joint draws behind each probability.
    seed : int

    Attributes
    ----------
    formula : DataFrame
        Where it stands, one row with all of the brief's columns.
    scenario : str or None
        Column of `prices` in use; None is the brief's own prices.
    giving : str or None
        The one ingredient that gives way where a total is shared; None is all others in proportion.
    held : set of str
        What `cheapest` may not touch.
    confidence, of : float, str
        What is asked of `cheapest` and of a suggestion.
    kept : dict
        Formulas put aside for comparison, by name.

    Raises
    ------
    FormlabError
        If a response of the brief was not fitted.
    """

    def __init__(
        self,
        brief: Brief,
        surfaces: Any,
        prices: pd.DataFrame | None = None,
        suggestion: Suggestion | None = None,
        *,
        ledger: Ledger | None = None,
        draws: int = 1000,
        seed: int = 0,
    ) -> None:
        lacking = [n for n in brief.response_names if n not in surfaces]
        if lacking:
            raise FormlabError(
                f"{lacking[0]!r} is a response of the brief and was not fitted. Fit all: fit(brief, trials)."
            )
        self.brief, self.surfaces, self.given, self.seed = brief, surfaces, suggestion, int(seed)
        self.region = Region.from_brief(brief).check()
        self.prices, self.ledger = pd.DataFrame() if prices is None else prices, ledger
        self.scenario: str | None = None
        self.giving: str | None = None
        self.held: set[str] = set()
        self.confidence, self.of = 0.90, "true_mean"
        self.kept: dict[str, pd.DataFrame] = {}
        seeds = np.random.SeedSequence(self.seed).generate_state(3)
        self._draws = surfaces.draw(draws, seed=int(seeds[0]))
        self._search_seeds = int(seeds[1]), int(seeds[2])
        targets = {part.name: part.target for part in brief.responses}
        self._meetings = {kind: self._draws.meeting(targets, of) for kind, of in MEETINGS.items()}
        self._anchor: tuple[str, pd.DataFrame] | None = None
        self._known: dict[tuple[str, str | None], Outcome] = {}
        self.formula = self._allowed(self.start())

    # ---- where it stands ------------------------------------------------------------------------

    def start(self) -> pd.DataFrame:
        """Return the formula to begin with: the suggestion, today's, or the centre of the region."""
        if self.given is not None:
            return self.given.frame
        return self.brief.baseline if self.brief.baseline is not None else self.region.centre()

    def _allowed(self, frame: pd.DataFrame) -> pd.DataFrame:
        full = self.brief.complete(frame).iloc[[0]].reset_index(drop=True)
        return full if self.region.contains(full).iloc[0] else self.region.nearest(full)

    def go(self, frame: pd.DataFrame) -> str:
        """Stand at another formula, or at the nearest that is allowed; return in words if it was moved."""
        full = self.brief.complete(frame).iloc[[0]].reset_index(drop=True)
        self.formula, self._anchor = self._allowed(full), None
        broken = self.region.why_outside(full)[0]
        return f"That formula is not allowed ({broken}); this is the nearest that is." if broken else ""

    @property
    def moving(self) -> list[str]:
        """What can be moved: varied ingredients and all settings, in column order."""
        return [*self.brief.varied, *self.brief.setting_names]

    @cached_property
    def digits(self) -> dict[str, int]:
        """Decimals of every amount and setting that can be moved: steps of a hundredth to a thousandth of its range.

        Controls, rooms, recipe and comparison all show so many, and so the same number.
        """
        widths = {name: self.brief.ranges[name] for name in self.moving if name in self.brief.ranges}
        return {n: math.ceil(-math.log10((high - low) / STEPS) - 1e-9) for n, (low, high) in widths.items()}

    def _said(self, name: str, value: float) -> str:
        return f"{round(value, self.digits[name]):.{max(self.digits[name], 0)}f}"

    def givers(self, name: str) -> list[str]:
        """Return the ingredients that give way when `name` moves."""
        others = sharing(self.brief, name)
        return [self.giving] if self.giving in others else others

    def move(self, name: str, value: Any) -> str:
        """Move one factor; the formula stays allowed. Return in words what stopped it, or nothing.

        As long as the same factor is moved it starts from the same formula, so that going back undoes it.
        """
        if self._anchor is None or self._anchor[0] != name:
            self._anchor = name, self.formula
        start = self._anchor[1]
        if name in self.region.levels or name in self.region.categories:
            return self._switch(name, value)
        self.formula, stopped = slide(self.region, start, name, float(value), self.givers(name))
        if not stopped:
            return ""
        return f"Stopped at {self._said(name, self.formula[name].iloc[0])} {self.brief.unit(name)}: {'; '.join(stopped)}."

    def _switch(self, name: str, value: Any) -> str:
        wanted = self.formula.assign(**{name: value})
        broken = self.region.why_outside(wanted)[0]
        if broken:
            return f"{self.brief.title_of(name)} cannot be {value}: {broken}."
        self.formula = wanted
        return ""

    def room(self, name: str) -> tuple[float, float]:
        """Return how far a numeric factor could go from here, down and up, in its unit."""
        return reach(self.region, self.formula, name, self.givers(name))

    # ---- what it would do -----------------------------------------------------------------------

    @property
    def scenarios(self) -> list[str]:
        return [str(name) for name in self.prices.columns]

    @property
    def money(self) -> dict[str, float]:
        """Prices of the scenario that differ from the brief's own."""
        return {} if self.scenario is None else self.prices[self.scenario].dropna().to_dict()

    def outcome(self, frame: pd.DataFrame | None = None) -> Outcome:
        """Return what a formula would do; of the one it stands at where left out."""
        frame = self.formula if frame is None else self.brief.complete(frame)
        columns = self._draws.columns(frame)
        means = self._draws.values(columns, "typical")[:, 0, :]
        lines = {p.name: self._line(p, frame, means[:, k]) for k, p in enumerate(self.brief.responses)}
        cost = self.brief.costs(frame, self.money).iloc[0] if self.brief.has_costs else None
        predicted = pd.DataFrame.from_dict(lines, orient="index").rename_axis("response")
        return Outcome(frame, predicted, self._conformance(frame), cost)

    def _conformance(self, frame: pd.DataFrame) -> Conformance:
        """The three figures that are shown of a formula, lowered for past misses."""
        columns, chance = self._draws.columns(frame), chance_to_make(self._draws, frame)
        made = np.ones((1, len(self._draws))) if chance is None else chance.T
        figures = {kind: float((m.met(columns) * made).mean()) for kind, m in self._meetings.items()}
        told = Conformance(
            **figures, draws=self._draws.count, made=float(made.mean()), of=self.brief.true_words
        )
        return after_misses(told, self.ledger)

    def _line(self, part: Any, frame: pd.DataFrame, means: np.ndarray) -> dict[str, Any]:
        line = self.surfaces[part.name].predict_table(frame, outside="ignore").iloc[0]
        figures = {c: float(line[c]) for c in ("mean", "low", "high", "batch_low", "batch_high")}
        chance = float(part.meets(means).mean()) if part.has_target else float("nan")
        doubt = self._doubt(part.name, line["mean"], line["std_error"]) / self._worst[part.name]
        return {"unit": part.unit, **figures, "target": part.target_text, "chance": chance, "doubt": doubt}

    def _doubt(self, name: str, mean: Any, std: Any) -> Any:
        """The standard error of the mean, carried to the scale of the fit."""
        scale = self.surfaces[name].values.scale
        return std / scale.slope(scale.forward(np.asarray(mean, dtype=float)))

    @cached_property
    def _worst(self) -> dict[str, float]:
        """The largest doubt about the mean at any trial, by response."""
        found = {}
        for name, surface in self.surfaces.items():
            mean, std = surface.predict(surface.formulas.drop_duplicates(), return_std=True, outside="ignore")
            found[name] = max(float(self._doubt(name, mean, std).max()), 1e-300)
        return found

    @property
    def today(self) -> Outcome | None:
        """What today's formula does, at the prices of the scenario; None where the brief has none."""
        if self.brief.baseline is None:
            return None
        return self._remembered("", self.brief.baseline)

    def _remembered(self, name: str, frame: pd.DataFrame) -> Outcome:
        """The outcome of today's formula or of a kept one at the prices of the scenario, worked out once."""
        key = name, self.scenario
        if key not in self._known or not self._known[key].frame.equals(frame):
            self._known[key] = self.outcome(frame)
        return self._known[key]

    @property
    def remarks(self) -> list[str]:
        """How past promises came out, and what the surfaces warn of."""
        told = [] if self.ledger is None else [self.ledger.told()]
        return [*told, *self.surfaces.warnings_]

    # ---- where it could go ----------------------------------------------------------------------

    @property
    def goal(self) -> tuple[str, str]:
        if not self.brief.has_costs:
            return "maximise", "conformance"
        return "minimise", usual_cost(self.brief)

    @property
    def goal_words(self) -> str:
        """Cheapest, or surest where the brief has no prices."""
        return "Cheapest" if self.brief.has_costs else "Surest"

    def suggestion(self) -> Suggestion:
        """Return the suggestion for what is asked, at the prices of the scenario; it takes some seconds."""
        (kind, name), given = self.goal, self.given
        shift = 0.0 if self.ledger is None else self.ledger.shift
        asked_now = self.confidence, self.of, shift
        if (
            given is not None
            and self.scenario is None
            and (given.confidence, given.of, given.shift) == asked_now
        ):
            return given
        asked = {kind: name, "confidence": self.confidence if kind == "minimise" else None}
        return suggest(self.brief, self.surfaces, of=self.of, prices=self.money, ledger=self.ledger,
                       seed=self.seed, alternatives=0, explain=False, progress=False, **asked)  # type: ignore[arg-type]  # fmt: skip

    def cheapest(self) -> str:
        """Go to the cheapest formula that is as sure as asked, what is held left as it is; return what was found.

        Searched with other draws than those that are shown, which are not chosen for and so not too good.
        """
        seed, more = self._search_seeds
        asked = self.confidence if self.goal[0] == "minimise" else None
        raw = asked if asked is None or self.ledger is None else self.ledger.raw(asked)
        question = Question(self.brief, self.surfaces, self._search_draws, self.goal, raw, self.of,
                            prices=self.money, seed=more)  # fmt: skip
        found = search(self._held_region(), question, seed=seed, pool=600, rounds=40, starts=self.formula)
        self.go(found.formulas.head(1))
        if asked is None:
            return f"{self.goal_words} formula found."
        return self._found(asked, reached=found.shortfall[0] <= 0)

    def _found(self, asked: float, reached: bool) -> str:
        """What was found, with the chance that is shown of it: that of the search is too good, for it was chosen by it."""
        sure = getattr(self._conformance(self.formula), self.of)
        held = " with what is held" if self.held else ""
        if reached:
            said = f"{self.goal_words} formula found{held}: {percent(sure)} sure"
            if sure >= asked - 0.005:
                return f"{said}."
            return (
                f"{said}. It was looked for at {percent(asked)} on other draws, and what is chosen looks better on those "
                "than it is; ask for more to be surer."
            )
        if sure >= asked:
            return f"Surest formula found{held}: {percent(sure)} sure."
        return f"No formula was found that is as sure as {percent(asked)}{held}; this is the surest, {percent(sure)}."

    @cached_property
    def _search_draws(self) -> Any:
        return few(self.surfaces, self._draws.count, self._search_seeds[0])

    def _held_region(self) -> Region:
        """The region with what is held fixed where it stands."""
        here = self.formula.iloc[0]
        held = [n for n in self.moving if n in self.held]
        if not held:
            return self.region
        whole = self.region.polytope
        low, high = whole.lower.copy(), whole.upper.copy()
        for name in held:
            if name in whole.names:
                k = whole.names.index(name)
                low[k] = high[k] = float(here[name])
        region = self.region.over(Polytope(whole.names, low, high, whole.rules))
        region.levels = {n: [float(here[n])] if n in held else v for n, v in self.region.levels.items()}
        region.categories = {n: [here[n]] if n in held else v for n, v in self.region.categories.items()}
        return region

    # ---- what is put aside ----------------------------------------------------------------------

    def keep(self, name: str = "") -> str:
        """Put the formula aside for comparison, and return its name."""
        name = name.strip() or next(f"K{k}" for k in range(1, 10_000) if f"K{k}" not in self.kept)
        name += " (kept)" if name in ("today", "here") else ""  # columns of `compare`
        self.kept[name] = self.formula.copy()
        return name

    def compare(self, here: Outcome | None = None) -> pd.DataFrame:
        """Return today's, the kept formulas and this one side by side.

        Parameters
        ----------
        here : Outcome, optional
            Of this one, where it is known already.

        Returns
        -------
        DataFrame
            Rows: what varies with its unit, each mean, the costs, the three conformance figures. Columns: today
            (if there is one), the kept ones by name, here.
        """
        today = {} if self.today is None else {"today": self.today}
        kept = {name: self._remembered(name, frame) for name, frame in self.kept.items()}
        all_of = {**today, **kept, "here": here or self.outcome()}
        return pd.DataFrame({name: self._column(outcome) for name, outcome in all_of.items()})

    def _column(self, outcome: Outcome) -> pd.Series:
        brief, lines = self.brief, {}
        for name in self.moving:
            value = outcome.frame[name].iloc[0]
            shown = round(float(value), self.digits[name]) if name in self.digits else value
            lines[f"{brief.title_of(name)}, {brief.unit(name)}".rstrip(", ")] = shown
        for name, line in outcome.predicted.iterrows():
            lines[f"{brief.title_of(str(name))}, {line['unit']}".rstrip(", ")] = line["mean"]
        if outcome.cost is not None:
            for name, value in outcome.cost.items():
                lines[f"cost {str(name).replace('_', ' ')}, {brief.currency}"] = value
        for kind in KINDS:
            lines[meaning(kind, outcome.conformance.of)] = getattr(outcome.conformance, kind)
        return pd.Series(lines, dtype=object)

    def recipe(self, batch_kg: float | None = None) -> str:
        """Return the weigh-up of one batch with its settings as plain text, columns parted by tabs.

        Raises
        ------
        FormlabError
            If neither the call nor the brief's plant gives a batch mass.
        """
        mass = batch_kg if batch_kg is not None else self.brief.plant.batch_kg
        if mass is None:
            raise FormlabError("No batch mass: pass batch_kg, or give the brief [plant] batch_kg in kg.")
        weighed = self.brief.materials(self.formula).iloc[0]
        lines = weigh_up(without_traces(weighed), batch_kg=mass)
        unit = self.brief.amount_unit
        text = [self.brief.title or "Recipe", f"batch\t{mass:g}\tkg", "", f"ingredient\t{unit}\tg"]
        planned = self.formula.iloc[0]
        for line in lines.itertuples():
            name = str(line.ingredient)
            same = name in self.digits and math.isclose(line.amount, planned[name], abs_tol=1e-9)
            amount = self._said(name, line.amount) if same else number(line.amount)
            text.append(f"{self.brief.title_of(name)}\t{amount}\t{line.weighed_g:.0f}")
        text += [f"total\t{number(lines['amount'].sum())}\t{lines['weighed_g'].sum():.0f}"]
        for part in self.brief.settings:
            value = self.formula[part.name].iloc[0]
            text.append(
                f"{part.title}\t{self._said(part.name, value) if part.name in self.digits else value}\t{part.unit}"
                if part.is_numeric
                else f"{part.title}\t{value}"
            )
        return "\n".join(text)
