"""How cost grows, in one figure: ``python -m tests.benchmarks growth`` writes notebooks/figures/growth.png."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

import formlab as fl
from tests.benchmarks.rows import clock, machine

FILE = Path(__file__).parent.parent.parent / "notebooks" / "figures" / "growth.png"
LARGEST = 100_000  # bytes
LINES = ("-o", "--s", ":^", "-.D")


def main() -> None:
    """Measure, draw, and print what was measured."""
    print(machine())
    tables = []
    for panel in PANELS:
        tables.append(panel.measure())
        print(f"\n{panel.title}: {panel.y}\n{tables[-1].round(3).to_string()}", flush=True)
    busy = f"load {os.getloadavg()[0]:.0f} on {os.cpu_count()} cores"
    save(drawn(tables, busy))


def drawn(tables: Sequence[pd.DataFrame], busy: str) -> Any:
    """Return the figure of what was measured, one panel a table; `busy` says how busy the machine was."""
    from matplotlib.figure import Figure
    from matplotlib.ticker import LogLocator

    from formlab.figures.theme import LIGHT

    figure = Figure(figsize=(8, 8.4), layout="constrained")
    spots = figure.subplots(3, 2).ravel()
    spots[-1].set_axis_off()
    shades = (LIGHT.ink, LIGHT.fit, LIGHT.today, LIGHT.faint)
    for ax, panel, table in zip(spots, PANELS, tables):
        for column, style, shade in zip(table.columns, LINES, shades):
            ax.plot(table.index, table[column], style, color=shade, markersize=4, label=str(column))
        ax.set(xlabel=panel.x, ylabel=panel.y, xscale=panel.scales[0], yscale=panel.scales[1])
        ax.set_title(panel.title if "wall" not in panel.y else f"{panel.title}, {busy}", loc="left")
        ax.set_xticks(table.index, [str(k) for k in table.index])
        ax.minorticks_off()
        if panel.scales[1] == "linear":
            ax.set_ylim(0, 1.3 * table.to_numpy().max())
        else:
            ax.set_ylim(top=4 * table.to_numpy().max())
            ax.yaxis.set_major_locator(LogLocator(subs=(1, 2, 5)))
            ax.yaxis.set_major_formatter("{x:g}")
        ax.grid(color=LIGHT.outside, linewidth=0.6)
        ax.spines[["top", "right"]].set_visible(False)
        ax.legend(frameon=False, fontsize=8, ncols=2, loc="upper left")
    return figure


def save(figure: Any) -> None:
    """Write the picture in a palette of colours."""
    import io

    from PIL import Image

    file, small = io.BytesIO(), io.BytesIO()
    figure.savefig(file, format="png", dpi=110)
    image = Image.open(file).convert("RGB").quantize(64, method=Image.Quantize.MAXCOVERAGE)
    image.save(small, format="png", optimize=True)
    if small.tell() > LARGEST:
        raise SystemExit(f"{FILE.name} has {small.tell()} bytes; at most {LARGEST} are wanted.")
    FILE.write_bytes(small.getvalue())
    print(f"\n{FILE.name}: {small.tell() / 1000:.0f} kB")


def brief(factors: int = 4, responses: int = 1, model: str = "quadratic") -> fl.Brief:
    """An invented brief in phr: so many fillers beside the rubber, one limit, targets that a good part meets."""
    fillers = [
        {"name": f"x{k}", "role": "filler", "low": 0, "high": 40, "density": 2.0, "price": 0.2 + 0.1 * k}
        for k in range(factors)
    ]
    return fl.Brief(
        ingredient=[{"name": "rubber", "role": "rubber", "density": 0.94, "price": 2.0}, *fillers],
        response=[{"name": f"y{k}", "at_most": 1.0} for k in range(responses)],
        limit=[{"expression": f"x0 + x1 <= {60}"}],
        model=model,
    )  # fmt: skip


def trials(question: fl.Brief, count: int) -> pd.DataFrame:
    """Invented results: a quadratic a response and some error."""
    rng = np.random.default_rng(5)
    frame = fl.Region.from_brief(question).sample(count, 5)
    z = frame[list(question.varied)].to_numpy(float) / 20 - 1
    for name in question.response_names:
        slope = rng.normal(0, 0.4, z.shape[1])
        frame[name] = z @ slope + 0.3 * z[:, 0] * z[:, 1] + rng.normal(0, 0.2, count)
    return frame


def planning() -> pd.DataFrame:
    """Two random starts of the search, for more terms and more trials."""
    fl.lay_out(brief(2, model="linear"), runs=6, batches=6, starts=1, seed=1)  # imports are not counted
    out = pd.DataFrame(index=pd.Index([32, 48, 64], name="trials"), dtype=float)
    for factors, model in ((4, "linear"), (4, "quadratic"), (6, "quadratic")):
        question = brief(factors, model=model)
        terms = len(fl.ModelSpace(question))
        for runs in out.index:
            work = partial(fl.lay_out, question, runs=int(runs), batches=int(runs), starts=2, seed=1)
            out.loc[runs, f"{terms} terms"] = clock(work, 1)
    return out


def exchanging() -> pd.DataFrame:
    """Ten random starts of the exchange alone, for more candidates; 32 trials."""
    from formlab.plans.basis import Basis
    from formlab.plans.candidates import Candidates
    from formlab.plans.problem import Problem
    from formlab.plans.search import search
    from formlab.plans.structure import Structure

    out = pd.DataFrame(index=pd.Index([100, 300, 1000], name="candidates"), dtype=float)
    structure = Structure(32, {"batch": np.arange(32)})
    for factors, model in ((4, "linear"), (4, "quadratic"), (6, "quadratic")):
        question = brief(factors, model=model)
        region, space = fl.Region.from_brief(question), fl.ModelSpace(question)
        basis, p = Basis(region, space), len(space)
        for count in out.index:
            points = basis.points(region.sample(int(count), 7))
            candidates = Candidates({"batch": np.arange(points.shape[1])}, {"batch": points}, basis)
            problem = Problem(basis, candidates, structure, np.zeros((p, p)), None)
            work = partial(search, problem, np.random.SeedSequence(1), starts=10, polish=False, n_jobs=1)
            out.loc[count, f"{p} terms"] = clock(work, 1)
    return out


def fitting() -> pd.DataFrame:
    """One response of four factors."""
    fl.fit(brief(2), trials(brief(2), 12), seed=1)  # imports are not counted
    out = pd.DataFrame(index=pd.Index([18, 36, 72], name="trials"), dtype=float)
    question = brief()
    for kind in ("least squares", "averaged", "gaussian process", "auto"):
        for count in out.index:
            data = trials(question, int(count))
            out.loc[count, kind] = clock(partial(fl.fit, question, data, kind=kind, seed=1), 1)
    return out


def suggesting() -> pd.DataFrame:
    """A search without explanation, by the draws that it counts its probabilities on, and by responses."""
    from formlab.suggest import suggestion

    out = pd.DataFrame(index=pd.Index([500, 1000, 2000], name="draws"), dtype=float)
    usual = suggestion.SEARCH_DRAWS
    try:
        for responses in (1, 2, 4):
            question = brief(responses=responses)
            surfaces = fl.fit(question, trials(question, 30), kind="least squares", seed=1)
            for draws in out.index:
                suggestion.SEARCH_DRAWS = int(draws)
                wish = {"minimise": "cost_per_litre", "seed": 1, "explain": False, "alternatives": 0}
                work = partial(fl.suggest, question, surfaces, **wish)
                out.loc[draws, f"{responses} response{'s' if responses > 1 else ''}"] = clock(work, 1)
    finally:
        suggestion.SEARCH_DRAWS = usual
    return out


def rehearsing() -> pd.DataFrame:
    """Eight rehearsals by so many workers, by the clock on the wall; workers are there already."""
    question, counts = brief(2, model="linear"), [1, 2]
    out = pd.DataFrame(index=pd.Index(counts, name="workers"), dtype=float)

    def rehearsal(workers: int, runs: int) -> None:
        fl.rehearse(
            question, batches=(8,), runs=runs, kind="least squares", n_jobs=workers, seed=1, progress=False
        )

    for workers in counts:
        rehearsal(workers, workers)
        start = time.perf_counter()
        rehearsal(workers, 8)
        out.loc[workers, "measured"] = 8 * 60 / (time.perf_counter() - start)
    out["in proportion"] = out["measured"].iloc[0] * out.index.to_numpy(float)
    return out


@dataclass(frozen=True)
class Panel:
    """One part of the figure: what is measured, and how it is drawn."""

    title: str
    x: str
    y: str
    scales: tuple[str, str]
    measure: Callable[[], pd.DataFrame]


PANELS = (
    Panel("Plan", "trials", "seconds, two starts", ("linear", "log"), planning),
    Panel("Exchange", "candidates", "seconds, ten starts", ("log", "log"), exchanging),
    Panel("Fit", "trials", "seconds a response", ("log", "log"), fitting),
    Panel("Suggestion", "draws while searching", "seconds", ("log", "linear"), suggesting),
    Panel("Rehearsal", "workers", "rehearsals a minute (wall)", ("linear", "linear"), rehearsing),
)
