"""What a plan can tell: error of terms and predictions, leverage, power, efficiency, before any result."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cached_property

import numpy as np
import pandas as pd

from formlab.brief import Brief
from formlab.errors import PlanError
from formlab.html import Markup, counted, escape, first_few, fold, headed, number, panel, table
from formlab.plans.basis import SAMPLE_SEED, Basis
from formlab.plans.bayes import Prior
from formlab.plans.candidates import Candidates, level_of, level_variables
from formlab.plans.capacity import independent, lost_words
from formlab.plans.criteria import CRITERIA, score
from formlab.plans.limit import Limit, upper_limit
from formlab.plans.power import factor_contrasts, level_degrees, power_of_difference, smallest_difference
from formlab.plans.problem import Problem
from formlab.plans.search import search
from formlab.plans.structure import Structure
from formlab.progress import along
from formlab.region import Region
from formlab.terms import ModelSpace

__all__ = ["Judgement", "judge"]

FRACTION_POINTS = 2000
MOST_CORNERS = 5000  # of which the error is worked out; of more, so many are picked
CANDIDATE_SEED = 5
LEVELS = ("block", "day", "base", "batch", "load")
POWER = "Chance to see the differences that matter; each factor goes through the middle of the region as far as limits let it"


class Judgement:
    """A plan under a model and variance ratios; every standard error is in units of the sd of a slab.

    Attributes
    ----------
    terms : DataFrame
        term, std_error, vif, moves_with, correlation: the term it is most confounded with; with a prior
        also prior_sd and learnt, the share of the prior variance that the trials take away.
    correlation : DataFrame
        Of the estimated coefficients, term by term.
    leverage : Series
        By trial; sums to the number of terms.
    degrees_of_freedom : DataFrame
        level, units, df: what is left at each level of error after the model.
    fraction : DataFrame
        fraction, std_error: the share of the region that is predicted at least so well; the last line is the largest error
        found, at the corners of the region too.
    least_sure : DataFrame
        Where that is: the brief's columns, std_error, and corner, whether it is a corner of the region; one row.
    power : DataFrame
        response, factor, from, to, level, std_error, df, matters, power, smallest (the smallest difference
        seen at 80 %), unit (of the response). One row for each response that has sds and each factor; see `without_power`.
    without_batch : DataFrame
        What each batch is worth: trials, untold (terms that could not be told apart without it), larger (by how much the
        average error would be larger, a share; inf with terms untold).
    efficiencies : DataFrame
        criterion, efficiency, largest (sensitivity found over the mean one; 1 at the optimum), gap, proven, limit
        (in words): against the best that could be.
    summary : Series
        trials, batches, terms, log det, A, I, average and largest prediction error, condition number.
    """

    def __init__(
        self,
        basis: Basis,
        points: np.ndarray,
        structure: Structure,
        trials: Sequence[str],
        *,
        source: str = "",
        prior: Prior | None = None,
        criteria: Sequence[str] = ("D",),
        notes: Sequence[str] = (),
    ) -> None:
        self.basis, self.points, self.structure, self.trials = basis, points, structure, list(trials)
        self.source, self.prior, self.notes = source, prior, list(notes)
        self.criteria = list(criteria)
        self.x = basis.matrix(points)
        self.w = structure.weight()
        p = self.x.shape[1]
        self.precision = np.zeros((p, p)) if prior is None else prior.precision
        self.information = self.x.T @ self.w @ self.x + self.precision
        if prior is None:
            rank = int(np.linalg.matrix_rank(self.x, tol=1e-8 * max(1.0, np.abs(self.x).max())))
            if rank < p:
                raise PlanError(_singular_words(basis, self.x, self.points, rank))
        elif not np.isfinite(score(self.information, None)):
            raise PlanError(
                "These trials cannot tell the primary terms apart. Add trials, or make more potential."
            )
        self.inverse = np.linalg.inv(self.information)

    # ---- terms ----------------------------------------------------------------------------------

    @cached_property
    def covariance(self) -> pd.DataFrame:
        """Covariance of the coefficients of the model's own columns, in units of the slab variance."""
        t = self.basis.transform
        names = self.basis.space.names
        return pd.DataFrame(t @ self.inverse @ t.T, index=names, columns=names)

    @cached_property
    def correlation(self) -> pd.DataFrame:
        error = np.sqrt(np.diag(self.covariance))
        return self.covariance / np.outer(error, error)

    @cached_property
    def terms(self) -> pd.DataFrame:
        raw = self.basis.raw(self.points)
        variance = np.diag(self.covariance)
        spread = np.einsum("np,nm,mp->p", raw, self.w, raw)
        if "1" in self.basis.space.names:  # about the mean; shares carry the constant between them
            ones = self.w.sum(axis=1)
            spread = spread - (ones @ raw) ** 2 / ones.sum()
        vif = np.where(spread > 1e-9 * np.abs(raw).max(), spread * variance, np.nan)
        apart = np.abs(self.correlation.to_numpy()) * (1 - np.eye(len(variance)))
        worst = apart.argmax(axis=1)
        most = self.correlation.to_numpy()[np.arange(len(worst)), worst]
        alone = apart.max(axis=1) < 1e-9  # only rounding is left: it depends on no other estimate
        names = self.basis.space.names
        out = pd.DataFrame(
            {
                "term": names,
                "std_error": np.sqrt(variance),
                "vif": vif,
                "moves_with": ["" if free else names[k] for k, free in zip(worst, alone)],
                "correlation": np.where(alone, 0.0, most),
            }
        )
        if self.prior is not None:
            out["prior_sd"] = self.prior.sd.reindex(names).to_numpy()
            out["learnt"] = 1 - (out["std_error"] / out["prior_sd"]) ** 2
        return out

    @cached_property
    def leverage(self) -> pd.Series:
        values = np.einsum("np,pq,qn->n", self.x, self.inverse, self.x.T @ self.w)
        return pd.Series(values, index=pd.Index(self.trials, name="trial"), name="leverage")

    def aliases(
        self, model: str | None = None, setting_model: str | None = None, crossed: str | None = "full"
    ) -> pd.DataFrame:
        """Return by how much each term's estimate is off for each unit of a term that the model leaves out.

        ``(X'WX + prior)^-1 X'WZ`` for the columns Z of a larger model, by default the largest of the basis
        (Box & Draper 1959, without a prior).

        Returns
        -------
        DataFrame
            Estimated terms by the terms left out; empty where the larger model has none.
        """
        space = self.basis.space
        brief = self.basis.region.brief
        largest = {"phr": "quadratic", "fraction": "special cubic"}[brief.basis]
        larger = ModelSpace(
            brief, model or largest, setting_model or "quadratic", crossed, measure=space.measure
        )
        left_out = [k for k, n in enumerate(larger.names) if n not in space.names]
        z = larger.matrix(self.basis.frame(self.points))[:, left_out]
        found = self.basis.transform @ self.inverse @ (self.x.T @ self.w @ z)
        names = [larger.names[k] for k in left_out]
        return pd.DataFrame(found, index=pd.Index(space.names, name="term"), columns=names)

    # ---- errors ---------------------------------------------------------------------------------

    @cached_property
    def degrees_of_freedom(self) -> pd.DataFrame:
        columns, before, lines = self.x, np.linalg.matrix_rank(self.x), []
        for level in LEVELS:
            labels = self.structure.groups.get(level)
            if labels is None or len(np.unique(labels)) == self.structure.n:
                continue
            columns = np.column_stack([columns, labels[:, None] == np.unique(labels)])
            after = np.linalg.matrix_rank(columns)
            lines.append([level, len(np.unique(labels)), int(after - before)])
            before = after
        alone = "slab" if lines else "trial"
        lines.append([alone, self.structure.n, int(self.structure.n - before)])
        return pd.DataFrame(lines, columns=["level", "units", "df"])

    @cached_property
    def repeats(self) -> int:
        """Degrees of freedom for pure error: batches that repeat another one's formula and settings.

        Slabs of one batch that are alike repeat only the slab's error, and are not counted.
        """
        batches = {
            tuple(np.round(self.points[rows], 9)[np.lexsort(np.round(self.points[rows], 9).T)].ravel())
            for rows in self.structure.rows("batch")
        }
        return len(self.structure.rows("batch")) - len(batches)

    def prediction_error(self, points: np.ndarray) -> np.ndarray:
        """Return the standard error of the predicted mean at points, in units of the slab sd."""
        x = self.basis.matrix(points)
        return np.asarray(np.sqrt(np.einsum("np,np->n", x @ self.inverse, x)))

    @cached_property
    def fraction(self) -> pd.DataFrame:
        error = np.sort(self._over_region["std_error"])
        share = (np.arange(len(error)) + 0.5) / len(error)
        largest = self.least_sure["std_error"].iloc[0]
        return pd.DataFrame({"fraction": [*share, 1.0], "std_error": [*error, largest]})

    @cached_property
    def _over_region(self) -> pd.DataFrame:
        return self._with_error(self.basis.region.sample(FRACTION_POINTS, SAMPLE_SEED))

    @cached_property
    def least_sure(self) -> pd.DataFrame:
        # uniform points hardly ever come near a corner, and errors are largest there
        corners = self.basis.region.vertices(settings=True)
        if len(corners) > MOST_CORNERS:
            corners = corners.sample(MOST_CORNERS, random_state=SAMPLE_SEED)
        inside, edge = self._over_region.assign(corner=False), self._with_error(corners).assign(corner=True)
        found = pd.concat([edge, inside], ignore_index=True)
        return found.loc[[found["std_error"].idxmax()]].reset_index(drop=True)

    def _with_error(self, frame: pd.DataFrame) -> pd.DataFrame:
        return frame.assign(std_error=self.prediction_error(self.basis.points(frame)))

    @cached_property
    def without_batch(self) -> pd.DataFrame:
        names, covariance = self.basis.space.names, np.linalg.inv(self.w)
        potential = set() if self.prior is None else set(self.prior.potential)
        primary = [k for k, name in enumerate(names) if name not in potential]
        whole, root, lines = np.trace(self.inverse), np.linalg.cholesky(self.inverse), []
        for rows in self.structure.rows("batch"):
            keep = np.setdiff1d(np.arange(len(self.x)), rows)
            if self.w[np.ix_(rows, keep)].any():  # errors in common
                x, apart = self.x[keep], covariance[np.ix_(keep, keep)]
                rest = x.T @ np.linalg.solve(apart, x) + self.precision
            else:
                rest = self.information - self.x[rows].T @ self.w[np.ix_(rows, rows)] @ self.x[rows]
            untold: list[str] = []
            larger = np.inf
            if np.linalg.eigvalsh(root.T @ rest @ root).min() > 1e-9:
                larger = float(np.sqrt(np.trace(np.linalg.inv(rest)) / whole) - 1)
            else:
                told = independent(self.basis.raw(self.points[keep]), [*primary, *range(len(names))])
                untold = [names[k] for k in primary if k not in told] or [names[primary[-1]]]
            lines.append([", ".join(self.trials[k] for k in rows), untold, larger])
        return pd.DataFrame(lines, columns=["trials", "untold", "larger"])

    @property
    def if_lost(self) -> str:
        """What the loss of one batch would cost, in words; empty where there is only one."""
        table = self.without_batch
        if len(table) < 2:
            return ""
        lost = table[table["untold"].map(len) > 0]
        if lost.empty:
            worst, hard = table.loc[table["larger"].idxmax()], int((table["larger"] > 1).sum())
            if not hard:
                return (
                    f"Any one batch may be lost: the average error would be larger by {100 * worst['larger']:.0f} % at most "
                    f"({worst['trials']})."
                )
            more = f", and more than twice as large without any of {hard - 1} others" if hard > 1 else ""
            return (
                f"Without the batch of {worst['trials']} the average error would be {number(1 + worst['larger'], 2)} times as large"
                f"{more}: if such a batch is lost, make it again, or plan a batch more."
            )
        worst = lost.loc[lost["untold"].map(len).idxmax()]
        terms = first_few([repr(name) for name in worst["untold"]], 4)
        more = f"; so with {counted(len(lost) - 1, 'other batch')}" if len(lost) > 1 else ""
        return (
            f"If the batch of {worst['trials']} is lost, {terms} cannot be told from other terms{more}. Plan a batch more, or "
            "make a lost one again."
        )

    @cached_property
    def power(self) -> pd.DataFrame:
        columns = [
            "response",
            "factor",
            "from",
            "to",
            "level",
            "std_error",
            "df",
            "matters",
            "power",
            "smallest",
            "unit",
        ]
        brief = self.basis.region.brief
        contrasts = factor_contrasts(self.basis)
        levels = self._levels
        lines = []
        for response in brief.responses:
            slab = (response.sd_slab or 0.0) ** 2 + (response.sd_reading or 0.0) ** 2 / response.readings
            if slab <= 0:
                continue
            ratios = dict(self.structure.ratios)
            if response.sd_batch is not None:
                ratios["batch"] = response.sd_batch**2 / slab
            w = self.structure.weight(ratios)
            inverse = np.linalg.inv(self.x.T @ w @ self.x + self.precision)
            for row in contrasts.itertuples(index=False):
                ends = self.basis.matrix(np.vstack([row.start, row.end]))
                step = ends[1] - ends[0]
                if not np.abs(step).max() > 1e-9:
                    continue  # a factor without a term in this model
                error = float(np.sqrt(step @ inverse @ step * slab))
                level = levels[row.factor]
                df = level_degrees(self.structure, self.degrees_of_freedom, level)
                chance = (
                    np.nan if response.matters is None else power_of_difference(response.matters, error, df)
                )
                least = smallest_difference(error, df)
                lines.append(
                    [
                        response.name,
                        row.factor,
                        row[1],
                        row[2],
                        level,
                        error,
                        df,
                        response.matters,
                        chance,
                        least,
                        response.unit,
                    ]
                )
        return pd.DataFrame(lines, columns=columns)

    @property
    def without_power(self) -> str:
        """Which responses the table of power leaves out and why, in words; empty where there are none."""
        named = set(self.power["response"])
        lost = [part.name for part in self.basis.region.brief.responses if part.name not in named]
        if not lost:
            return ""
        return (
            f"Without sd_slab and sd_reading in the brief nothing is said of the power for {', '.join(lost)}."
        )

    @property
    def has_slabs(self) -> bool:
        """Whether any batch gives more than one slab."""
        return len(self.structure.rows("batch")) < self.structure.n

    # ---- efficiency -----------------------------------------------------------------------------

    def score(self, criterion: str) -> float:
        """Return the score on a criterion: log det / p for D, minus the log of the trace for A and I."""
        return score(self.information, self._weight(criterion))

    def _weight(self, criterion: str) -> np.ndarray | None:
        return {"D": None, "I": np.eye(len(self.information)), "A": self.basis.a_weight}[criterion]

    @cached_property
    def _levels(self) -> dict[str, str]:
        """The level at which each factor changes; ingredients that the parts of a base mixing share, with the base."""
        inner = {"slab"} if self.has_slabs else set()
        out = level_of(self.basis.region, {*self.structure.groups, *inner})
        bases = self.structure.rows("base") if "base" in self.structure.groups else []
        for k, name in enumerate(self.basis.variables):
            alike = all(np.ptp(self.points[rows, k]) == 0 for rows in bases)
            if bases and alike and name in self.basis.region.brief.ingredient_names:
                out[name] = "base"
        return out

    @cached_property
    def _candidates(self) -> Candidates:
        return Candidates.build(
            self.basis, level_variables(self.basis, self._levels), np.random.default_rng(CANDIDATE_SEED)
        )

    def limit(self, criterion: str, gap: float = 1e-3) -> Limit | None:
        """Return how good a plan with these batches could be, or None where no limit is derived.

        The design point is a whole batch with its slabs. None is derived where press loads, days, blocks
        or split base mixings share errors across batches.
        """
        if not self.structure.nested_batches:
            return None
        seed = np.random.SeedSequence([CANDIDATE_SEED, CRITERIA.index(criterion)])
        start = self._inside()
        weight = self._weight(criterion)
        return upper_limit(
            self.basis, self._candidates, self.structure, weight, self.precision, start, seed, gap=gap
        )

    def _inside(self) -> np.ndarray:
        """A design inside the region that estimates all terms: the plan's own where it is one."""
        if self.basis.region.contains(self.basis.frame(self.points)).all():
            return self.points
        problem = Problem(self.basis, self._candidates, self.structure, self.precision, None)
        return search(problem, np.random.SeedSequence(CANDIDATE_SEED), starts=2, polish=False).points

    @cached_property
    def efficiencies(self) -> pd.DataFrame:
        lines = []
        for criterion in along(self.criteria, "bounding", words=self.criteria):
            limit = self.limit(criterion)
            if limit is None:
                words = "none derived for batches that share loads, days, blocks or base mixings"
                lines.append([criterion, np.nan, np.nan, np.nan, False, words])
            else:
                efficiency = limit.efficiency(self.score(criterion))
                lines.append([criterion, efficiency, limit.largest, limit.gap, limit.proven, limit.words])
        return pd.DataFrame(lines, columns=["criterion", "efficiency", "largest", "gap", "proven", "limit"])

    # ---- all together ---------------------------------------------------------------------------

    @cached_property
    def summary(self) -> pd.Series:
        p = self.x.shape[1]
        values = {
            "trials": float(self.structure.n),
            "batches": float(len(self.structure.rows("batch"))),
            "terms": float(p),
            "log_det": float(np.linalg.slogdet(self.information)[1] / p),
            "A": float(np.sum(self.basis.a_weight * self.inverse)),
            "I": float(np.trace(self.inverse)),
            "average_error": float(np.sqrt(np.trace(self.inverse))),
            "largest_error_seen": float(self.fraction["std_error"].iloc[-1]),
            "condition": float(np.sqrt(np.linalg.cond(self.information))),
            "repeats": float(self.repeats),
        }
        return pd.Series(values, name="value")

    def at_ratios(self, ratios: Mapping[str, float]) -> Judgement:
        """Return the same plan judged under other variance ratios."""
        structure = Structure(self.structure.n, self.structure.groups, {**self.structure.ratios, **ratios})
        return Judgement(
            self.basis,
            self.points,
            structure,
            self.trials,
            source="variance ratios given",
            prior=self.prior,
            criteria=self.criteria,
            notes=self.notes,
        )

    def under_ratios(
        self, level: str = "batch", values: Sequence[float] = (0.1, 0.5, 1, 2, 10)
    ) -> pd.DataFrame:
        """Return the average error and the criteria under several ratios of one level.

        Returns
        -------
        DataFrame
            ratio, D (score), A, I, average_error.
        """
        lines = []
        for value in values:
            other = self.at_ratios({level: value})
            lines.append(
                [
                    value,
                    other.score("D"),
                    np.exp(-other.score("A")),
                    np.exp(-other.score("I")),
                    np.exp(-other.score("I") / 2),
                ]
            )
        return pd.DataFrame(lines, columns=["ratio", "D", "A", "I", "average_error"])

    # ---- words ----------------------------------------------------------------------------------

    @property
    def verdict(self) -> str:
        """One sentence: what this plan can tell."""
        s = self.summary
        left = int(self.degrees_of_freedom["df"].sum())
        primary = beside = leaning = ""
        if self.prior is not None:
            primary = f"{int(s.terms) - len(self.prior.potential)} primary of "
            beside = f" beside the {int(s.trials) - left} that can be told without a prior"
            leaning = ", if potential terms are as near to 0 as is taken; without that it would be larger"
        text = (
            f"{counted(int(s.trials), 'trial')} in {counted(int(s.batches), 'batch')} carry {primary}{counted(int(s.terms), 'term')} "
            f"with {counted(left, 'degree')} of freedom left{beside}; a predicted mean has a standard error of "
            f"{number(s.average_error, 3)} slab sds on average{leaning}."
        )
        if (self.degrees_of_freedom.query("level == 'batch'")["df"] == 0).any():
            text += (
                " None is left between batches: how far they differ must be guessed, and no chance to see what changes with "
                "them can be told. Add batches, or choose a smaller model."
            )
        if "efficiencies" in self.__dict__:
            best = self.efficiencies.iloc[0]
            if best["efficiency"] == best["efficiency"]:
                text += f" Its {best['criterion']} efficiency is {100 * best['efficiency']:.1f} %."
        return text

    @property
    def untold(self) -> list[str]:
        """Potential terms of which the trials tell less than half of what was assumed."""
        if self.prior is None:
            return []
        return self.terms.loc[self.terms["learnt"] < 0.5, "term"].tolist()

    def __repr__(self) -> str:
        s = self.summary
        return f"Judgement({int(s.trials)} trials, {int(s.terms)} terms, average error {number(s.average_error, 3)})"

    def __str__(self) -> str:
        tables = {
            f"Terms, errors in slab sds{self._of_the_prior}": self.terms,
            "What is left": self.degrees_of_freedom,
        }
        if "efficiencies" in self.__dict__:
            tables["Against the best that could be"] = self.efficiencies
        if len(self.power):
            tables[f"{POWER}, in the unit of each response"] = self.power
        texts = []
        for title, frame in tables.items():
            text = headed(frame).to_string(index=False, float_format=lambda v: number(v, 3), na_rep="–")
            texts.append("\n".join([title, *("  " + line for line in text.splitlines())]))
        parts = [self.verdict, *self.notes, self.told_words, self.if_lost, *texts, self.without_power]
        return "\n\n".join(part for part in parts if part)

    @property
    def _of_the_prior(self) -> str:
        return "" if self.prior is None else "; the prior tells something too, so that a VIF may be below 1"

    @property
    def told_words(self) -> str:
        """What the trials tell of the potential terms, in words; empty without any."""
        if self.prior is None:
            return ""
        few = self.untold
        told = [n for n in self.prior.potential if n not in few]
        rank = int(np.linalg.matrix_rank(self.x, tol=1e-8 * max(1.0, np.abs(self.x).max())))
        parts = [f"Told by these trials, of the potential terms: {first_few(told, 8) or 'none'}."]
        if few:
            parts.append(f"Hardly told, mostly assumed near 0: {first_few(few, 8)}.")
        if rank < self.x.shape[1]:
            mixed = _confused(self.basis, self.x, rank)
            parts.append(
                f"Without the prior only {rank} of {self.x.shape[1]} terms could be estimated; "
                f"not apart from each other: {first_few(mixed, 8)}."
            )
        return " ".join(parts)

    def _repr_html_(self) -> Markup:
        lines = self.summary.reset_index().set_axis(["figure", "value"], axis=1)
        words = [*self.notes, self.told_words, self.if_lost, self.without_power]
        said = Markup("".join(f"<p>{escape(note)}</p>" for note in words if note))
        parts = [said, table(headed(self.degrees_of_freedom))]
        if "efficiencies" in self.__dict__:
            parts.append(table(self.efficiencies))
        heading = f"{counted(len(self.terms), 'term')}, errors in slab sds{self._of_the_prior}"
        parts.append(fold(heading, table(headed(self.terms), rows=60, digits=3)))
        if len(self.power):
            parts.append(fold(POWER, table(headed(self.power), rows=60, digits=3)))
        for level in self.structure.random:
            shown = fold(
                f"Under other variance ratios: {level}", table(headed(self.under_ratios(level)), digits=3)
            )
            parts.append(shown)
        parts.append(fold("Leverage", table(self.leverage.reset_index(), rows=60, digits=3)))
        parts.append(fold("All figures", table(lines, rows=30)))
        return panel("What this plan can tell", self.verdict, *parts)


