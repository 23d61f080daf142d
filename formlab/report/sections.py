"""The sections of a report, in the order in which the data came to be; nothing is computed here that has no name elsewhere."""

from __future__ import annotations

import hashlib
import platform
from collections.abc import Callable, Iterable, Sequence
from datetime import UTC, datetime
from importlib.metadata import version
from typing import Any

import numpy as np
import pandas as pd

from formlab.cautions import cautions_for, cautions_html
from formlab.html import Markup, counted, escape, headed, number
from formlab.region import Region
from formlab.report.paper import abreast, listed, page_table, picture, said
from formlab.report.story import Story, was_read
from formlab.surfaces.readings import sides

__all__ = ["first", "sections"]

FILES = ("brief.toml", "plan.csv", "results.csv", "weighed.csv", "history.csv", "prices.csv")
PACKAGES = ("formlab", "numpy", "scipy", "pandas", "scikit-learn", "statsmodels", "matplotlib")
WAITS = "Waits for surfaces."


def first(story: Story) -> Markup:
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
    grave = [f"{n}: {about[0]}" for n, s in story.surfaces.items() if (about := s.formula_warnings)]
    inside = f"<p><b>{escape(story.answer.verdict)}</b></p>{said(saved)}"
    if grave:
        inside += f"<p>Before acting, the gravest remark on each surface:</p>{listed(grave)}"
    return Markup(f"{head}<div class='verdict'>{inside}</div>")


def _against_today(answer: Any) -> list[str]:
    if answer.current is None:
        return []
    costs = answer.current[[str(name).startswith("cost ") for name in answer.current.index]]
    said = [f"Against today, {name}: {number(line['today'])} becomes {number(line['suggested'])}."
            for name, line in costs.iterrows()]  # fmt: skip
    return [*said, *([answer.saved] if answer.saved else [])]


def _many(count: int, noun: str) -> str:
    return f"{count or 'no'} {noun}{'' if count == 1 else 's'}"


def sections(count: int) -> list[tuple[str, Callable[[Story], Iterable[Markup]]]]:
    return [
        ("What is asked", _asked),
        ("What is allowed", _allowed),
        ("The plan, and how good it could be", _planned),
        ("As measured", _measured),
        ("Surfaces, and how far to trust them", _surfaces),
        ("What to make", _suggested),
        ("How far it may stray", _window),
        ("Whether the last promise was kept", _confirmed),
        ("Next trials", lambda story: _next(story, count)),
        ("Cautions", _cautions),
        ("Where the numbers come from", _sources),
    ]


def _asked(story: Story) -> Iterable[Markup]:
    brief = story.brief
    lines = [[r.title, r.unit, r.target_text, r.importance, r.readings] for r in brief.responses]
    heads = ["response", "unit", "target", "importance", "readings a slab"]
    yield page_table(_named(pd.DataFrame(lines, columns=heads), brief.responses))
    if brief.ingredients:
        lines = [brief._ingredient_line(part) for part in brief.ingredients]
        heads = ["ingredient", "role", "range", "today", "unit", "g/cm³", f"{brief.currency}/kg"]
        yield page_table(_named(pd.DataFrame(lines, columns=heads), brief.ingredients))
    if brief.settings:
        lines = [[s.title, s.unit, s.range_text, s.changes] for s in brief.settings]
        heads = ["setting", "unit", "range", "changes with"]
        yield page_table(_named(pd.DataFrame(lines, columns=heads), brief.settings))
    if brief.limits:
        yield said(["Limits: " + "; ".join(limit.expression for limit in brief.limits) + "."])


def _named(frame: pd.DataFrame, parts: Sequence[Any]) -> pd.DataFrame:
    """The table with the names that other tables and the files use, where the names for people differ."""
    if any(part.title != part.name.replace("_", " ") for part in parts):
        frame.insert(1, "in tables and files", [part.name for part in parts])
    return frame


