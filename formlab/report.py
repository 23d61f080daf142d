"""The report: one page that holds a series from the question to the next trials, for paper and for the file.

The verdict comes first, then everything it rests on, in the order in which the data came to be. Nothing is
computed here that has no name elsewhere, and nothing is fetched: pictures and styles stand in the page.
"""

from __future__ import annotations

import base64
import hashlib
import io
import platform
import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from importlib.metadata import version
from typing import Any

import numpy as np
import pandas as pd

from formlab.brief import Brief
from formlab.cautions import cautions_for, cautions_html
from formlab.errors import FormlabError
from formlab.html import Markup, escape, number, table
from formlab.region import Region

__all__ = ["report"]

FILES = ("brief.toml", "plan.csv", "results.csv", "weighed.csv", "history.csv", "prices.csv")
PACKAGES = ("formlab", "numpy", "scipy", "pandas", "scikit-learn", "statsmodels", "matplotlib")
WIDE = 98  # characters across A4 in a table; wider ones are broken and repeat their first column
LONG = 22  # characters of a word that may not be broken
WAITS = "Waits for surfaces."


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
    story = _story(question, trials, surfaces, answer, plan, kind, confidence, seed)
    parts = [_first(story)]
    for k, (title, write) in enumerate(_sections(count), 1):
        parts.append(_section(f"{k}  {title}", _tried(write, story)))
    title = story.brief.title or "Trial series"
    return (
        f"<!doctype html>\n<html lang='en'><head><meta charset='utf-8'><meta name='viewport' "
        f"content='width=device-width'><title>{escape(title)}: report</title><style>{STYLE}</style></head>\n"
        f"<body><main>{''.join(parts)}</main></body></html>\n"
    )


# ---- what there is ------------------------------------------------------------------------------


@dataclass
class _Story:
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


def _story(
    question: Any, trials: Any, surfaces: Any, answer: Any, plan: Any, kind: str, confidence: float | None,
    seed: int | None,
) -> _Story:  # fmt: skip
    from formlab.plans import Plan
    from formlab.suggest import suggest
    from formlab.surfaces import fit

    series = None if isinstance(question, Brief) else question
    if series is not None and not isinstance(getattr(series, "brief", None), Brief):
        raise FormlabError(
            f"A report is made of a series or a brief; it was given {type(question).__name__}. "
            "Open the folder with open_series first."
        )
    brief = question if series is None else series.brief
    story = _Story(brief, series, trials, plan, surfaces, answer, kind, seed)
    planned = series is not None and series.has_plan

    def make(name: str, can: bool, how: Callable[[], Any]) -> None:
        if getattr(story, name) is None and can:
            try:
                setattr(story, name, how())
            except FormlabError as error:
                story.missing[name] = str(error)

    make("plan", planned, lambda: Plan.from_frame(brief, series.plan_frame()))
    make("trials", planned, lambda: series.trials())
    make("surfaces", _read(story), lambda: fit(brief, story.trials, kind=kind, seed=seed))
    make("answer", story.surfaces is not None,
         lambda: suggest(brief, story.surfaces, confidence=confidence, seed=seed))  # fmt: skip
    return story


def _read(story: _Story) -> bool:
    """Whether anything was measured."""
    trials, names = story.trials, story.brief.response_names
    return trials is not None and bool(trials.reindex(columns=names).notna().any(axis=None))


# ---- the parts ----------------------------------------------------------------------------------


def _first(story: _Story) -> Markup:
    """The head: title, verdict, what it saves, what to know before acting."""
    title = story.brief.title or "Trial series"
    made = datetime.now(UTC).strftime("%Y-%m-%d %H:%M UTC")
    folder = "" if story.series is None else f"Series {story.series.path.name}. "
    head = f"<header><p class='kind'>Report of a trial series</p><h1>{escape(title)}</h1><p>{escape(folder)}Made {made}.</p></header>"
    if story.answer is None:
        reason = story.missing.get("answer") or story.missing.get("surfaces")
        verdict = "No suggestion yet: " + (reason or "nothing has been measured.")
        return Markup(f"{head}<div class='verdict'><p>{escape(verdict)}</p></div>")
    saved = _against_today(story.answer)
    grave = [f"{n}: {s.warnings_[0]}" for n, s in story.surfaces.items() if s.warnings_]
    inside = f"<p><b>{escape(story.answer.verdict)}</b></p>{_said(saved)}"
    if grave:
        inside += f"<p>Before acting, the gravest remark on each surface:</p>{_listed(grave)}"
    return Markup(f"{head}<div class='verdict'>{inside}</div>")