def judge(
    brief: Brief,
    frame: pd.DataFrame,
    *,
    model: str | None = None,
    setting_model: str | None = None,
    crossed: str | None = None,
    ratios: Mapping[str, float] | None = None,
) -> Judgement:
    """Return what trials that never had a plan can tell, such as a history.

    Terms that they cannot tell apart are left out, the later ones of the model first, and named in the notes.

    Parameters
    ----------
    brief : Brief
    frame : DataFrame
        The brief's columns; with trial, batch, load, day, block where known. Several rows of one trial
        are readings of one slab and count once.

    Raises
    ------
    PlanError
        If there are no trials, or not even one term can be told.
    """
    from formlab.plans.plan import Plan

    if not len(frame):
        raise PlanError(
            "There are no trials to judge. Give a frame with the brief's columns, one row a trial."
        )
    rows = frame.drop_duplicates("trial") if "trial" in frame else frame
    plan = Plan.from_frame(
        brief, rows, model=model, setting_model=setting_model, crossed=crossed, kind="history", ratios=ratios
    )
    notes = []
    kept, lost = _told_apart(plan.basis, plan.basis.points(plan.frame))
    if not kept:
        raise PlanError(
            "These trials tell no term of the model: they are all alike or at zero. Vary something."
        )
    if lost:
        plan.space = plan.space.subset(kept)
        plan.__dict__.pop("basis", None)
        notes.append(lost_words(lost, len(kept) + len(lost), len(plan.frame)))
    inside = Region.from_brief(brief).contains(plan.frame)
    if not inside.all():
        notes.append(
            f"{int((~inside).sum())} of {len(inside)} trials lie outside the region of today's brief."
        )
    out = plan.judge()
    out.notes = [*notes, *out.notes]
    return out