def _allowed(story: Story) -> Iterable[Markup]:
    brief, region = story.brief, Region.from_brief(story.brief).check()
    words = f"{_many(len(brief.varied), 'ingredient')} and {_many(len(brief.settings), 'setting')} may vary"
    yield said([f"{words}; {_many(len(brief.limits), 'limit')} on them together.", *region.flat()])
    ranges = region.implied_ranges()
    ranges = ranges[ranges["low"] < ranges["high"]].rename(index=story.brief.title_of)
    yield page_table(headed(ranges).reset_index())
    if 2 <= len(ranges) <= 6:
        from formlab.figures import region_pairs

        marked = None if story.plan is None else story.plan.frame
        yield picture(
            lambda: region_pairs(region, marked), "What ranges and limits leave, two factors at a time."
        )


def _planned(story: Story) -> Iterable[Markup]:
    if story.plan is None:
        yield said([story.missing.get("plan", "No plan yet.")])
        return
    from formlab.figures import plan_layout, prediction_error
    from formlab.plans.judge import POWER

    judged = story.plan.judge(limit=True)
    lost = [judged.if_lost] if judged.if_lost else []
    yield said([story.plan.verdict, judged.verdict, *judged.notes, *lost, *story.plan.notes])
    best = judged.efficiencies
    best = pd.DataFrame({"criterion": best["criterion"], "efficiency, %": 100 * best["efficiency"],
                         "against": best["limit"]})  # fmt: skip
    yield page_table(best, "How near it is to the best that could be, by criterion")
    yield page_table(headed(judged.degrees_of_freedom), "Degrees of freedom")
    if len(judged.power):
        power = judged.power.copy()
        power[["from", "to"]] = power[["from", "to"]].round(
            6
        )  # corners of the region are exact to about 1e-15
        yield page_table(headed(power), POWER)
    yield picture(
        lambda: prediction_error(judged), "Standard error of a predicted mean over the region.", "small"
    )
    yield picture(lambda: plan_layout(story.plan), "Trials in the order of making; today's formula dashed.")


def _measured(story: Story) -> Iterable[Markup]:
    if not was_read(story):
        yield said([story.missing.get("trials", "Nothing has been measured yet.")])
        return
    brief, trials = story.brief, story.trials
    assert trials is not None
    frame = (
        trials if "trial" in trials else trials.assign(trial=[f"row {k}" for k in range(1, len(trials) + 1)])
    )
    here = [n for n in brief.response_names if n in frame]
    factors = [n for n in [*brief.varied, *brief.setting_names] if n in frame]
    keys = [c for c in ("batch", "load") if c in frame]
    by = frame.groupby("trial", sort=False)
    made = by[[*keys, *factors]].first()
    counts = by[here].count().max(axis=1)
    read = by[here].mean()
    if counts.nunique() > 1:
        read["readings"] = counts
    entries = _entries(story.series)
    if entries:
        made.insert(len(keys), "journal", [entries.get(str(trial), "") for trial in made.index])
    if "status" in frame and frame["status"].fillna("").ne("ok").any():
        made.insert(len(keys), "status", by["status"].agg(_not_ok))
    yield said(
        [
            f"{_counted_readings(frame, here)}; each figure is the mean of a slab's readings.",
            *_limits(frame, here),
        ]
    )
    for name in here:
        of_limits = frame.assign(limit=sides(frame, name) != 0).groupby("trial", sort=False)["limit"].any()
        if of_limits.any():
            read[name] = [
                f"{number(v)} *" if some else number(v) for v, some in zip(read[name], of_limits[read.index])
            ]
    yield page_table(made.join(read).rename(columns=brief.head).reset_index())
    if "status" in frame:
        odd = frame[frame["status"].ne("ok")].reindex(columns=["trial", "batch", "session", "status", "note"])
        if len(odd):
            odd = odd.dropna(axis=1, how="all").fillna("").drop_duplicates()  # a line a reading
            yield page_table(odd, "Not ok, pending or set aside")