def _against_today(answer: Any) -> list[str]:
    if answer.current is None:
        return []
    costs = answer.current[[str(name).startswith("cost ") for name in answer.current.index]]
    return [f"Against today, {name}: {number(line['today'])} becomes {number(line['suggested'])}."
            for name, line in costs.iterrows()]  # fmt: skip


def _sections(count: int) -> list[tuple[str, Callable[[_Story], Iterable[Markup]]]]:
    return [
        ("What is asked", _asked),
        ("What is allowed", _allowed),
        ("The plan, and how good it could be", _planned),
        ("As measured", _measured),
        ("Surfaces, and how far to trust them", _surfaces),
        ("What to make", _suggested),
        ("How far it may stray", _window),
        ("Next trials", lambda story: _next(story, count)),
        ("Cautions", _cautions),
        ("Where the numbers come from", _sources),
    ]


def _tried(write: Callable[[_Story], Iterable[Markup]], story: _Story) -> list[Markup]:
    """What a section says, or in its place why it cannot."""
    said = []
    try:
        for part in write(story):
            said.append(part)
    except FormlabError as error:
        said.append(_said([f"Not here: {error}"]))
    return said


def _asked(story: _Story) -> Iterable[Markup]:
    brief = story.brief
    lines = [[r.title, r.unit, r.target_text, r.importance, r.readings] for r in brief.responses]
    yield _table(pd.DataFrame(lines, columns=["response", "unit", "target", "importance", "readings a slab"]))
    if brief.ingredients:
        lines = [brief._ingredient_line(part) for part in brief.ingredients]
        heads = ["ingredient", "role", "range", "today", "unit", "g/cm³", f"{brief.currency}/kg"]
        yield _table(pd.DataFrame(lines, columns=heads))
    if brief.settings:
        lines = [[s.title, s.unit, s.range_text, s.changes] for s in brief.settings]
        yield _table(pd.DataFrame(lines, columns=["setting", "unit", "range", "changes with"]))
    if brief.limits:
        yield _said(["Limits: " + "; ".join(limit.expression for limit in brief.limits) + "."])


def _allowed(story: _Story) -> Iterable[Markup]:
    region = Region.from_brief(story.brief).check()
    yield _said([f"{region}.", *region.flat()])
    ranges = region.implied_ranges()
    ranges = ranges[ranges["low"] < ranges["high"]].rename(index=story.brief.title_of)
    yield _table(ranges.rename(columns={"implied_low": "low left", "implied_high": "high left"}).reset_index())
    if 2 <= len(ranges) <= 6:
        from formlab.figures import region_pairs

        marked = None if story.plan is None else story.plan.frame
        yield _picture(lambda: region_pairs(region, marked), "What ranges and limits leave, two factors at a time.")


def _planned(story: _Story) -> Iterable[Markup]:
    if story.plan is None:
        yield _said([story.missing.get("plan", "No plan yet.")])
        return
    from formlab.figures import plan_layout, prediction_error

    judged = story.plan.judge(limit=True)
    yield _said([story.plan.verdict, judged.verdict, *judged.notes, *story.plan.notes])
    yield _table(judged.efficiencies, "How near it is to the best that could be, by criterion")
    yield _table(judged.degrees_of_freedom, "Degrees of freedom")
    if len(judged.power):
        yield _table(judged.power, "Chance to see the differences that matter")
    yield _picture(lambda: prediction_error(judged), "Standard error of a predicted mean over the region.", "small")
    yield _picture(lambda: plan_layout(story.plan), "Trials in the order of making; today's formula dashed.")