def _told_apart(basis: Basis, points: np.ndarray) -> tuple[list[str], list[str]]:
    """Terms in model order that each add something to those before, and those that do not."""
    names = basis.space.names
    kept = independent(basis.raw(points), range(len(names)))
    return [names[k] for k in kept], [n for k, n in enumerate(names) if k not in kept]


def unused_levels(basis: Basis, points: np.ndarray) -> list[str]:
    """Return in words which categories no trial uses."""
    out = []
    for k, (name, levels) in enumerate(basis.categories.items()):
        used = set(points[:, len(basis.numeric) + k].astype(int))
        never = [level for j, level in enumerate(levels) if j not in used]
        if never:
            out.append(f"No trial uses {name} = {', '.join(map(repr, never))}; nothing can be said about it.")
    return out


def _singular_words(basis: Basis, x: np.ndarray, points: np.ndarray, rank: int) -> str:
    """Which terms these trials cannot tell apart, in words."""
    p = x.shape[1]
    shown = first_few([repr(n) for n in _confused(basis, x, rank)], 8)
    never = " ".join(unused_levels(basis, points))
    return (
        f"{len(x)} trials carry only {rank} of {p} terms: {shown} cannot be told apart. {never}{' ' if never else ''}"
        f"Add at least {counted(p - rank, 'trial')} that var{'ies' if p - rank == 1 else 'y'} them separately, or judge a smaller model."
    )


def _confused(basis: Basis, x: np.ndarray, rank: int) -> list[str]:
    """Terms whose columns depend on others in these trials."""
    _, _, right = np.linalg.svd(x, full_matrices=True)
    loads = np.abs(basis.transform @ right[rank:].T).max(axis=1)
    loads /= loads.max()
    return [n for n, load in zip(basis.space.names, loads) if load > 1e-3]
