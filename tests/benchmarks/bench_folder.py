"""The folder: 100,000 readings taken in, and the report, beside pandas and matplotlib wired by hand."""

from __future__ import annotations

import base64
import io
import shutil
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

import formlab as fl
from formlab.demo import BRIEFS, TRUTHS, demo_brief, make_results
from formlab.series import create_series
from tests.benchmarks.bench_choosing import cheapest
from tests.benchmarks.bench_fitting import processes, scaled, slab_means
from tests.benchmarks.rows import Row, race

__all__ = ["many_readings", "rows"]

LINES = 100_000
HOME = Path(__file__).parent.parent.parent


def rows() -> list[Row]:
    return [loading(), reporting()]


# ---- loading ------------------------------------------------------------------------------------------


def many_readings(folder: Path, lines: int = LINES, trials: int = 5000) -> Path:
    """Make a series with a long plan and a file of readings for it; return the file."""
    brief = demo_brief("drafting_block")
    plan = fl.Region.from_brief(brief).sample(trials, 1)
    parts = brief.ingredient_names  # alike in the slabs of a batch
    plan[parts] = plan[parts].iloc[[k - k % 4 for k in range(trials)]].to_numpy()
    plan = plan.assign(
        trial=[f"T{k:05d}" for k in range(trials)], batch=[f"B{k // 4:05d}" for k in range(trials)],
        run_order=range(1, trials + 1), round=1, brief_id=brief.brief_id,
    )  # fmt: skip
    create_series(folder / "series", BRIEFS["drafting_block"]).save_plan(plan)
    once = make_results(brief, plan, TRUTHS["drafting_block"](brief, plan), 1)
    sessions = [once.assign(session=f"S{j}") for j in range(-(-lines // len(once)))]
    file = folder / "readings.csv"
    pd.concat(sessions).head(lines).to_csv(file, index=False)
    return file


# column and value of one line each; all of them must be noticed before anything is taken in
FAULTS = [
    ("trial", "T99999"), ("trial", "T0000l"), ("erasure", "8x.1"), ("erasure", "140.0"), ("crumble", "-3.0"),
    ("hardness", "45,2"), ("hardness", "44.0 Shore"), ("smear", "inf"), ("status", "okay"), ("smear", "1e9"),
    ("status", "ok"), ("trial", ""),
]  # fmt: skip


def faulty(file: Path) -> Path:
    """The same file with one fault in each of some lines; the last but one has its readings emptied."""
    frame = pd.read_csv(file, dtype=str, keep_default_na=False)
    for k, (column, value) in enumerate(FAULTS):
        frame.loc[1000 * (k + 1), column] = value
        if (column, value) == ("status", "ok"):
            frame.loc[1000 * (k + 1), demo_brief("drafting_block").response_names] = ""
    out = file.with_name("faulty.csv")
    frame.to_csv(out, index=False)
    return out


def loading() -> Row:
    """Read, checked against the plan and the brief, and saved."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        file = many_readings(folder)
        wrong = faulty(file)
        wanted = {
            1000 * (k + 1) + 2 for k in range(len(FAULTS))
        }  # lines of the file, its head being the first
        series = fl.open_series(folder / "series")
        mine = len(wanted & set(series.check_results(wrong)["row"].dropna().astype(int)))
        theirs = len(wanted & set(checked_by_hand(wrong, folder / "series" / "plan.csv")[1]))
        copies = [shutil.copytree(folder / "series", folder / f"copy{k}") for k in range(2)]

        def ours() -> Any:
            return fl.open_series(copies.pop()).load_results(file)

        def by_hand() -> None:
            frame, problems = checked_by_hand(file, folder / "series" / "plan.csv")
            assert not problems
            frame.to_csv(folder / "by_hand.csv", index=False)

        seconds, _, other, _ = race(ours, by_hand, repeats=2)
    judged = f"of {len(FAULTS)} planted faults found"
    return Row(
        f"take in {LINES} readings",
        seconds,
        other,
        "pandas read_csv, checks by hand, to_csv",
        judged,
        mine,
        theirs,
    )


def checked_by_hand(file: Path, plan: Path) -> tuple[pd.DataFrame, list[int]]:
    """The checks that one writes on an afternoon: names, trials, numbers, what is possible, status."""
    brief = demo_brief("drafting_block")
    frame = pd.read_csv(file, low_memory=False)
    missing = {"trial", *brief.response_names} - set(frame.columns)
    if missing:
        raise ValueError(f"columns missing: {missing}")
    bad = ~frame["trial"].isin(pd.read_csv(plan)["trial"])
    for part in brief.responses:
        number = pd.to_numeric(frame[part.name], errors="coerce")
        bad |= (
            number.isna() & frame[part.name].notna()
            | (number < part.possible[0])
            | (number > part.possible[1])
        )
        frame[part.name] = number
    bad |= ~frame["status"].isin(["ok", "pending", "set aside"])
    return frame, (np.flatnonzero(bad) + 2).tolist()


# ---- the report ---------------------------------------------------------------------------------------


def reporting() -> Row:
    """From the folder to the page: fit, suggestion, figures."""
    series = fl.open_series(HOME / "demo_trials" / "drafting_block")
    trials = series.trials()
    count = fl.report(series).count("<img")
    seconds, ours, other, theirs = race(
        lambda: fl.report(series), lambda: page_by_hand(series.brief, trials, count), repeats=1
    )
    figures = [float(page.count("<img")) for page in (ours, theirs)]
    stack = "scikit-learn, scipy, matplotlib, to_html"
    return Row("report with fit and suggestion", seconds, other, stack, "figures in the page", *figures)


def page_by_hand(brief: fl.Brief, trials: pd.DataFrame, count: int) -> str:
    """Processes, the cheapest formula, and so many plain figures: measured against predicted, then means along factors."""
    from matplotlib.figure import Figure

    means = slab_means(brief, trials)
    models = processes(brief, means)
    best = cheapest(brief, models)
    names = [*brief.varied, *brief.setting_names]
    kinds = [(r, None) for r in brief.response_names] + [(r, n) for r in brief.response_names for n in names]
    parts = [means.to_html(), best.to_html()]
    for response, factor in (kinds * count)[:count]:
        figure = Figure(figsize=(6, 4), layout="constrained")
        ax = figure.subplots()
        model = models[response]
        if factor is None:
            ax.plot(means[response], model.predict(scaled(brief, means)), "o")
        else:
            line = pd.concat([best] * 50, ignore_index=True)
            line[factor] = np.linspace(*brief.ranges[factor], 50)
            mean, std = model.predict(scaled(brief, line), return_std=True)
            ax.plot(line[factor], mean)
            ax.fill_between(line[factor], mean - 2 * std, mean + 2 * std, alpha=0.3)
        ax.set(xlabel=factor or "measured", ylabel=response)
        file = io.BytesIO()
        figure.savefig(file, format="png", dpi=100)
        parts.append(f"<img src='data:image/png;base64,{base64.b64encode(file.getvalue()).decode()}'>")
    return f"<html><body>{''.join(parts)}</body></html>"
