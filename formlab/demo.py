"""The demo trials: an invented plant, two invented series, and the generator of their results.

Nothing here was ever milled. The recipes, prices, properties and errors are made up so that the whole
job can be tried; they are plausible in kind (a filler stiffens by its volume, oil softens and smears,
cure saturates) and wrong in every number. `make_results` draws the readings that stand in the folders.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd

from formlab.brief import Brief

__all__ = [
    "BRIEFS",
    "SEEDS",
    "TRUTHS",
    "demo_brief",
    "demo_plan",
    "first_brief",
    "make_results",
    "make_series",
    "run_demo",
]

SEEDS = {"drafting_block": 11, "ink_wedge": 23}

DRAFTING_BLOCK = """\
# An invented series: a soft white drafting block. Every number here is made up.
title = "Soft drafting block, invented demo"
currency = "EUR"
basis = "phr"
model = "quadratic"
setting_model = "quadratic"
crossed = "main"

[[ingredient]]
name = "rubber"
role = "rubber"
label = "light SBR"
density = 0.94
price = 2.05
order = 1

[[ingredient]]
name = "factice"
role = "factice"
label = "white factice"
low = 105.0
high = 105.0
density = 1.09
price = 2.55
order = 4

[[ingredient]]
name = "oil"
role = "oil"
label = "naphthenic oil"
low = 8.0
high = 28.0
density = 0.91
price = 1.25
order = 6

[[ingredient]]
name = "chalk"
role = "filler"
label = "ground chalk"
low = 60.0
high = 150.0
density = 2.71
price = 0.24
order = 5

[[ingredient]]
name = "pumice"
role = "abrasive"
label = "fine pumice"
low = 0.0
high = 40.0
density = 2.35
price = 0.62
order = 5

[[ingredient]]
name = "titanium_dioxide"
role = "pigment"
low = 7.0
high = 7.0
density = 4.2
price = 2.9
order = 3

[[ingredient]]
name = "zinc_oxide"
role = "activator"
low = 5.0
high = 5.0
density = 5.6
price = 2.7
order = 2

[[ingredient]]
name = "sulfur"
role = "curing agent"
low = 3.0
high = 3.0
density = 2.07
price = 0.45
order = 8

[[ingredient]]
name = "mbts"
role = "accelerator"
label = "MBTS"
low = 1.6
high = 1.6
density = 1.5
price = 3.8
order = 7

[[setting]]
name = "cure_min"
label = "cure at 150 °C"
unit = "min"
low = 10.0
high = 22.0
changes = "slab"

[[limit]]
expression = "chalk + pumice <= 175"

[[response]]
name = "erasure"
label = "graphite erased"
unit = "%"
bounds = [-inf, 100.0]
possible = [-50.0, 100.0]
at_least = 87.0
ideal = 96.0
importance = 3
matters = 2.0
sd_batch = 0.7
sd_slab = 0.5
sd_reading = 0.9
readings = 3

[[response]]
name = "crumble"
label = "crumb"
unit = "mg/m"
bounds = [0.0, inf]
possible = [0.0, 200.0]
at_least = 9.0
at_most = 15.0
importance = 2
matters = 1.5
sd_batch = 0.5
sd_slab = 0.4
sd_reading = 0.6
readings = 3

[[response]]
name = "hardness"
unit = "Shore A"
bounds = [0.0, 100.0]
possible = [0.0, 100.0]
near = 40.0
within = 4.0
importance = 1
matters = 2.0
sd_batch = 0.6
sd_slab = 0.4
sd_reading = 0.7
readings = 3

[[response]]
name = "smear"
label = "smear beside the track"
unit = "density x 1000"
bounds = [0.0, inf]
possible = [0.0, 500.0]
at_most = 21.0
importance = 2
matters = 4.0
sd_batch = 1.2
sd_slab = 0.8
sd_reading = 1.5
readings = 3

[current]
oil = 14.0
chalk = 80.0
pumice = 10.0
cure_min = 16.0

[piece]
volume_cm3 = 9.5
loss_fraction = 0.07
per_year = 2_500_000

[plant]
batch_kg = 9.0
slabs_per_batch = 2
slabs_per_load = 4
batches_per_day = 5
mill_h = 0.75
press_h = 0.5
rate_per_h = 58.0
lift_kg = 15.0
"""

INK_WEDGE = """\
# An invented series: an abrasive wedge for ink, whose costly silica is to be replaced in part by kaolin.
# Every number here is made up.
title = "Abrasive ink wedge, invented demo"
currency = "EUR"
basis = "fraction"
total = 100.0
model = "quadratic"

