"""Run the bank: plan, simulate, fit, suggest, and look the truth up.

    python -m tests.bank.run --plants 40 --seeds 5 --method auto --trials 24 --batches 24 --rounds 0 --jobs 2

Several methods are given with commas. Results go to ``--out`` as CSV, one file a method, and a run that was
stopped goes on where it was. ``--calibrate`` also scores claims at random fixed formulas.

What the table says:

    hits          share of all suggestions whose true means meet every target; a failed run is no hit
    reached       share of all suggestions that claim to reach the confidence asked for
    hits reached  hits among those
    claim         mean claimed probability, over all suggestions
    claim - hits  honest if near zero
    cost over     median, over hits, of the cost per litre above the true cheapest, %
    seconds       median of fit and suggestion together

In brackets 95 % intervals by bootstrap over plants.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from formlab.errors import FitError, FormlabError, PlanError
from formlab.plans import lay_out
from formlab.suggest.next import next_trials
from formlab.suggest.suggestion import suggest
from formlab.surfaces import fit
from tests.bank.oracle import Oracle
from tests.bank.plants import VirtualPlant, plant
from tests.bank.rivals import METHODS, HandWired, space_filling

ASKED = 0.90
EDGES = (0.0, 0.02, 0.1, 0.3, 0.5, 0.7, 0.8, 0.9, 0.95, 1.0)
SMALLER = ({"crossed": "none"}, {"model": "interaction"}, {"model": "interaction", "crossed": "none"},
           {"model": "linear"}, {"model": "linear", "crossed": "none"})  # fmt: skip


# ---- one plant, one seed --------------------------------------------------------------------------------


def planned(one: VirtualPlant, seed: int, options: argparse.Namespace) -> pd.DataFrame:
    """Return the rows of a plan, kept in a folder because it takes long; column ``laid`` says of which kind.

    ``default`` asks for the default plan and, where that refuses because the trials cannot carry the brief's
    model, takes the hypercube, as a user might; ``hypercube`` and any other kind are taken as asked.
    """
    label = f"{options.plan}_{one.number}_{seed}_{options.trials}_{options.batches}_{one.brief.brief_id}"
    file = options.out / "plans" / f"{label}.csv"
    if file.exists():
        return pd.read_csv(file)
    cut = {} if options.batches == options.trials else {"batches": options.batches}
    frame = None
    if options.plan != "hypercube":
        kind = {} if options.plan == "default" else {"kind": options.plan}
        try:
            frame = lay_out(one.brief, runs=options.trials, seed=seed, **cut, **kind).frame.assign(
                laid=options.plan
            )
        except PlanError:
            if kind:
                raise
    if frame is None:
        frame = hypercube(one, options.trials, options.batches, seed).assign(laid="hypercube")
    file.parent.mkdir(parents=True, exist_ok=True)
    frame.to_csv(file, index=False)
    return frame


def hypercube(one: VirtualPlant, trials: int, batches: int, seed: int) -> pd.DataFrame:
    """Return a space-filling plan; slabs of one batch share all but what changes with the slab."""
    frame = space_filling(one.region, trials, seed)
    batch = np.arange(trials) % batches
    shared = [*one.brief.ingredient_names, *(s.name for s in one.brief.settings if s.changes != "slab")]
    frame[shared] = frame[shared].iloc[batch].to_numpy()
    frame.insert(0, "batch", [f"B{b + 1:02d}" for b in batch])
    frame.insert(0, "trial", [f"T{k + 1:02d}" for k in range(trials)])
    return frame


def surfaces_of(one: VirtualPlant, trials: pd.DataFrame, method: str, seed: int) -> Any:
    """Return what a method learns; where it refuses the brief's model, with the largest that it takes."""
    if method == "oracle":
        return Oracle(one, trials, seed=seed)
    try:
        return fit(one.brief, trials, kind=method, seed=seed)
    except FitError:
        for model in SMALLER:
            try:
                return fit(one.brief, trials, kind=method, seed=seed, **model)
            except FormlabError:  # a mixture has no interaction model
                continue
        raise


def hand_wired(one: VirtualPlant, method: str, trials: int, seed: int) -> dict[str, Any]:
    """Return the row of the hand-wired stack, on its own space-filling plan."""
    kind, back_off = METHODS[method]
    start = time.perf_counter()
    made = one.simulate(space_filling(one.region, trials, seed), seed=[one.number, seed, 1])
    answer = HandWired(one, made, kind, seed).cheapest(back_off, seed)
    return {
        "round": 0,
        "reached": answer.reached,
        **judged(one, answer.frame),
        "seconds": time.perf_counter() - start,
    }


