"""A plan: trials in run order with their batches, loads and blocks, and the model they are meant for."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cached_property
from typing import Any

import pandas as pd

from formlab.brief import Brief
from formlab.errors import PlanError
from formlab.html import Markup, fold, panel, table
from formlab.plans.basis import Basis
from formlab.plans.judge import Judgement
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
    ) -> None:
        self.brief, self.frame, self.space = brief, frame, space
        self.kind, self.criterion, self.seed = kind, criterion, seed
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

        Missing columns are filled in: trial and run_order by row, one batch a row, round 1, today's brief_id.

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
                f"Trial {twice.iloc[0]!r} occurs more than once. A trial is one slab with its own id."
            )
        for column in ("load", "day", "base", "block", "role"):
            if column in frame:
                head[column] = frame[column]
        head["run_order"] = frame["run_order"] if "run_order" in frame else list(rows)
        head["round"] = frame.get("round", 1)
        head["brief_id"] = frame.get("brief_id", brief.brief_id)
        out = pd.concat([head, full], axis=1).sort_values("run_order", kind="stable").reset_index(drop=True)
        return cls(brief, out, ModelSpace(brief, model, setting_model, crossed), kind=kind, **about)

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

    def __len__(self) -> int:
        return len(self.frame)

    def judge(self, ratios: Mapping[str, float] | None = None) -> Judgement:
        """Return what the plan can tell, see `Judgement`.

        Parameters
        ----------
        ratios : mapping of str to float, optional
            Other variance ratios of block, day, base, batch, load over a slab as measured.

        Raises
        ------
        PlanError
            If the trials cannot carry the model; it names the terms.
        """
        given = {**self.ratios, **(ratios or {})}
        default_ratios(self.brief, ratios)
        structure = Structure.from_frame(self.frame, given)
        points = self.basis.points(self.frame)
        return Judgement(self.basis, points, structure, self.frame["trial"].tolist(), self.ratio_source)

    # ---- eyes -----------------------------------------------------------------------------------

    def __repr__(self) -> str:
        batches = self.frame["batch"].nunique()
        seed = "" if self.seed is None else f", seed {self.seed}"
        return f"Plan({self.kind}: {len(self)} trials in {batches} batches x {len(self.brief.columns)} columns{seed})"

    def __str__(self) -> str:
        return "\n".join([repr(self), *self.notes])

    @property
    def verdict(self) -> str:
        criterion = f", criterion {self.criterion}" if self.criterion else ""
        return (
            f"{len(self)} trials in {self.frame['batch'].nunique()} batches for {len(self.space)} terms "
            f"({self.kind}{criterion})."
        )

    def _repr_html_(self) -> Markup:
        shown = self.frame.drop(columns=["brief_id", *self.brief.fixed])
        notes = Markup("").join(
            Markup(f"<p>{Markup(panel_text)}</p>") for panel_text in map(_escaped, self.notes)
        )
        return panel(
            self.brief.title or "Plan",
            self.verdict,
            Markup(notes),
            table(shown),
            fold("All trials", table(shown, rows=500)) if len(shown) > 10 else Markup(""),
        )


def _escaped(text: str) -> Markup:
    from formlab.html import escape

    return escape(text)