def _measured(story: _Story) -> Iterable[Markup]:
    if not _read(story):
        yield _said([story.missing.get("trials", "Nothing has been measured yet.")])
        return
    brief, trials = story.brief, story.trials
    assert trials is not None
    frame = trials if "trial" in trials else trials.assign(trial=[f"row {k}" for k in range(1, len(trials) + 1)])
    here = [n for n in brief.response_names if n in frame]
    factors = [n for n in [*brief.varied, *brief.setting_names] if n in frame]
    keys = [c for c in ("batch", "load") if c in frame]
    by = frame.groupby("trial", sort=False)
    made = by[[*keys, *factors]].first()
    read = by[here].mean().assign(readings=by[here].count().max(axis=1))
    entries = _entries(story.series)
    if entries:
        read["journal"] = [entries.get(str(trial), "") for trial in read.index]
    units = {n: f"{n}, {brief.unit(n)}" if brief.unit(n) else n for n in [*factors, *here]}
    yield _said([f"{len(frame)} readings of {len(read)} trials; each figure is the mean of a slab's readings.", *_limits(frame, here)])
    yield _table(made.join(read).rename(columns=units).reset_index())
    if "status" in frame:
        odd = frame[frame["status"].ne("ok")].reindex(columns=["trial", "batch", "session", "status", "note"])
        if len(odd):
            yield _table(odd.dropna(axis=1, how="all").fillna(""), "Not ok, pending or set aside")


def _limits(frame: pd.DataFrame, names: Sequence[str]) -> list[str]:
    count = sum(int(frame[f"{n}_censored"].notna().sum()) for n in names if f"{n}_censored" in frame)
    return [f"{count} of the values are limits (written < or >) and stand as such."] if count else []


def _surfaces(story: _Story) -> Iterable[Markup]:
    surfaces = story.surfaces
    if surfaces is None:
        yield _said([story.missing.get("surfaces", "Nothing has been measured yet.")])
        return
    from formlab.figures import observed_predicted, traces

    if surfaces.warnings_:
        yield _listed(surfaces.warnings_)
    shown = surfaces.summary.reset_index()
    names = ["response", "kind", "scale", "trials", "batches", "terms", "r2", "r2_predicted", "s"]
    heads = {"r2": "R²", "r2_predicted": "R² of batches left out", "s": "error (sd)"}
    yield _table(shown[[n for n in names if n in shown]].rename(columns=heads), "How well each follows the trials")
    yield _table(_coefficients(surfaces), "Coefficients ± standard error, on the scale of the fit")
    yield _picture(lambda: _two_abreast(observed_predicted, list(surfaces.values())), "Measured against fitted.")
    yield _picture(lambda: traces(surfaces), "Every response along every factor; bands are 95 % of the mean.")