def judged(one: VirtualPlant, frame: pd.DataFrame) -> dict[str, Any]:
    """Return whether a formula truly conforms, and its cost over the true cheapest."""
    price = float(one.brief.costs(frame)["per_litre"].iloc[0])
    return {"hit": bool(one.conforms(frame)[0]), "over": price / one.cheapest() - 1.0}


def rounds_of(one: VirtualPlant, method: str, seed: int, options: argparse.Namespace) -> list[dict[str, Any]]:
    """Return one row a round: suggest, look the truth up, make the next trials, fit again."""
    plan = planned(one, seed, options)
    trials = one.simulate(plan.drop(columns="laid"), seed=[one.number, seed, 1])
    rows = []
    for number in range(options.rounds + 1):
        start = time.perf_counter()
        surfaces = surfaces_of(one, trials, method, seed)
        fitted = time.perf_counter()
        answer = suggest(one.brief, surfaces, minimise="cost_per_litre", confidence=ASKED, of="true_mean",
                         seed=seed, explain=False, alternatives=0)  # fmt: skip
        row = {"round": number, "reached": answer.reached, "claim": answer.conformance.true_mean,
               "search_claim": answer.claimed, **judged(one, answer.frame), "fit_seconds": fitted - start,
               "seconds": time.perf_counter() - start, "laid": plan["laid"].iloc[0]}  # fmt: skip
        rows.append(row)
        if options.calibrate and number == 0:
            row |= reliability(one, surfaces, seed)
        if number < options.rounds:
            more = next_trials(
                one.brief, surfaces, trials, count=4, minimise="cost_per_litre", seed=seed + 100 * number
            )
            new = one.simulate(more.frame, seed=[one.number, seed, 2 + number])
            trials = pd.concat([trials, new], ignore_index=True)
    return rows


def reliability(one: VirtualPlant, surfaces: Any, seed: int, count: int = 3000) -> dict[str, float]:
    """Return, for bins of the claimed chance at random formulas, their number, sum of claims and true ones.

    Formulas are uniform over the region: any choice by what truly conforms would bend the curve.
    """
    frame = one.region.sample(count, seed=[one.number, seed, 99])
    draws = surfaces.draw(1000, seed=seed)
    ends = np.array([r.target for r in one.brief.responses])
    means = draws.mean(frame)
    claim = ((means >= ends[:, 0]) & (means <= ends[:, 1])).all(axis=2).mean(axis=0)
    bin_of, true = np.digitize(claim, EDGES[1:-1]), one.conforms(frame)
    out = {}
    for b in range(len(EDGES) - 1):
        inside = bin_of == b
        out |= {
            f"n{b}": int(inside.sum()),
            f"claim{b}": float(claim[inside].sum()),
            f"true{b}": int(true[inside].sum()),
        }
    return out


def one_plant(
    number: int, method: str, seeds: list[int], options: argparse.Namespace
) -> list[dict[str, Any]]:
    """Return the rows of one plant; an error is a row without a hit, with its text."""
    one, rows = plant(number), []
    for seed in seeds:
        try:
            made = (
                [hand_wired(one, method, options.trials, seed)]
                if method in METHODS
                else rounds_of(one, method, seed, options)
            )
        except Exception as error:
            text = f"{type(error).__name__}: {str(error)[:150]}"
            made = [
                {"round": r, "reached": False, "hit": False, "error": text} for r in range(options.rounds + 1)
            ]
        rows += [{"plant": number, "seed": seed, "method": method, **row} for row in made]
    return rows


# ---- tables ---------------------------------------------------------------------------------------------


def _figures(rows: pd.DataFrame) -> dict[str, float]:
    hit, reached = rows["hit"].astype(bool), rows["reached"].astype(bool)
    claim = rows["claim"] if "claim" in rows else pd.Series(np.nan, index=rows.index)
    return {
        "hits": hit.mean(),
        "reached": reached.mean(),
        "hits reached": hit[reached].mean() if reached.any() else np.nan,
        "claim": claim.mean(),
        "claim - hits": claim.mean() - hit.mean(),
        "cost over %": 100 * rows.loc[hit, "over"].median() if hit.any() else np.nan,
        "seconds": rows["seconds"].median() if "seconds" in rows else np.nan,
    }


def summary(rows: pd.DataFrame, resamples: int = 500) -> pd.DataFrame:
    """Return the table that the module explains, one row a method and round."""
    lines = []
    for (method, number), part in rows.groupby(["method", "round"], sort=False):
        by_plant = [p for _, p in part.groupby("plant")]
        rng = np.random.default_rng(0)
        picks = [rng.integers(len(by_plant), size=len(by_plant)) for _ in range(resamples)]
        boot = pd.DataFrame([_figures(pd.concat([by_plant[j] for j in pick])) for pick in picks])
        line: dict[str, Any] = {"method": method, "round": number, "n": len(part)}
        for name, value in _figures(part).items():
            ends = boot[name].quantile([0.025, 0.975]).tolist()
            digits = 1 if name in ("cost over %", "seconds") else 3
            line[name] = f"{value:.{digits}f}"
            if name != "seconds" and np.isfinite(value):
                line[name] += f" [{ends[0]:.{digits}f}, {ends[1]:.{digits}f}]"
        line["failed"] = int(part["error"].notna().sum()) if "error" in part else 0
        lines.append(line)
    return pd.DataFrame(lines)


