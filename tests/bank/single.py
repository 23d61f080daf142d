"""Are surfaces of single responses honest? Claims of each response alone, at random formulas of the virtual plants.

    python -m tests.bank.single --kinds auto,averaged --seeds 1 [--plan default] [--inside 6] [--prior-scale 6]

Means over plants, seeds and responses, at formulas uniform over the region:

    bias      true mean less predicted, in posterior sds
    square    mean square of that; 1 where intervals are as wide as they should be
    cover     share of true means inside 95 % intervals
    error     root mean square of true less predicted, in sds of the true means over the region
    log score of true means, as if the posterior were normal, in the same unit
    claim, true   chance to meet the response's own target, said and true, where the chance is 0.05 to 0.995
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from formlab.plans import lay_out
from formlab.surfaces import fit
from tests.bank.plants import COUNT, VirtualPlant, plant
from tests.bank.rivals import space_filling
from tests.bank.run import hypercube

FORMULAS, DRAWS, TRIALS = 400, 1500, 24


def planned(one: VirtualPlant, seed: int, options: argparse.Namespace) -> pd.DataFrame:
    """Return a plan, the last of its trials spread over the inside of the region."""
    if options.plan == "hypercube":
        return hypercube(one, TRIALS, TRIALS, seed)
    inside = options.inside
    frame = lay_out(
        one.brief,
        runs=TRIALS - inside,
        seed=seed,
        n_jobs=1,
        starts=options.starts,
        prior_scale=options.prior_scale,
    ).frame[one.brief.columns]
    if inside:
        frame = pd.concat(
            [frame, space_filling(one.region, inside, seed)[one.brief.columns]], ignore_index=True
        )
    labels = [f"{k + 1:02d}" for k in range(TRIALS)]
    frame.insert(0, "batch", ["B" + label for label in labels])
    frame.insert(0, "trial", ["T" + label for label in labels])
    return frame


def scored(number: int, seed: int, kind: str, options: argparse.Namespace) -> list[dict[str, Any]]:
    """Return one row a response."""
    one = plant(number)
    trials = one.simulate(planned(one, seed, options), seed=[number, seed, 1])
    formulas = one.region.sample(FORMULAS, seed=[number, seed, 99])
    truth = one.truth(formulas)
    means = fit(one.brief, trials, kind=kind, seed=seed).draw(DRAWS, seed=seed).mean(formulas)
    rows = []
    for k, response in enumerate(one.brief.responses):
        drawn, true, unit = (
            means[:, :, k],
            truth[response.name].to_numpy(),
            one.sd.loc[response.name, "spread"],
        )
        centre, sd = drawn.mean(axis=0), drawn.std(axis=0)
        low, high = np.quantile(drawn, [0.025, 0.975], axis=0)
        ends = response.target
        claim = ((drawn >= ends[0]) & (drawn <= ends[1])).mean(axis=0)
        open_ = (claim > 0.05) & (claim < 0.995)
        z = (true - centre) / sd
        rows.append(
            {
                "kind": kind,
                "response": response.name,
                "bias": z.mean(),
                "square": (z**2).mean(),
                "cover": ((true >= low) & (true <= high)).mean(),
                "error": np.sqrt((((true - centre) / unit) ** 2).mean()),
                "log score": (-np.log(sd / unit) - z**2 / 2).mean(),
                "claim": claim[open_].mean() if open_.any() else np.nan,
                "true": response.meets(true)[open_].mean() if open_.any() else np.nan,
            }
        )
    return rows


def main(arguments: list[str] | None = None) -> None:
    from joblib import Parallel, delayed

    from tests.bank.single import scored  # by its importable name, so that workers find it

    parser = argparse.ArgumentParser(description="Judge surfaces of single responses by the truth.")
    parser.add_argument("--kinds", default="auto")
    parser.add_argument("--plan", default="default", help="default or hypercube")
    parser.add_argument(
        "--inside", type=int, default=0, help="how many of the 24 trials are spread over the inside"
    )
    parser.add_argument("--prior-scale", type=float, default=1.0)
    parser.add_argument("--starts", type=int, default=40)
    parser.add_argument("--plants", type=int, default=COUNT)
    parser.add_argument("--seeds", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--out", type=Path, default=Path(tempfile.gettempdir()) / "single.csv")
    options = parser.parse_args(arguments)
    jobs = [delayed(scored)(k, s, kind, options)
            for kind in options.kinds.split(",") for s in range(options.seeds) for k in range(options.plants)]  # fmt: skip
    rows = pd.DataFrame([row for some in Parallel(n_jobs=options.jobs)(jobs) for row in some])
    rows.to_csv(options.out, index=False)
    numbers = rows.columns.drop(["kind", "response"])
    print(rows.groupby("kind", sort=False)[numbers].mean().round(3).to_string())
    print(rows.groupby(["kind", "response"], sort=False)[numbers].mean().round(3).to_string())


if __name__ == "__main__":
    main()