def _two_abreast(draw: Callable[..., Any], things: Sequence[Any]) -> Any:
    from matplotlib import pyplot as plt

    rows = -(-len(things) // 2)
    figure, grid = plt.subplots(rows, 2, figsize=(9.2, 4.6 * rows), layout="constrained", squeeze=False)
    for ax, thing in zip(grid.ravel(), things):
        draw(thing, ax)
    for ax in grid.ravel()[len(things) :]:
        ax.set_axis_off()
    return grid


def _coefficients(surfaces: Any) -> pd.DataFrame:
    columns = {}
    for name, surface in surfaces.items():
        lines = surface.coefficients
        texts = [f"{number(e, 3)} ± {number(s, 2)}" for e, s in zip(lines["estimate"], lines["std_error"])]
        columns[name] = pd.Series(texts, index=lines["term"])
    return pd.DataFrame(columns).fillna("").rename_axis("term").reset_index()


def _suggested(story: _Story) -> Iterable[Markup]:
    answer, brief = story.answer, story.brief
    if answer is None:
        yield _said([story.missing.get("answer", WAITS)])
        return
    from formlab.figures import cost_conformance, predicted_against_targets

    yield _said([answer.verdict])
    lines = [[brief.title_of(str(n)), number(v), brief.amount_unit] for n, v in answer.formula.items()]
    lines += [[brief.title_of(str(n)), number(v), brief.unit(str(n))] for n, v in answer.settings.items()]
    yield _table(pd.DataFrame(lines, columns=["", "amount", "unit"]), "The formula")
    predicted = answer.predicted.rename(columns={"batch_low": "batch low", "batch_high": "batch high"})
    yield _table(predicted.reset_index(), "Predicted: 95 % of the true mean, and of one new batch; chance of each target alone")
    yield _picture(lambda: predicted_against_targets(answer), "Predicted against each target, beside today's formula.")
    yield _table(answer.conformance.table(), "Chance that all targets are met together")
    if answer.current is not None:
        yield _table(answer.current.reset_index(), "Against today")
    if len(answer.binding):
        yield _table(answer.binding.fillna(""), "What holds it there")
    if len(answer.alternatives):
        yield _table(answer.alternatives, "Clearly different, nearly as good")
    if brief.has_costs:
        yield _picture(lambda: cost_conformance(brief, story.surfaces, answer), "What sureness costs.")
    yield _listed(answer.notes)


def _window(story: _Story) -> Iterable[Markup]:
    if story.answer is None:
        yield _said([WAITS if story.surfaces is None else "Waits for a suggestion."])
        return
    from formlab.suggest import operating_window

    window = operating_window(story.brief, story.surfaces, story.answer, confidence=0.80, seed=story.seed)
    wide = bool(np.any(window["plus_minus"] > 0))
    words = "All may stray together as far as this while the chance for the true mean stays at 0.80 or more."
    yield _said([words if wide else "The formula itself is less sure than 0.80, so there is no window about it."])
    if wide:
        yield _table(window.rename(columns={"plus_minus": "±"}).reset_index())


def _next(story: _Story, count: int) -> Iterable[Markup]:
    if story.surfaces is None:
        yield _said([WAITS])
        return
    from formlab.suggest import next_trials

    more = next_trials(story.brief, story.surfaces, story.trials, count=count, seed=story.seed)  # type: ignore[arg-type]
    yield _said(more.notes)
    yield _table(more.frame[["trial", "batch", *story.brief.varied, *story.brief.setting_names]])


def _cautions(story: _Story) -> Iterable[Markup]:
    used = [part for part in story.brief.ingredients if story.brief.ranges[part.name][1] > 0]
    yield cautions_html(cautions_for(used))


def _sources(story: _Story) -> Iterable[Markup]:
    seed = "none" if story.seed is None else story.seed
    yield _said([f"Brief revision {story.brief.brief_id}; surfaces of kind {story.kind!r}; seed {seed}."])
    if story.series is None:
        yield _said(["Made in memory: there is no folder and no journal behind these numbers."])
    else:
        texts = {name: story.series.text(name) for name in FILES}
        lines = [[n, len(t.splitlines()), hashlib.sha256(t.encode()).hexdigest()] for n, t in texts.items() if t is not None]
        yield _table(pd.DataFrame(lines, columns=["file", "lines", "SHA-256"]), "Files read")
        journal = story.series.journal()
        if len(journal):
            yield _table(journal, "Journal; the table of what was measured names the entries of each trial")
        else:
            yield _said(["The journal is empty: the files were put into the folder as they are."])
    made = ", ".join(f"{name} {version(name)}" for name in PACKAGES)
    yield _said([f"Made with {made}; Python {platform.python_version()}."])


def _entries(series: Any) -> dict[str, str]:
    """By trial, the numbers of the journal entries that touched its results."""
    found: dict[str, list[str]] = {}
    if series is None:
        return {}
    for entry in series.journal()["number"]:
        changed = series.changes(int(entry))
        for trial in changed.loc[changed["file"] == "results.csv", "key"].astype(str).unique():
            found.setdefault(trial, []).append(str(entry))
    return {trial: ", ".join(numbers) for trial, numbers in found.items()}


# ---- paper --------------------------------------------------------------------------------------


def _section(title: str, parts: Iterable[Markup]) -> Markup:
    return Markup(f"<section><h2>{escape(title)}</h2>{''.join(parts)}</section>")


def _said(lines: Iterable[Any]) -> Markup:
    return Markup("".join(f"<p>{escape(line)}</p>" for line in lines))


def _listed(lines: Iterable[Any]) -> Markup:
    return Markup("<ul>" + "".join(f"<li>{escape(line)}</li>" for line in lines) + "</ul>")


def _table(frame: pd.DataFrame, title: str = "") -> Markup:
    """A table under its title; one that is wider than the paper is broken and repeats its first column."""
    soft = frame.set_axis([_soft(str(name)) for name in frame.columns], axis=1)
    soft = soft.apply(lambda c: c.map(lambda v: _soft(v) if isinstance(v, str) else v).astype(object))
    tables = "".join(table(soft.iloc[:, piece], rows=len(frame)) for piece in _pieces(frame))
    head = f"<h3>{escape(title)}</h3>" if title else ""
    return Markup(f"<div class='wide'>{head}{tables}</div>")


def _pieces(frame: pd.DataFrame) -> list[list[int]]:
    """Which columns stand beside each other on paper."""
    widths = [
        2 + max(min(len(word), LONG) for text in [name, *column] for word in [*number(text).split(), ""])
        for name, column in ((str(name), frame.iloc[:, k]) for k, name in enumerate(frame.columns))
    ]
    pieces, used = [[0]], widths[0]
    for k in range(1, len(widths)):
        if used + widths[k] > WIDE:
            pieces.append([0])
            used = widths[0]
        pieces[-1].append(k)
        used += widths[k]
    return pieces


def _soft(text: str) -> Markup:
    """Text that may be broken inside words which no column could hold."""
    parts = re.split(rf"(\S{{{LONG}}})(?=\S)", text)
    return Markup("".join(escape(part) + ("<wbr>" if k % 2 else "") for k, part in enumerate(parts)))


def _picture(draw: Callable[[], Any], words: str, kind: str = "") -> Markup:
    """What a figure function draws, as a picture in the page."""
    from matplotlib import pyplot as plt

    with plt.style.context("default"), plt.ioff():
        drawn = draw()
        figure = np.atleast_1d(np.asarray(drawn, dtype=object)).ravel()[0].figure
        file = io.BytesIO()
        figure.savefig(file, format="png", dpi=150, metadata={"Software": None})
        plt.close(figure)
    data = base64.b64encode(file.getvalue()).decode()
    return Markup(
        f"<figure class='{kind}'><img alt='{escape(words)}' src='data:image/png;base64,{data}'>"
        f"<figcaption>{escape(words)}</figcaption></figure>"
    )


STYLE = """
@page { size: A4 portrait; margin: 15mm 14mm 16mm; @bottom-right { content: counter(page) " / " counter(pages); font: 8pt sans-serif; } }
* { box-sizing: border-box; }
html { color-scheme: light; }
body { margin: 0; background: #f1efec; color: #2a2d33; font: 10pt/1.4 "DejaVu Sans", Verdana, Arial, sans-serif; }
main { max-width: 210mm; margin: 0 auto; padding: 12mm 14mm; background: #fff; overflow-wrap: anywhere;
  font-variant-numeric: tabular-nums; }
h1 { font-size: 19pt; line-height: 1.2; margin: 0 0 1mm; } header p { margin: 0; color: #5b5d63; } .kind { letter-spacing: .04em; }
h2 { font-size: 13pt; margin: 8mm 0 2mm; padding-top: 2mm; border-top: .5mm solid #71396b; white-space: pre-wrap; }
h3 { font-size: 10pt; margin: 4mm 0 1mm; }
p, ul { margin: 1.5mm 0; } ul { padding-left: 5mm; } li { margin: .6mm 0; }
.verdict { border: .5mm solid #71396b; border-radius: 1.5mm; padding: 2mm 4mm; margin: 5mm 0; font-size: 10.5pt; }
.wide { overflow-x: auto; margin: 2mm 0 3mm; }
table { border-collapse: collapse; max-width: 100%; font-size: 8pt; line-height: 1.25; margin: 1mm 0 2.5mm; }
th { border-bottom: .4mm solid #2a2d33; padding: .6mm 1.6mm; text-align: right; vertical-align: bottom; }
td { border-bottom: .15mm solid #c9c6c0; padding: .5mm 1.6mm; text-align: right; vertical-align: top; }
td, th { overflow-wrap: break-word; } td.n { white-space: nowrap; } th.t, td.t { text-align: left; }
figure { margin: 3mm 0; break-inside: avoid; } img { max-width: 100%; max-height: 230mm; display: block; }
figure.small img { max-height: 85mm; }
figcaption { font-size: 8pt; color: #5b5d63; }
h2, h3 { break-after: avoid; } tr, li, .verdict { break-inside: avoid; } thead { display: table-header-group; }
@media print { body { background: #fff; font-size: 9pt; } main { max-width: none; padding: 0; } .wide { overflow: visible; } }
"""