[[ingredient]]
name = "rubber"
role = "rubber"
label = "natural rubber"
low = 20.0
high = 20.0
density = 0.92
price = 2.2
order = 1

[[ingredient]]
name = "factice"
role = "factice"
label = "brown factice"
low = 16.0
high = 30.0
density = 1.05
price = 1.9
order = 4

[[ingredient]]
name = "oil"
role = "oil"
label = "soya oil"
low = 3.0
high = 9.0
density = 0.92
price = 1.4
order = 6

[[ingredient]]
name = "silica"
role = "filler"
label = "precipitated silica"
low = 0.0
high = 22.0
density = 2.0
price = 1.65
order = 5

[[ingredient]]
name = "kaolin"
role = "filler"
low = 0.0
high = 24.0
density = 2.6
price = 0.31
order = 5

[[ingredient]]
name = "pumice"
role = "abrasive"
label = "coarse pumice"
low = 16.0
high = 34.0
density = 2.35
price = 0.58
order = 5

[[ingredient]]
name = "iron_oxide"
role = "pigment"
label = "red iron oxide"
low = 1.6
high = 1.6
density = 5.1
price = 1.9
order = 3

[[ingredient]]
name = "zinc_oxide"
role = "activator"
low = 1.2
high = 1.2
density = 5.6
price = 2.7
order = 2

[[ingredient]]
name = "sulfur"
role = "curing agent"
low = 0.8
high = 0.8
density = 2.07
price = 0.45
order = 8

[[ingredient]]
name = "cbs"
role = "accelerator"
label = "CBS"
low = 0.4
high = 0.4
density = 1.28
price = 4.6
order = 7

[[limit]]
expression = "silica + kaolin >= 12"

[[limit]]
expression = "silica + kaolin <= 30"

[[response]]
name = "erasure"
label = "ink erased"
unit = "%"
bounds = [-inf, 100.0]
possible = [-50.0, 100.0]
at_least = 68.0
ideal = 78.0
importance = 3
matters = 3.0
sd_batch = 1.0
sd_slab = 0.8
sd_reading = 1.4
readings = 3

[[response]]
name = "crumble"
label = "crumb"
unit = "mg/m"
bounds = [0.0, inf]
possible = [0.0, 300.0]
at_least = 26.0
at_most = 40.0
importance = 2
matters = 4.0
sd_batch = 1.5
sd_slab = 1.0
sd_reading = 1.8
readings = 3

[[response]]
name = "hardness"
unit = "Shore A"
bounds = [0.0, 100.0]
possible = [0.0, 100.0]
near = 59.0
within = 4.0
importance = 1
matters = 2.0
sd_batch = 0.7
sd_slab = 0.5
sd_reading = 0.8
readings = 3

[[response]]
name = "smear"
label = "smear beside the track"
unit = "density x 1000"
bounds = [0.0, inf]
possible = [0.0, 500.0]
at_most = 37.0
importance = 1
matters = 5.0
sd_batch = 1.5
sd_slab = 1.2
sd_reading = 2.0
readings = 3

[current]
rubber = 20.0
factice = 23.0
oil = 6.0
silica = 20.0
kaolin = 0.0
pumice = 27.0
iron_oxide = 1.6
zinc_oxide = 1.2
sulfur = 0.8
cbs = 0.4

[piece]
volume_cm3 = 7.0
loss_fraction = 0.09
per_year = 1_800_000