def reliability_table(rows: pd.DataFrame) -> pd.DataFrame:
    """Return claimed against true share of random formulas, by bin of the claim, with intervals over plants."""
    lines = []
    for method, part in rows.dropna(subset=["n0"]).groupby("method", sort=False):
        for b, (low, high) in enumerate(zip(EDGES, EDGES[1:])):
            sums = part.groupby("plant")[[f"n{b}", f"claim{b}", f"true{b}"]].sum().to_numpy()
            pick = np.random.default_rng(0).integers(len(sums), size=(1000, len(sums)))
            total, boot = sums.sum(axis=0), sums[pick].sum(axis=1)
            if total[0] == 0:
                continue
            ends = np.quantile(boot[:, 2] / np.maximum(boot[:, 0], 1), [0.025, 0.975])
            lines.append({"method": method, "claimed": f"{low:g} to {high:g}", "formulas": int(total[0]),
                          "mean claim": round(total[1] / total[0], 3), "true": round(total[2] / total[0], 3),
                          "interval": f"[{ends[0]:.3f}, {ends[1]:.3f}]"})  # fmt: skip
    return pd.DataFrame(lines)


# ---- the command ----------------------------------------------------------------------------------------


def run(method: str, options: argparse.Namespace) -> pd.DataFrame:
    """Return the rows of one method, those already in its file included."""
    from joblib import Parallel, delayed, parallel_config
    from tqdm.auto import tqdm

    from tests.bank.run import one_plant  # by its importable name, so that workers find it

    label = f"{method.replace(' ', '_')}_{options.plan}_{options.trials}_{options.batches}_{options.rounds}"
    file = options.out / f"{label}.csv"
    kept = (
        pd.read_csv(file) if file.exists() and not options.fresh else pd.DataFrame(columns=["plant", "seed"])
    )
    wanted = {k: [s for s in range(options.seeds) if not ((kept["plant"] == k) & (kept["seed"] == s)).any()]
              for k in range(options.first, options.plants)}  # fmt: skip
    jobs = [delayed(one_plant)(k, method, seeds, options) for k, seeds in wanted.items() if seeds]
    with parallel_config(backend="loky", inner_max_num_threads=1):
        made = Parallel(n_jobs=options.jobs, return_as="generator_unordered")(jobs)
        for rows in tqdm(made, total=len(jobs), desc=method, disable=None):
            kept = (
                pd.concat([kept, pd.DataFrame(rows)], ignore_index=True) if len(kept) else pd.DataFrame(rows)
            )
            kept.to_csv(file, index=False)
    inside = kept["plant"].between(options.first, options.plants - 1) & (kept["seed"] < options.seeds)
    return kept[inside]


def main(arguments: list[str] | None = None) -> None:
    parser = argparse.ArgumentParser(
        prog="python -m tests.bank.run", description="Judge suggestions by the truth."
    )
    parser.add_argument("--method", default="auto", help="auto, averaged, least squares, gaussian process, oracle, "
                        f"{', '.join(METHODS)}; several with commas")  # fmt: skip
    for name, default in {
        "plants": 40,
        "first": 0,
        "seeds": 5,
        "trials": 24,
        "batches": 24,
        "rounds": 0,
        "jobs": 2,
    }.items():
        parser.add_argument(f"--{name}", type=int, default=default)
    parser.add_argument("--plan", default="default", help="default, hypercube, or a kind of lay_out")
    parser.add_argument("--calibrate", action="store_true", help="also score claims at random fixed formulas")
    parser.add_argument("--fresh", action="store_true", help="forget the results in --out (plans are kept)")
    parser.add_argument("--out", type=Path, default=Path(tempfile.gettempdir()) / "virtual_plants")
    options = parser.parse_args(arguments)
    options.out.mkdir(parents=True, exist_ok=True)
    rows = pd.concat([run(m.strip(), options) for m in options.method.split(",")], ignore_index=True)
    print(summary(rows).to_string(index=False))
    if "error" in rows and rows["error"].notna().any():
        print("\nFailed:", rows["error"].value_counts().to_string(), sep="\n")
    if options.calibrate and "n0" in rows:
        print(reliability_table(rows).to_string(index=False))


if __name__ == "__main__":
    main()
