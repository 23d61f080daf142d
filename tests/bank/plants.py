"""The bank: forty virtual plants, each a brief and a truth, made from their number alone.

    python -m tests.bank.plants

draws them anew and writes what takes long to work out (spreads, targets, cheapest formulas) to the CSV
files beside this module.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from formlab.brief import Brief
from formlab.region import Region
from tests.bank.descent import COSTS, Descent
from tests.bank.physics import CURES, DENSITY, FORMS, Physics

COUNT = 40
TARGETS, CHEAPEST = (Path(__file__).with_name(f"{name}.csv") for name in ("targets", "cheapest"))

# name: role, amount per 100 of rubber from, to, price from, to
MATERIALS: dict[str, tuple[str, float, float, float, float]] = {
    "rubber": ("rubber", 100, 100, 1.7, 2.4),
    "factice": ("factice", 70, 120, 1.8, 2.8),
    "oil": ("oil", 12, 26, 1.0, 1.7),
    "chalk": ("filler", 60, 120, 0.18, 0.35),
    "kaolin": ("filler", 30, 60, 0.3, 0.55),
    "silica": ("filler", 12, 28, 1.3, 2.0),
    "pumice": ("abrasive", 16, 40, 0.5, 0.9),
    "curative": ("curing agent", 3.0, 5.0, 1.6, 3.0),
    "regrind": ("regrind", 12, 25, 0.2, 0.4),
    "zinc_oxide": ("activator", 4, 6, 2.4, 3.0),
}
UNITS = {"erasure": "%", "crumb": "mg/m", "hardness": "Shore A", "smear": "density x 1000", "tear": "N/mm"}
BOUNDS = {"erasure": [-np.inf, 100.0], "crumb": [0.0, np.inf], "hardness": [0.0, 100.0], "smear": [0.0, np.inf],
          "tear": [0.0, np.inf]}  # fmt: skip


@dataclass(frozen=True)
class VirtualPlant:
    """A plant whose truth is known.

    Attributes
    ----------
    number : int
    brief : Brief
        As a user would write it: no error is told.
    physics : Physics
        The true functional forms.
    theta : ndarray of shape (n_constants,)
        True logarithms of the constants.
    sd : DataFrame
        Index: response; columns batch, slab, reading, in the response's unit, and spread, the standard
        deviation of the true means over the region.
    loading : ndarray
        How much of each response's batch error is common to all.
    proportional : bool
        Whether the errors of crumb, smear, tear and of what erasure lacks to 100 grow with them.
    """

    number: int
    brief: Brief
    physics: Physics
    theta: np.ndarray
    sd: pd.DataFrame
    loading: np.ndarray
    proportional: bool

    @property
    def theta_prior(self) -> pd.DataFrame:
        """A textbook's knowledge: log of the centre, and a scale twice as wide as the plants scatter."""
        prior = self.physics.prior
        return pd.DataFrame({"centre": np.log(prior["centre"]), "scale": 2.0 * prior["log_sd"]})

    @cached_property
    def region(self) -> Region:
        return Region.from_brief(self.brief)

    def truth(self, frame: pd.DataFrame, theta: np.ndarray | None = None) -> pd.DataFrame:
        """Return the true means of formulas, one column a response."""
        theta = self.theta if theta is None else theta
        values = self.physics.means(self.brief.complete(frame), theta)
        return pd.DataFrame(values, columns=self.brief.response_names, index=frame.index)

    def conforms(self, frame: pd.DataFrame) -> np.ndarray:
        """Return whether the true means of each formula meet every target."""
        truth = self.truth(frame)
        return np.all([r.meets(truth[r.name]) for r in self.brief.responses], axis=0)

    def simulate(self, plan: pd.DataFrame, seed: Any) -> pd.DataFrame:
        """Return what would be measured on the slabs of a plan, one row a slab; errors have mean zero.

        Columns: those of the plan that are no factors (trial and batch at least), ingredients, settings,
        responses, status.
        """
        rng = np.random.default_rng(seed)
        trials = self.brief.complete(plan)
        count = len(trials)
        batch = plan["batch"] if "batch" in plan else pd.Series([f"B{k + 1:02d}" for k in range(count)])
        owner = pd.factorize(batch.to_numpy())[0]
        m = len(self.brief.responses)
        common = rng.normal(size=(owner.max() + 1, 1))
        own = rng.normal(size=(owner.max() + 1, m))
        shared = (self.loading * common + np.sqrt(1.0 - self.loading**2) * own)[owner]
        noise = (
            shared * self.sd["batch"].to_numpy() + rng.normal(size=(count, m)) * self.sd["slab"].to_numpy()
        )
        noise += rng.normal(size=(count, m)) * self.sd["reading"].to_numpy()
        variance = (self.sd[["batch", "slab", "reading"]] ** 2).sum(axis=1)
        for k, (name, mean) in enumerate(self.truth(plan).items()):
            trials[name] = self._measured(str(name), mean.to_numpy(), noise[:, k], float(variance[name]))
        labels = plan.drop(columns=[*self.brief.columns, "trial", "batch"], errors="ignore")
        labels.insert(0, "batch", batch.to_numpy())
        labels.insert(
            0, "trial", plan["trial"] if "trial" in plan else [f"T{k + 1:02d}" for k in range(count)]
        )
        return pd.concat([labels, trials.assign(status="ok")], axis=1).reset_index(drop=True)

    def _measured(self, name: str, mean: np.ndarray, noise: np.ndarray, variance: float) -> np.ndarray:
        if (
            self.proportional and name != "hardness"
        ):  # lognormal about the true mean, of the same typical size
            size = np.abs(self._typical[name])
            away = 100.0 - mean if name == "erasure" else mean
            grown = away * np.exp(noise / size - variance / size**2 / 2)
            return 100.0 - grown if name == "erasure" else grown
        value = mean + noise
        if name == "erasure":
            return np.minimum(value, 99.9)  # what the bench can read
        return np.maximum(value, 0.1)

    @cached_property
    def _typical(self) -> dict[str, float]:
        """Median over the region of what the error of each response is in proportion to."""
        medians = self.truth(self.region.sample(500, seed=0)).median()
        return {str(n): 100.0 - v if n == "erasure" else v for n, v in medians.items()}

    def cheapest(self, cost: str = "cost_per_litre") -> float:
        """Return the least true cost of a conforming formula, as stored by `python -m tests.bank.plants`."""
        return float(pd.read_csv(CHEAPEST).set_index("plant").loc[self.number, COSTS[cost]])