[plant]
batch_kg = 8.0
slabs_per_batch = 2
slabs_per_load = 4
batches_per_day = 5
mill_h = 0.9
press_h = 0.5
rate_per_h = 58.0
lift_kg = 15.0
"""

BRIEFS = {"drafting_block": DRAFTING_BLOCK, "ink_wedge": INK_WEDGE}


def _volume_fractions(brief: Brief, frame: pd.DataFrame) -> pd.DataFrame:
    volumes = brief.amounts(frame) / brief.numbers("density")
    return volumes.div(volumes.sum(axis=1), axis=0)


def drafting_block_truth(brief: Brief, frame: pd.DataFrame) -> pd.DataFrame:
    """Return the invented true means of the drafting block, one column a response.

    Filler stiffens by its volume (steeper as it crowds), oil softens with a diminishing return, cure
    saturates; erasing needs both a soft surface and some abrasive; crumb falls with cure and hardness.
    """
    phi = _volume_fractions(brief, frame)
    oil, chalk, pumice = (phi[n].to_numpy() for n in ("oil", "chalk", "pumice"))
    filler = chalk + pumice
    cured = 1.0 - np.exp(-((frame["cure_min"].to_numpy(float) / 9.0) ** 1.5))
    hardness = 27.0 + 17.0 * cured + 26.0 * filler / (1.0 - 1.1 * filler) - 150.0 * oil / (1.0 + 3.0 * oil)
    soft = 1.0 / (1.0 + np.exp((hardness - 50.0) / 6.0))
    bite = 1.0 - np.exp(-pumice / 0.035)
    erasure = 100.0 - (6.0 + 13.0 * (1.0 - soft) + 9.5 * (1.0 - bite) * (1.0 - 0.4 * chalk / 0.2))
    crumble = 5.5 * np.exp(
        2.6 * filler + 7.5 * pumice + 2.2 * (1.0 - cured) - 0.02 * (hardness - 44.0) + 1.5 * oil
    )
    smear = 9.0 + 420.0 * oil**1.6 + 38.0 * (1.0 - cured) + 10.0 * np.exp(-crumble / 9.0)
    return _named(frame, erasure, crumble, hardness, smear)


def ink_wedge_truth(brief: Brief, frame: pd.DataFrame) -> pd.DataFrame:
    """Return the invented true means of the ink wedge, one column a response.

    Silica stiffens more than its volume, kaolin less; pumice bites into the paper and saturates.
    """
    phi = _volume_fractions(brief, frame)
    oil, factice = phi["oil"].to_numpy(), phi["factice"].to_numpy()
    silica, kaolin, pumice = (phi[n].to_numpy() for n in ("silica", "kaolin", "pumice"))
    crowd = 1.45 * silica + 0.85 * kaolin + 0.75 * pumice
    hardness = (
        42.0 + 62.0 * crowd / (1.0 - 0.75 * crowd) - 130.0 * oil / (1.0 + 2.0 * oil) - 12.0 * (factice - 0.3)
    )
    bite = 1.0 - np.exp(-pumice / 0.11)
    grip = 1.0 / (1.0 + np.exp(-(hardness - 58.0) / 5.0))
    erasure = 100.0 - (14.0 + 42.0 * (1.0 - bite) + 13.0 * (1.0 - grip) + 16.0 * kaolin)
    crumble = 15.0 * np.exp(2.1 * pumice + 1.5 * factice + 1.9 * kaolin - 0.012 * (hardness - 66.0))
    smear = 17.0 + 300.0 * oil**1.4 + 55.0 * kaolin**1.5 + 20.0 * factice
    return _named(frame, erasure, crumble, hardness, smear)


def _named(frame: pd.DataFrame, *columns: np.ndarray) -> pd.DataFrame:
    names = ["erasure", "crumble", "hardness", "smear"]
    return pd.DataFrame(dict(zip(names, columns)), index=frame.index)


TRUTHS: dict[str, Callable[[Brief, pd.DataFrame], pd.DataFrame]] = {
    "drafting_block": drafting_block_truth,
    "ink_wedge": ink_wedge_truth,
}


FIRST = """\
# A brief that already runs. Every number here is made up: put yours in their place, from top to bottom.
#   ingredient  range in phr (low = high: fixed), density in g/cm3, price per kg, place in the order of addition
#   setting     what is set on the mill or press, and what it changes with: day, batch, load or slab
#   response    what is measured, with at_least, at_most, or near and within; sd_… are guesses, or leave them out
#   limit       a rule over amounts and settings;   current   today's formula
# `formlab check` lists everything that does not hold, with its line.
"""


def first_brief(name: str) -> str:
    """Return the text of a brief to start from, titled after its folder: the invented drafting block, said to be so."""
    body = BRIEFS["drafting_block"].split("\n", 1)[1]
    title = json.dumps(name.replace("_", " ").strip() or "New series", ensure_ascii=False)
    return FIRST + re.sub(r"(?m)^title = .*$", lambda _: f"title = {title}", body, count=1)


def demo_brief(name: str) -> Brief:
    """Return the brief of a demo series."""
    import tomllib

    return Brief.model_validate(tomllib.loads(BRIEFS[name]))


def make_results(brief: Brief, plan: pd.DataFrame, truth: pd.DataFrame, seed: Any) -> pd.DataFrame:
    """Return results drawn around true means, one line a reading.

    Batch, slab and reading errors are normal with the brief's own standard deviations and independent
    between responses; values are rounded to one decimal, kept inside what is possible.

    Parameters
    ----------
    brief : Brief
    plan : DataFrame
        With columns trial and batch; its rows are the slabs.
    truth : DataFrame of shape (n_slabs, n_responses)
        True means, one row a row of `plan`.
    seed : int or numpy Generator
    """
    rng = np.random.default_rng(seed)
    repeats = max(r.readings for r in brief.responses)
    batches = pd.factorize(plan["batch"])[0]
    out = pd.DataFrame({"trial": np.repeat(plan["trial"].to_numpy(), repeats)})
    out["session"] = "S1"
    for part in brief.responses:
        mean = truth[part.name].to_numpy(float)
        mean = mean + (part.sd_batch or 0.0) * rng.normal(size=batches.max() + 1)[batches]
        mean = mean + (part.sd_slab or 0.0) * rng.normal(size=len(plan))
        read = np.repeat(mean, repeats) + (part.sd_reading or 0.0) * rng.normal(size=len(plan) * repeats)
        out[part.name] = np.clip(read, *part.possible).round(1)
    out["status"] = "ok"
    out["note"] = ""
    return out


def demo_plan(name: str) -> Any:
    """Return the plan of a demo series: a composite in phr, or an optimal mixture plan in batches of two."""
    from formlab.plans import lay_out

    brief = demo_brief(name)
    if name == "drafting_block":
        return lay_out(brief, kind="composite", seed=SEEDS[name])
    return lay_out(brief, runs=36, batches=18, kind="optimal", criterion="I", seed=SEEDS[name])


def make_series(name: str, folder: Any) -> Any:
    """Make one demo series in a new folder and return it: brief, plan and drawn results."""
    import tempfile
    from pathlib import Path

    from formlab.series import create_series

    series = create_series(folder, BRIEFS[name])
    plan = demo_plan(name)
    series.save_plan(plan)
    truth = TRUTHS[name](series.brief, plan.frame)
    results = make_results(series.brief, plan.frame, truth, SEEDS[name])
    with tempfile.TemporaryDirectory() as scratch:  # the way a user's file comes in
        bench = Path(scratch) / "bench.csv"
        results.to_csv(bench, index=False)
        series.load_results(bench)
    return series


def run_demo(folder: Any = None, quiet: bool = False) -> dict[str, Any]:
    """Do the main job on the demo trials and return what came out, as plain data.

    Parameters
    ----------
    folder : path, optional
        Where the demo series stand; ``demo_trials`` of the working directory where there is one, else
        they are made anew in a temporary folder.
    quiet : bool
        Print nothing.
    """
    import tempfile
    from pathlib import Path

    from formlab.series import open_series
    from formlab.suggest import confirm, confirmation_trials, suggest
    from formlab.surfaces import fit

    say = (lambda *words: None) if quiet else print
    out: dict[str, Any] = {}
    with tempfile.TemporaryDirectory() as scratch:
        home = Path(folder or ("demo_trials" if Path("demo_trials/ink_wedge").is_dir() else scratch))
        for name in BRIEFS:
            series = open_series(home / name) if (home / name).is_dir() else make_series(name, home / name)
            brief, trials = series.brief, series.trials()
            say(f"\n=== {brief.title} ===\n{brief}\n{len(trials)} readings of {trials['trial'].nunique()} slabs "
                f"from {trials['batch'].nunique()} batches, all invented")  # fmt: skip
            surfaces = fit(brief, trials, seed=SEEDS[name])
            say(str(surfaces))
            answer = suggest(brief, surfaces, seed=SEEDS[name])
            say(f"\n{answer}")
            truth = TRUTHS[name](brief, answer.frame)
            kept = all(bool(r.meets(truth[r.name])[0]) for r in brief.responses)
            say("\nBecause the plant is invented, the truth can be looked up: this formula "
                + ("does meet every target." if kept else "does NOT meet every target."))  # fmt: skip
            plan = confirmation_trials(
                brief, answer, series.trials(unread=True), surfaces=surfaces, seed=SEEDS[name]
            )
            made = plan.frame.reset_index(drop=True)
            read = make_results(brief, made, TRUTHS[name](brief, made), [SEEDS[name], 2])
            told = confirm(brief, surfaces, made.merge(read, on="trial"), seed=SEEDS[name])
            say(
                f"\nTo confirm it, {plan.frame['batch'].nunique()} batches more are made there. {plan.notes[-1]}\n{told}"
            )
            out[name] = {**answer.to_dict(), "true_means": truth.iloc[0].to_dict(), "truly_meets_all": kept,
                         "confirmed": told.verdict}  # fmt: skip
    return out
