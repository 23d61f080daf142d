"""The report as one page: the verdict first, then everything that it rests on."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

import pandas as pd

from formlab.errors import FormlabError
from formlab.html import Markup, escape
from formlab.progress import showing
from formlab.report.paper import STYLE, said, section
from formlab.report.sections import first, sections
from formlab.report.story import Story, story_of

__all__ = ["report"]


def report(
    question: Any,
    trials: pd.DataFrame | None = None,
    surfaces: Any = None,
    answer: Any = None,
    *,
    plan: Any = None,
    kind: str = "auto",
    confidence: float | None = None,
    count: int = 4,
    seed: int | None = 1,
    progress: bool | None = None,
) -> str:
    """Return a whole job as one HTML page that prints well on A4; a browser makes the PDF.

    What is not given is worked out: the trials and the plan come from the series, surfaces from the trials, the
    suggestion from the surfaces. A part that cannot be made yet says why.

    Parameters
    ----------
    question : Series or Brief
        A series folder, or a brief alone for work in memory.
    trials : DataFrame, optional
        One row a reading, as ``series.trials()`` returns it.
    surfaces : Surfaces, optional
        Fitted to `trials`.
    answer : Suggestion, optional
        Made from `surfaces`.
    plan : Plan, optional
        The plan of the series where left out.
    kind : str
        Kind of surface, as for `formlab.fit`.
    confidence : float, optional
        Required probability, 0 to 1, as for `formlab.suggest`.
    count : int
        Number of batches proposed as next trials.
    seed : int, optional
        Of everything that is drawn at random.
    progress : bool, optional
        Whether to show a progress bar; where left out, at a terminal or in a notebook once it has taken a second.

    Returns
    -------
    str
        HTML that fetches nothing.

    Raises
    ------
    FormlabError
        If `question` is neither a series nor a brief.

    Examples
    --------
    >>> from formlab.brief import Brief
    >>> brief = Brief.model_validate({
    ...     "ingredient": [{"name": "rubber", "role": "rubber"}, {"name": "oil", "role": "oil", "low": 5, "high": 25}],
    ...     "response": [{"name": "hardness", "unit": "Shore A", "at_most": 60}],
    ... })
    >>> page = report(brief)
    >>> page[:15], "Waits for surfaces." in page
    ('<!doctype html>', True)
    """
    chapters = sections(count)
    with showing("report", len(chapters) + 3, progress) as work:
        story = story_of(question, trials, surfaces, answer, plan, kind, confidence, seed, work.at)
        parts = [first(story)]
        units = [story.brief.unit(n) for n in (*story.brief.response_names, *story.brief.setting_names)]
        for k, (title, write) in enumerate(chapters, 1):
            work.at(k + 2, title)
            parts.append(section(f"{k}  {title}", _tried(write, story), units))
    title = story.brief.title or "Trial series"
    return (
        f"<!doctype html>\n<html lang='en'><head><meta charset='utf-8'><meta name='viewport' "
        f"content='width=device-width'><title>{escape(title)}: report</title><style>{STYLE}</style></head>\n"
        f"<body><main>{''.join(parts)}</main></body></html>\n"
    )


def _tried(write: Callable[[Story], Iterable[Markup]], story: Story) -> list[Markup]:
    """What a section says, or in its place why it cannot."""
    out = []
    try:
        for part in write(story):
            out.append(part)
    except FormlabError as error:
        out.append(said([f"Left out: {error}"]))
    return out