# ---- drawing a plant ----------------------------------------------------------------------------------


def plant(number: int) -> VirtualPlant:
    """Return a plant of the bank, 0 to 39, always the same one."""
    stored = pd.read_csv(TARGETS)
    rows = stored[stored["plant"] == number].set_index("response")
    if not len(rows):
        raise ValueError(f"There is no plant {number}; they are 0 to {COUNT - 1}.")
    return assemble(number, int(rows["attempt"].iloc[0]), rows)


@lru_cache(maxsize=64)
def draft(number: int, attempt: int) -> tuple[dict[str, Any], Physics]:
    """Return a plant's brief without responses, as a dictionary, and its forms."""
    rng = np.random.default_rng([number, attempt, 1])
    mixture = number % 3 == 2
    varied = _varied(rng, most=5 if mixture else 6)
    settings = tuple(str(n) for n in rng.permutation(["cure_min", "cure_c"])[: (number // 2) % 3])
    settings = tuple(n for n in ("cure_min", "cure_c") if n in settings)
    present = [
        n for n in MATERIALS if n in varied or n in ("rubber", "factice", "oil", "curative", "zinc_oxide")
    ]
    if not {"chalk", "kaolin", "silica"} & set(present):
        present.insert(3, "chalk")
    amounts = {n: rng.uniform(*MATERIALS[n][1:3]) for n in present}
    ingredients = _ingredients(present, varied, amounts, mixture, rng)
    changes = str(rng.choice(["slab", "batch"]))
    ranges = {"cure_min": ("min", 8.0, 20.0, "slab"), "cure_c": ("°C", 143.0, 159.0, changes)}
    brief = {
        "title": f"Virtual plant {number}, invented",
        "basis": "fraction" if mixture else "phr",
        "ingredient": ingredients,
        "setting": [dict(zip(("name", "unit", "low", "high", "changes"), (n, *ranges[n]))) for n in settings],
        "limit": _limits(ingredients, rng),
    }
    if mixture:
        brief["total"] = 100.0
    others = rng.permutation(["hardness", "smear", "tear"])[: rng.integers(1, 4)]
    responses = tuple(n for n in UNITS if n in {"erasure", "crumb", *others})
    forms = {name: str(rng.choice(list(kinds))) for name, kinds in FORMS.items()} | {
        "cure": str(rng.choice(CURES))
    }
    physics = Physics(tuple(present), settings, responses, "curative" in varied, forms, amounts["curative"])
    return brief, physics


def _varied(rng: np.random.Generator, most: int) -> list[str]:
    """Four ingredients or more; oil and a filler always, the rest by lot."""
    chosen = ["oil", str(rng.choice(["chalk", "chalk", "kaolin"]))]
    rest = rng.permutation([n for n in MATERIALS if n not in (*chosen, "rubber", "zinc_oxide")])
    return chosen + [str(n) for n in rest[: rng.integers(2, most - 1)]]


def _ingredients(
    present: list[str], varied: list[str], amounts: dict[str, float], mixture: bool, rng: np.random.Generator
) -> list[dict[str, Any]]:
    share = 100.0 / sum(amounts.values()) if mixture else 1.0
    out = []
    for name in present:
        role, _, _, cheap, dear = MATERIALS[name]
        digits = 2 if amounts[name] * share < 5 else 1
        middle = round(amounts[name] * share, digits)
        low = round(middle * rng.uniform(0.2, 0.5), digits) if name in varied else middle
        high = round(middle * rng.uniform(1.5, 2.2), digits) if name in varied else middle
        out.append({"name": name, "role": role, "low": low, "high": high, "density": DENSITY[name],
                    "price": round(rng.uniform(cheap, dear), 2)})  # fmt: skip
    if mixture:  # what rounding leaves goes to the rubber, so that the middle formula sums to the total
        fixed = sum(row["low"] for row in out[1:] if row["name"] not in varied)
        middle = sum(round(amounts[n] * share, 2 if amounts[n] * share < 5 else 1) for n in varied)
        rubber = 100.0 - fixed - middle
        wide = rng.random() < 0.5  # half of the mixtures let the rubber vary too
        out[0]["low"], out[0]["high"] = (round(rubber * w, 2) for w in ((0.8, 1.25) if wide else (1.0, 1.0)))
    return out


def _limits(ingredients: list[dict[str, Any]], rng: np.random.Generator) -> list[dict[str, str]]:
    """None, one or two rules that cut a corner off: solids together, oil against factice."""
    row = {r["name"]: r for r in ingredients}
    solids = [
        n
        for n in ("chalk", "kaolin", "silica", "pumice", "regrind")
        if n in row and row[n]["low"] < row[n]["high"]
    ]
    limits = []
    if len(solids) > 1 and rng.random() < 0.6:
        middle = sum((row[n]["low"] + row[n]["high"]) / 2 for n in solids)
        most = sum(row[n]["high"] for n in solids)
        limits.append({"expression": f"{' + '.join(solids)} <= {middle + 0.55 * (most - middle):.0f}"})
    if row["factice"]["low"] < row["factice"]["high"] and rng.random() < 0.5:
        bound = row["oil"]["high"] / (0.5 * row["factice"]["low"] + 0.5 * row["factice"]["high"])
        limits.append({"expression": f"oil <= {bound:.2f} * factice"})
    return limits


def assemble(number: int, attempt: int, rows: pd.DataFrame) -> VirtualPlant:
    """Return the plant with these spreads and targets (index response; columns spread, low, high)."""
    brief, physics = draft(number, attempt)
    responses = []
    for name in physics.responses:
        low, high = (float(rows.loc[name, end]) for end in ("low", "high"))
        part: dict[str, Any] = {"name": name, "unit": UNITS[name], "bounds": BOUNDS[name]}
        part |= {"at_least": low} if np.isfinite(low) else {}
        part |= {"at_most": high} if np.isfinite(high) else {}
        responses.append(part)
    rng = np.random.default_rng([number, attempt, 4])
    spread = rows.loc[list(physics.responses), "spread"]
    share = {"batch": (0.10, 0.25), "slab": (0.05, 0.15), "reading": (0.02, 0.06)}
    sd = pd.DataFrame({level: spread * rng.uniform(*ends, size=len(spread)) for level, ends in share.items()})
    sd["spread"] = spread
    loading = rng.uniform(-0.5, 0.5, size=len(spread))
    whole = Brief.model_validate({**brief, "response": responses})
    return VirtualPlant(number, whole, physics, true_constants(number, attempt), sd, loading, number % 4 == 3)


def true_constants(number: int, attempt: int) -> np.ndarray:
    """Return the logarithms of the true constants: normal about the textbook's, cut at two scales."""
    prior = draft(number, attempt)[1].prior
    z = np.random.default_rng([number, attempt, 2]).normal(size=len(prior)).clip(-2, 2)
    return np.log(prior["centre"].to_numpy()) + z * prior["log_sd"].to_numpy()


# ---- what takes long: spreads, targets, cheapest ------------------------------------------------------


def work_out(number: int) -> tuple[pd.DataFrame, dict[str, Any]]:
    """Draw a plant until it is a fair one; return its rows for both files.

    Fair: every response varies within what erasers do, 2 to 6 % of the region conforms, the cheapest
    conforming formula sits on the edge of at least two targets, and cheapness pulls against the targets:
    cheaper formulas that do not conform abound, and those that conform differ in cost.
    """
    for attempt in range(1000):
        brief, physics = draft(number, attempt)
        region = Region.from_brief(Brief.model_validate(brief))
        frame = region.sample(20_000, seed=number)
        truth = physics.means(frame, true_constants(number, attempt))
        rows = _targets(physics, truth, np.random.default_rng([number, attempt, 3]))
        if rows is None:
            continue
        rows.insert(0, "attempt", attempt)
        rows.insert(0, "plant", number)
        one = assemble(number, attempt, rows.set_index("response"))
        conforming = float(one.conforms(frame).mean())
        if not 0.02 <= conforming <= 0.06:
            continue
        per_litre, best = least_cost(one, "cost_per_litre", frame)
        edges = int((edge_distance(one, best) < 0.02).sum())
        over = one.brief.costs(frame)["per_litre"].to_numpy() / per_litre
        cheaper, middle = float((over < 1).mean()), float(np.median(over[one.conforms(frame)]))
        if edges >= 2 and cheaper > 0.03 and middle > 1.08:
            per_kg, _ = least_cost(one, "cost_per_kg", frame)
            line = {"plant": number, "conforming": round(conforming, 4), "edges": edges,
                    "cheaper": round(cheaper, 4), "middle": round(middle, 4),
                    "per_litre": round(per_litre, 6), "per_kg": round(per_kg, 6)}  # fmt: skip
            return rows, line
    raise RuntimeError(f"No fair plant {number} was found.")


SENSIBLE = {  # percentiles 1 and 99 over the region within; standard deviation at least
    "erasure": (30.0, 97.5, 2.0), "crumb": (1.0, 150.0, 1.5), "hardness": (12.0, 92.0, 3.0),
    "smear": (2.0, 200.0, 2.0), "tear": (0.5, 60.0, 0.4),
}  # fmt: skip


def _targets(physics: Physics, truth: np.ndarray, rng: np.random.Generator) -> pd.DataFrame | None:
    """Spreads and targets, tightened by bisection around a formula that is good but no optimum; None if unfair."""
    names = list(physics.responses)
    for k, name in enumerate(names):
        low, high, least = SENSIBLE[name]
        ends = np.percentile(truth[:, k], [1, 99])
        if ends[0] < low or ends[1] > high or truth[:, k].std() < least:
            return None
    spread = truth.std(axis=0)
    kinds = {"erasure": [1], "smear": [-1], "tear": [1], "crumb": [-1, -1, 0], "hardness": [0, 0, -1]}
    sides = np.array([int(rng.choice(kinds[n])) for n in names])  # at least, at most, or between
    score = ((truth - truth.mean(axis=0)) / spread * sides) @ rng.uniform(0.5, 1.5, size=len(names))
    anchor = truth[rng.choice(np.argsort(score)[-1000:])]
    slack = rng.uniform(0.4, 1.6, size=len(names))
    wanted = rng.uniform(0.025, 0.055)
    loose, tight = 4.0, -1.0
    for _ in range(40):
        middle = (loose + tight) / 2
        low, high = _ends(names, anchor, sides, middle * slack * spread)
        met = ((truth >= low) & (truth <= high)).all(axis=1).mean()
        loose, tight = (middle, tight) if met > wanted else (loose, middle)
    return pd.DataFrame({"response": names, "spread": spread.round(6), "low": low, "high": high})


def _ends(
    names: list[str], anchor: np.ndarray, sides: np.ndarray, margin: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Lowest and highest values that are asked for, in the round numbers of a user."""
    digits = [0 if n in ("hardness", "smear") else 1 for n in names]
    width = np.where(sides == 0, np.maximum(margin, 0.0), margin)
    low = np.array([round(v, d) for v, d in zip(anchor - width, digits)])
    high = np.array([round(v, d) for v, d in zip(anchor + width, digits)])
    return np.where(sides >= 0, low, -np.inf), np.where(sides <= 0, high, np.inf)


def edge_distance(one: VirtualPlant, frame: pd.DataFrame) -> np.ndarray:
    """Return how far the true means of one formula are from each target, in spreads; inf where there is none."""
    values = one.truth(frame).to_numpy()[0]
    ends = np.array([r.target for r in one.brief.responses])
    return np.abs(ends - values[:, None]).min(axis=1) / one.sd["spread"].to_numpy()


def least_cost(one: VirtualPlant, cost: str, frame: pd.DataFrame) -> tuple[float, pd.DataFrame]:
    """Return the least true cost of a conforming formula, and that formula.

    The cheapest of the given formulas that conform, improved by sequential quadratic programming from
    several of them; what the programme returns counts only if it truly conforms and lies in the region.
    """
    price = one.brief.costs(frame)[COSTS[cost]].to_numpy()
    good = np.flatnonzero(one.conforms(frame))
    order = good[np.argsort(price[good])]
    starts = frame.iloc[np.concatenate([order[:8], order[8 :: max(1, len(order) // 8)]])]
    descent = Descent(
        one.brief, one.region.polytope, cost, lambda x: one.physics.means(x, one.theta), one.sd["spread"]
    )
    names = list(one.region.polytope.names)
    ends = descent.run(starts[names].to_numpy(float))
    found = one.brief.complete(pd.concat([starts, pd.DataFrame(ends, columns=names)]))
    found = found[one.conforms(found) & one.region.contains(found).to_numpy()]
    costs = one.brief.costs(found)[COSTS[cost]].to_numpy()
    return float(costs.min()), found.iloc[[int(costs.argmin())]]


def main() -> None:
    """Draw the bank anew and write both files."""
    from joblib import Parallel, delayed

    from tests.bank.plants import work_out  # by its importable name, so that workers find it

    made = Parallel(n_jobs=2, verbose=5)(delayed(work_out)(k) for k in range(COUNT))
    pd.concat([rows for rows, _ in made]).to_csv(TARGETS, index=False)
    pd.DataFrame([line for _, line in made]).to_csv(CHEAPEST, index=False)


if __name__ == "__main__":
    main()