def _not_ok(status: pd.Series) -> str:
    """What is not right about the readings of a slab; nothing where all is."""
    return ", ".join(dict.fromkeys(s for s in status.fillna("").astype(str) if s not in ("", "ok")))


def _counted_readings(frame: pd.DataFrame, names: Sequence[str]) -> str:
    read = frame[frame[list(names)].notna().any(axis=1)]
    others = frame["trial"].nunique() - read["trial"].nunique()
    rest = f", and {counted(others, 'trial')} without any" if others else ""
    return f"{counted(len(read), 'reading')} of {counted(read['trial'].nunique(), 'trial')}{rest}"


def _limits(frame: pd.DataFrame, names: Sequence[str]) -> list[str]:
    count = sum(int((sides(frame, n) != 0).sum()) for n in names)
    which = "is a limit, and counts" if count == 1 else "are limits, and count"
    words = f"{count} of the readings {which} in the means below as if that had been read: marked *."
    return [words] if count else []


def _surfaces(story: Story) -> Iterable[Markup]:
    surfaces = story.surfaces
    if surfaces is None:
        yield said([story.missing.get("surfaces", "Nothing has been measured yet.")])
        return
    from formlab.figures import observed_predicted, traces

    if surfaces.warnings_:
        yield listed(surfaces.warnings_)
    shown = surfaces.summary.reset_index()
    names = ["response", "kind", "scale", "trials", "batches", "terms", "r2", "r2_predicted", "s"]
    yield page_table(headed(shown[[n for n in names if n in shown]]), "How well each follows the trials")
    yield picture(
        lambda: abreast(observed_predicted, list(surfaces.values())), "Measured against fitted.", "half"
    )
    yield page_table(_coefficients(surfaces), "Coefficients ± standard error, on the scale of the fit")
    yield picture(
        lambda: traces(surfaces),
        f"Every response along every factor; bands are 95 % of the {story.brief.statistic_words}, and of one reading of a new batch.",
        "half",
    )


def _coefficients(surfaces: Any) -> pd.DataFrame:
    columns = {}
    for name, surface in surfaces.items():
        lines = surface.coefficients
        texts = [
            "" if np.isnan(e) else f"{number(e, 3)} ± {number(s, 2)}"
            for e, s in zip(lines["estimate"], lines["std_error"])
        ]
        columns[name] = pd.Series(texts, index=lines["term"])
    return pd.DataFrame(columns).fillna("").rename_axis("term").reset_index()


def _suggested(story: Story) -> Iterable[Markup]:
    answer, brief = story.answer, story.brief
    if answer is None:
        yield said([story.missing.get("answer", WAITS)])
        return
    from formlab.figures import cost_conformance, predicted_against_targets

    yield said([answer.verdict])
    lines = [[brief.title_of(str(n)), number(v), brief.amount_unit] for n, v in answer.formula.items()]
    lines += [[brief.title_of(str(n)), number(v), brief.unit(str(n))] for n, v in answer.settings.items()]
    yield page_table(pd.DataFrame(lines, columns=["", "amount", "unit"]), "The formula")
    yield page_table(
        headed(answer.predicted.reset_index()),
        f"Predicted: 95 % of the {brief.true_words}, and of one reading of a new batch; chance of each target alone",
    )
    yield picture(
        lambda: predicted_against_targets(answer), "Predicted against each target, beside today's formula."
    )
    yield page_table(headed(answer.conformance.table()), "Chance that all targets are met together")
    if answer.current is not None:
        yield page_table(answer.current.reset_index(), "Against today")
    if len(answer.binding):
        yield page_table(answer.binding.astype(object).fillna(""), "What holds it there")
    if len(answer.alternatives):
        yield page_table(answer.alternatives.rename(columns=brief.head), "Clearly different, nearly as good")
    if brief.has_costs:
        yield picture(
            lambda: cost_conformance(brief, story.surfaces, answer), "What sureness costs.", "small"
        )
    yield listed(answer.notes)


