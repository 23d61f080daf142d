"""What a report tells of: what was given, what is worked out from it, and why any of it is missing."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import pandas as pd

from formlab.brief import Brief
from formlab.errors import FormlabError

__all__ = ["Story", "story_of", "was_read"]


@dataclass
class Story:
    """What the report tells of, and why any of it is missing."""

    brief: Brief
    series: Any
    trials: pd.DataFrame | None
    plan: Any
    surfaces: Any
    answer: Any
    kind: str
    seed: int | None
    missing: dict[str, str] = field(default_factory=dict)


def story_of(
    question: Any, trials: Any, surfaces: Any, answer: Any, plan: Any, kind: str, confidence: float | None,
    seed: int | None, begin: Callable[[int, str], None],
) -> Story:  # fmt: skip
    from formlab.suggest import ledger_of, suggest
    from formlab.surfaces import fit

    series = None if isinstance(question, Brief) else question
    if series is not None and not isinstance(getattr(series, "brief", None), Brief):
        raise FormlabError(
            f"A report is made of a series or a brief; it was given {type(question).__name__}. "
            "Open the folder with open_series first."
        )
    brief = question if series is None else series.brief
    story = Story(brief, series, trials, plan, surfaces, answer, kind, seed)
    planned = series is not None and series.has_plan

    def make(place: int, name: str, can: bool, how: Callable[[], Any]) -> None:
        if getattr(story, name) is None and can:
            begin(place, name)
            try:
                setattr(story, name, how())
            except FormlabError as error:
                story.missing[name] = str(error)

    if planned:
        make(0, "plan", True, question.plan)
        make(0, "trials", True, question.trials)
    make(1, "surfaces", was_read(story), lambda: fit(brief, story.trials, kind=kind, seed=seed))
    kept = () if series is None or story.trials is None else series.promises()
    make(2, "answer", story.surfaces is not None,
         lambda: suggest(brief, story.surfaces, confidence=confidence, seed=seed,
                         ledger=ledger_of(brief, kept, story.trials) if len(kept) else None))  # fmt: skip
    return story


def was_read(story: Story) -> bool:
    """Whether anything was measured."""
    trials, names = story.trials, story.brief.response_names
    return trials is not None and bool(trials.reindex(columns=names).notna().any(axis=None))
