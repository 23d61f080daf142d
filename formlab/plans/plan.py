"""A plan: trials in run order with their batches, loads and blocks, and the model they are meant for."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from formlab.brief import Brief
from formlab.errors import FormlabError, PlanError
from formlab.html import Markup, counted, escape, first_few, fold, number, panel, table
from formlab.plans.basis import Basis
from formlab.plans.bayes import Prior, make_prior
from formlab.plans.cost import cost_of
from formlab.plans.criteria import CRITERIA
from formlab.plans.judge import Judgement, unused_levels
from formlab.plans.structure import Structure, default_ratios
from formlab.region import Region
from formlab.terms import ModelSpace

__all__ = ["Plan"]


class Plan:
    """Trials in run order, and what they are meant to tell.

    Parameters
    ----------
    brief : Brief
    frame : DataFrame
        One row a trial in run order: trial, batch, load (where there are), day, base, block columns (where
        there are), run_order, round, brief_id, every ingredient, every setting.
    space : ModelSpace
        The model the plan is meant to support.
    kind, criterion : str
    seed : int or None
        What the plan was made with.
    notes : sequence of str
        What the user must know, in words.
    ratios : mapping of str to float
        Variance of a level of error over that of a slab as measured; the brief's own where left out.
    prior : Prior, optional
        Of potential terms, where there may be more terms than trials.
    extras : mapping of str to float, optional
        Warm-up and cleaning: batches, hours, kg.

    Examples
    --------
    >>> import formlab as fl
    >>> series = fl.open_series("demo_trials/ink_wedge")
    >>> plan = Plan.from_frame(series.brief, series.plan_frame())
    >>> len(plan.frame), plan.frame["batch"].nunique()
    (36, 18)
    """

    def __init__(
        self,
        brief: Brief,
        frame: pd.DataFrame,
        space: ModelSpace,
        *,
        kind: str = "given",
        criterion: str = "",
        seed: int | None = None,
        notes: Sequence[str] = (),
        ratios: Mapping[str, float] | None = None,
        prior: Prior | None = None,
        extras: Mapping[str, float] | None = None,
    ) -> None:
        self.brief, self.frame, self.space = brief, frame, space
        self.prior = prior
        self.extras = {"batches": 0.0, "hours": 0.0, "kg": 0.0, **(extras or {})}
        self.kind, self.criterion, self.seed = kind, criterion, seed
        self.given_ratios = dict(ratios or {})
        self.ratios, self.ratio_source = default_ratios(brief, ratios)
        self.notes = list(notes)

    @classmethod
    def from_frame(
        cls,
        brief: Brief,
        frame: pd.DataFrame,
        *,
        model: str | None = None,
        setting_model: str | None = None,
        crossed: str | None = None,
        kind: str = "given",
        **about: Any,
    ) -> Plan:
        """Return the plan that a frame with the brief's columns holds.

        `model`, `setting_model`, `crossed` as in `ModelSpace`; `kind` and `about` as in `Plan`.
        Missing columns are filled in: trial and run_order by row, one batch a row, round 1, today's brief_id.
        Trials outside the region are kept, and named in the notes.

        Raises
        ------
        BriefError
            If a varied ingredient or a setting is missing.
        PlanError
            If a trial id occurs twice.
        """
        full = brief.complete(frame)
        head = pd.DataFrame(index=frame.index)
        rows = range(1, len(frame) + 1)
        width = max(2, len(str(len(frame))))
        head["trial"] = frame["trial"] if "trial" in frame else [f"T{k:0{width}d}" for k in rows]
        head["batch"] = frame["batch"] if "batch" in frame else [f"B{k:0{width}d}" for k in rows]
        twice = head["trial"][head["trial"].duplicated()]
        if len(twice):
            raise PlanError(
                f"Trial {twice.iloc[0]!r} occurs more than once. Give each slab an id of its own."
            )
        for column in ("load", "day", "base", "finals", "block", "role"):
            if column in frame:
                head[column] = frame[column]
        head["run_order"] = frame["run_order"] if "run_order" in frame else list(rows)
        head["round"] = (
            pd.to_numeric(frame["round"], errors="coerce").fillna(1).astype(int) if "round" in frame else 1
        )
        head["brief_id"] = frame.get("brief_id", brief.brief_id)
        out = pd.concat([head, full], axis=1).sort_values("run_order", kind="stable").reset_index(drop=True)
        about["notes"] = [*about.get("notes", ()), *_outside(brief, out)]
        return cls(brief, out, ModelSpace(brief, model, setting_model, crossed), kind=kind, **about)

    @property
    def about(self) -> dict[str, Any]:
        """What the frame does not hold, as plain values: what the plan was made for and how; see `restored`."""
        space, prior = self.space, self.prior
        return {
            "kind": self.kind, "criterion": self.criterion, "seed": None if self.seed is None else int(self.seed),
            "model": space.model, "setting_model": space.setting_model, "crossed": space.crossed,
            "potential": [] if prior is None else list(prior.potential),
            "prior_sd": None if prior is None else float(prior.tau),
            "ratios": {level: float(v) for level, v in self.given_ratios.items()},
            "extras": {what: float(v) for what, v in self.extras.items()},
            "notes": list(self.notes), "trials": len(self.frame),
        }  # fmt: skip

    @classmethod
    def restored(cls, brief: Brief, frame: pd.DataFrame, about: Mapping[str, Any]) -> Plan:
        """Return the plan of a frame as it was made, from what `about` told of it.

        Where today's brief no longer has its model or terms, it is the plan that the frame alone holds.
        """
        try:
            models = {key: about[key] for key in ("model", "setting_model", "crossed")}
            same = {key: about[key] for key in ("kind", "criterion", "seed", "ratios", "extras", "notes")}
            first = about.get("trials", len(frame))
            if first < len(frame) and about["notes"]:  # others have come to it since
                same["notes"] = [f"Said of the first {first} trials: {' '.join(about['notes'])}"]
            plan = cls.from_frame(brief, frame, **models, **same)
            if about["potential"]:
                plan.prior = make_prior(plan.basis, about["potential"], about["prior_sd"])
        except (FormlabError, KeyError, TypeError):
            return cls.from_frame(brief, frame)
        return plan

    # ---- parts ----------------------------------------------------------------------------------

    @property
    def messages(self) -> list[str]:
        """The notes, by the name that other results use."""
        return self.notes

    @cached_property
    def basis(self) -> Basis:
        """Columns of the model, orthonormal over the region."""
        return Basis(Region.from_brief(self.brief).check(), self.space)

    @property
    def structure(self) -> Structure:
        """Which trials share a batch, load, day or block, and the variance ratios."""
        return Structure.from_frame(self.frame, self.ratios)

    @property
    def formulas(self) -> pd.DataFrame:
        """Ingredients and settings alone, indexed by trial."""
        return self.frame.set_index("trial")[self.brief.columns]

    @property
    def told_apart(self) -> pd.DataFrame:
        """The columns in which trials differ, for people: trial, batch, load where there are, what varies, settings."""
        names = ("trial", "batch", "load", *self.brief.varied, *self.brief.setting_names)
        return self.frame[[n for n in names if n in self.frame]].rename(columns=self.brief.head)

    def __len__(self) -> int:
        return len(self.frame)

    def judge(self, ratios: Mapping[str, float] | None = None, limit: bool = False) -> Judgement:
        """Return what the plan can tell, see `Judgement`; trials that failed tell nothing.

        Parameters
        ----------
        ratios : mapping of str to float, optional
            Other variance ratios of block, day, base, batch, load over a slab as measured.
        limit : bool, default=False
            Also find out now how good a plan with these batches could be, for the plan's own criterion;
            otherwise `Judgement.efficiencies` does so when it is asked for.

        Raises
        ------
        PlanError
            If the trials cannot carry the model; it names the terms.
        """
        default_ratios(self.brief, ratios)
        made = self.frame
        if "role" in made:
            made = made[made["role"] != "failed"]
        structure = Structure.from_frame(made, {**self.ratios, **(ratios or {})})
        found = Judgement(
            self.basis,
            self.basis.points(made),
            structure,
            made["trial"].tolist(),
            source=self.ratio_source,
            prior=self.prior,
            criteria=(self.criterion,) if self.criterion in CRITERIA else CRITERIA,
            notes=unused_levels(self.basis, self.basis.points(made)),
        )
        if limit:
            found.efficiencies  # noqa: B018  kept by the judgement
        return found

    # ---- what it takes --------------------------------------------------------------------------

    @property
    def cost(self) -> pd.Series:
        """Batches, loads, slabs, kg, mill and press hours and money; NaN where the brief does not say."""
        return self._costs[0]

    @property
    def materials(self) -> pd.DataFrame:
        """ingredient, kg, price, money over the whole plan, warm-up batches and cleaning included."""
        return self._costs[1]

    @cached_property
    def _costs(self) -> tuple[pd.Series, pd.DataFrame]:
        e = self.extras
        return cost_of(self.brief, self.frame, int(e["batches"]), e["hours"], e["kg"])

    @property
    def takes(self) -> str:
        """What it takes, in one sentence; what the brief does not tell is left out."""
        cost = self.cost
        loads = [] if np.isnan(cost["press_h"]) else [counted(int(cost["loads"]), "press load")]
        words = [counted(int(cost["batches"]), "batch"), *loads]
        for name, unit in (
            ("kg", "kg"),
            ("mill_h", "h of milling"),
            ("press_h", "h of pressing"),
            ("money", self.brief.currency),
        ):
            if np.isfinite(cost[name]) and cost[name] > 0:
                words.append(f"{number(cost[name], 3)} {unit}")
        return f"It takes {', '.join(words)}."

    def bench_order(
        self, per_session: int = 20, reference: str = "reference", seed: int | None = None
    ) -> pd.DataFrame:
        """Return the order of testing: slabs at random, a reference eraser first and last in each session.

        Parameters
        ----------
        per_session : int
            Slabs tested in one sitting.
        reference : str
            What the reference eraser is called in the column of trials.
        seed : int, optional
            Of the order.

        Returns
        -------
        DataFrame
            session, position, trial.
        """
        if per_session < 1:
            raise PlanError(f"per_session = {per_session}; give at least 1.")
        rng = np.random.default_rng(self.seed if seed is None else seed)
        trials = rng.permutation(self.frame["trial"].to_numpy(dtype=object))
        lines = []
        for k, start in enumerate(range(0, len(trials), per_session)):
            part = [reference, *trials[start : start + per_session], reference]
            lines += [[f"S{k + 1:02d}", position + 1, trial] for position, trial in enumerate(part)]
        return pd.DataFrame(lines, columns=["session", "position", "trial"])

    def tree(self) -> str:
        """Return what is split into what, as indented lines: blocks, days, base mixings, batches, slabs."""
        levels = [c for c in ("block", "day", "base", "batch") if c in self.frame]
        lines: list[str] = []
        before: list[str] = []
        for keys, rows in self.frame.groupby(levels, sort=False, dropna=False):
            path = [str(k) for k in keys]
            for depth, (level, key) in enumerate(zip(levels, path)):
                if path[: depth + 1] != before[: depth + 1]:
                    slabs = f": {', '.join(rows['trial'])}" if level == "batch" else ""
                    lines.append(f"{'  ' * depth}{level} {key}{slabs}")
            before = path
        return "\n".join(lines)

    # ---- eyes -----------------------------------------------------------------------------------

    def __repr__(self) -> str:
        batches = self.frame["batch"].nunique()
        seed = "" if self.seed is None else f", seed {self.seed}"
        made = f"{counted(len(self), 'trial')} in {counted(batches, 'batch')}"
        return f"Plan({self.kind}: {made} x {counted(len(self.brief.columns), 'column')}{seed})"

    def __str__(self) -> str:
        return "\n".join([repr(self), *self.notes])

    @property
    def verdict(self) -> str:
        """How much is made, and for how many terms, in one sentence."""
        criterion = f", criterion {self.criterion}" if self.criterion else ""
        return (
            f"{counted(len(self), 'trial')} in {counted(self.frame['batch'].nunique(), 'batch')} for "
            f"{counted(len(self.space), 'term')} ({self.kind}{criterion})."
        )

    def _takes(self) -> pd.DataFrame:
        names = {
            "kg": "material, kg",
            "mill_h": "mill, h",
            "press_h": "press, h",
            "money": f"cost, {self.brief.currency}",
        }
        return self.cost.rename(names).rename_axis("what").rename("amount").reset_index()

    def _repr_html_(self) -> Markup:
        shown = self.frame.drop(columns=["brief_id", *self.brief.fixed]).rename(
            columns={"run_order": "run order"}
        )
        notes = Markup("".join(f"<p>{escape(note)}</p>" for note in self.notes))
        return panel(
            self.brief.title or "Plan",
            self.verdict,
            notes,
            table(shown),
            fold("All trials", table(shown, rows=500)) if len(shown) > 10 else Markup(""),
            fold("What is split into what", Markup(f"<pre>{escape(self.tree())}</pre>")),
            fold("What it takes", Markup(table(self._takes(), rows=20) + table(self.materials, rows=40))),
        )


def _outside(brief: Brief, frame: pd.DataFrame) -> list[str]:
    """A note that names the trials a range, limit or level of the brief does not allow."""
    why = Region.from_brief(brief).why_outside(frame)
    bad = [f"{trial} ({words})" for trial, words in zip(frame["trial"], why) if words]
    if not bad:
        return []
    lie = "lies" if len(bad) == 1 else "lie"
    return [f"{len(bad)} of {len(frame)} trials {lie} outside the region: {first_few(bad, 5, '; ')}."]