def _window(story: Story) -> Iterable[Markup]:
    if story.answer is None:
        yield said([WAITS if story.surfaces is None else "Waits for a suggestion."])
        return
    from formlab.suggest import operating_window

    window = operating_window(story.brief, story.surfaces, story.answer, confidence=0.80, seed=story.seed)
    wide = bool(np.any(window["plus_minus"] > 0))
    words = f"All may stray together as far as this while the chance for the {story.brief.true_words} stays at 0.80 or more."
    yield said(
        [words if wide else "The formula itself is less sure than 0.80, so there is no window about it."]
    )
    if wide:
        said_of = window if window["remark"].any() else window.drop(columns="remark")
        yield page_table(said_of.rename(columns={"plus_minus": "±"}).reset_index())


def _confirmed(story: Story) -> Iterable[Markup]:
    promises = None if story.series is None or story.trials is None else story.series.promises()
    if promises is None or not len(promises):
        yield said(
            ["None is kept. formlab suggest --promise keeps one, formlab confirm lays out batches of it."]
        )
        return
    from formlab.figures import confirmed
    from formlab.suggest import beside_promised, confirm_promise
    from formlab.suggest.promises import made_with, promise_words

    yield said([promise_words(story.brief, promises.iloc[-1])])
    trials = story.trials
    if made_with(promises.iloc[-1])[1]:
        trials = story.series.trials(history=True)  # type: ignore[union-attr]
    told = confirm_promise(story.brief, promises.iloc[-1], trials, seed=story.seed)  # type: ignore[arg-type]
    beside = (
        ""
        if story.answer is None
        else beside_promised(
            story.brief, story.surfaces, story.answer, promises, story.trials, seed=story.seed
        )
    )  # type: ignore[arg-type]
    yield said([told.verdict, *([beside] if beside else [])])
    yield picture(lambda: confirmed(told), "What the batches read, and what was to be expected of them.")
    yield page_table(
        headed(told.read),
        "Read, and what was to be expected of each batch (95 %)",
    )
    yield page_table(told.told, "The chance that all targets are met")


def _next(story: Story, count: int) -> Iterable[Markup]:
    if story.surfaces is None:
        yield said([WAITS])
        return
    from formlab.suggest import next_trials

    more = next_trials(story.brief, story.surfaces, story.trials, count=count, seed=story.seed)  # type: ignore[arg-type]
    yield said(more.notes)
    yield page_table(more.told_apart)


def _cautions(story: Story) -> Iterable[Markup]:
    used = [part for part in story.brief.ingredients if story.brief.ranges[part.name][1] > 0]
    yield cautions_html(cautions_for(used))


def _sources(story: Story) -> Iterable[Markup]:
    seed = "none" if story.seed is None else story.seed
    yield said([f"Brief revision {story.brief.brief_id}; surfaces of kind {story.kind!r}; seed {seed}."])
    if story.series is None:
        yield said(["Made in memory: there is no folder and no journal behind these numbers."])
    else:
        texts = {name: story.series.text(name) for name in FILES}
        lines = [
            [n, len(t.splitlines()), hashlib.sha256(t.encode()).hexdigest()]
            for n, t in texts.items()
            if t is not None
        ]
        yield page_table(pd.DataFrame(lines, columns=["file", "lines", "SHA-256"]), "Files read")
        journal = story.series.journal()
        if len(journal):
            yield page_table(
                journal, "Journal; the table of what was measured names the entries of each trial"
            )
        else:
            yield said(["The journal is empty: the files were put into the folder as they are."])
    made = ", ".join(f"{name} {version(name)}" for name in PACKAGES)
    yield said([f"Made with {made}; Python {platform.python_version()}."])


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
