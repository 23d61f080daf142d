"""Why claims are low where 0.90 is not reached: the bank grants what surfaces cannot know, that its targets can be met.

    python -m tests.bank.reachable [--share 0.01] [--jobs 2]

Of every run in ``tests/bank/measured`` that did not reach the confidence asked for, the claim is made again, and once more
from those draws alone in which at least such a share of the region conforms, as 2 to 6 % of it truly do. Printed are the
means of both claims, of the hits, of the share of the region that conforms in a draw, and of draws with enough of it.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd

from formlab.suggest.suggestion import suggest
from formlab.surfaces import fit
from tests.bank.plants import plant
from tests.bank.run import ASKED, planned

MEASURED = Path(__file__).parent / "measured" / "auto_default_24_24_0.csv"
FORMULAS, DRAWS = 5000, 1000


def claimed(number: int, seed: int, share: float, options: argparse.Namespace) -> dict[str, float]:
    """Return the claim of one run's suggestion, and what it is if so much of the region conforms."""
    one = plant(number)
    plan = planned(one, seed, options).drop(columns="laid")
    surfaces = fit(one.brief, one.simulate(plan, seed=[number, seed, 1]), kind=options.kind, seed=seed)
    answer = suggest(one.brief, surfaces, minimise="cost_per_litre", confidence=ASKED, seed=seed,
                     explain=False, alternatives=0)  # fmt: skip
    formulas = pd.concat(
        [answer.frame, one.region.sample(FORMULAS, seed=[number, seed, 98])], ignore_index=True
    )
    means = surfaces.draw(DRAWS, seed=seed).mean(formulas)
    ends = np.array([r.target for r in one.brief.responses])
    met = ((means >= ends[:, 0]) & (means <= ends[:, 1])).all(axis=2)
    conforming = met[:, 1:].mean(axis=1)
    enough = conforming >= share
    return {
        "plant": number,
        "seed": seed,
        "claim": met[:, 0].mean(),
        "claim if reachable": met[enough, 0].mean() if enough.any() else np.nan,
        "hit": float(one.conforms(answer.frame)[0]),
        "conforming share": conforming.mean(),
        "draws with enough": enough.mean(),
    }


def main(arguments: list[str] | None = None) -> None:
    from joblib import Parallel, delayed

    from tests.bank.reachable import claimed  # by its importable name, so that workers find it

    parser = argparse.ArgumentParser(description="Claims if the targets can be met.")
    parser.add_argument("--share", type=float, default=0.01, help="of the region, that conforms at least")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--out", type=Path, default=Path(tempfile.gettempdir()) / "virtual_plants",
                        help="where plans are kept")  # fmt: skip
    options = parser.parse_args(arguments)
    options.plan, options.trials, options.batches, options.kind = "default", 24, 24, "auto"
    rows = pd.read_csv(MEASURED)
    runs = rows.loc[~rows["reached"].astype(bool), ["plant", "seed"]].to_numpy().tolist()
    jobs = [delayed(claimed)(number, seed, options.share, options) for number, seed in runs]
    found = pd.DataFrame(Parallel(n_jobs=options.jobs)(jobs))
    print(found.round(3).to_string(index=False))
    print(found.drop(columns=["plant", "seed"]).mean().round(3).to_string())


if __name__ == "__main__":
    main()
