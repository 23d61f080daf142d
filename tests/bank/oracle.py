"""The oracle: it knows the true functional forms, though not their constants, and sees the same trials.

What it reaches is the floor of what the data allow. Constants have the textbook's weak priors; the errors of
a response have one unknown size (prior density 1 / variance), of which batches take a known share.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from tests.bank.plants import VirtualPlant

CHAINS, STEPS, KEPT = 256, 1600, 8  # walkers; steps of each; how many of its last states are kept
CHUNK = 400  # formulas at a time, for memory


class Oracle:
    """Posterior of the constants of a plant, with the methods that `formlab.suggest` asks of surfaces.

    Parameters
    ----------
    plant : VirtualPlant
        Its brief, forms and prior are used, and how its errors divide between levels; never its constants.
    trials : DataFrame
        One row a slab.
    seed : int or numpy Generator
    """

    def __init__(self, plant: VirtualPlant, trials: pd.DataFrame, seed: Any = None) -> None:
        rng = np.random.default_rng(seed)
        self.plant, self.brief = plant, plant.brief
        self.names = plant.brief.response_names
        self.trials = trials
        self._frame = plant.brief.complete(trials)
        self._centre, self._scale = (
            plant.theta_prior["centre"].to_numpy(),
            plant.theta_prior["scale"].to_numpy(),
        )
        self._logged = np.array([plant.proportional and n != "hardness" for n in self.names])
        self._flipped = np.array([n == "erasure" for n in self.names])
        self._white = self._whitening(trials)
        self._shift = np.zeros(len(self.names))  # from the log of a mean to the mean of a log
        self._y = self._on_scale(trials[self.names].to_numpy(float))
        mode, root = self._mode()
        self.thetas = self._walk(mode, root, rng)
        rss = self._rss(self.thetas)
        self.sds = np.sqrt(rss / rng.chisquare(len(trials), size=rss.shape))

    # ---- fit ------------------------------------------------------------------------------------

    def _whitening(self, trials: pd.DataFrame) -> np.ndarray | None:
        """Inverse roots of the correlation of errors, one a response; None where no batch has two slabs."""
        owner = pd.factorize(trials["batch"])[0] if "batch" in trials else np.arange(len(trials))
        if len(np.unique(owner)) == len(owner):
            return None
        squared = self.plant.sd[["batch", "slab", "reading"]].to_numpy() ** 2
        share = squared[:, 0] / squared.sum(axis=1)
        same = owner[:, None] == owner
        return np.array(
            [np.linalg.inv(np.linalg.cholesky(s * same + (1 - s) * np.eye(len(owner)))) for s in share]
        )

    def _on_scale(self, values: np.ndarray) -> np.ndarray:
        """Values where errors have one size: the log, of what lacks to 100 for erasure, where they are in proportion."""
        away = np.where(self._flipped, 100.0 - values, values)
        with np.errstate(divide="ignore", invalid="ignore"):
            logs = np.log(np.maximum(away, 1e-6))
        return np.where(self._logged, logs, values)

    def _residuals(self, theta: np.ndarray) -> np.ndarray:
        """Shape (..., slabs, responses)."""
        gap = self._y - (self._on_scale(self.plant.physics.means(self._frame, theta)) - self._shift)
        if self._white is None:
            return gap
        return np.einsum("kij,...jk->...ik", self._white, gap)

    def _rss(self, theta: np.ndarray) -> np.ndarray:
        return (self._residuals(theta) ** 2).sum(axis=-2)

    def _log_posterior(self, theta: np.ndarray) -> np.ndarray:
        """Error sizes integrated out."""
        fit = -0.5 * len(self._y) * np.log(self._rss(theta)).sum(axis=-1)
        return fit - 0.5 * (((theta - self._centre) / self._scale) ** 2).sum(axis=-1)

    def _mode(self) -> tuple[np.ndarray, np.ndarray]:
        """Most probable constants by damped Gauss-Newton, and a root of their approximate covariance."""
        best, damping = self._centre.copy(), 1.0
        size = self._y.std(axis=0)
        for _ in range(60):
            now = np.sqrt(self._rss(best) / len(self._y))
            size = np.maximum(now, 0.02 * self._y.std(axis=0))
            self._shift = np.where(self._logged, size**2 / 2, 0.0)
            residual, slope = self._linear(best, size)
            inner = slope.T @ slope
            score = self._penalty(best, size)
            step = np.linalg.solve(inner + damping * np.diag(np.diag(inner)), slope.T @ residual)
            step = np.clip(step, -0.5, 0.5)
            if self._penalty(best + step, size) < score:
                best, damping = best + step, max(damping / 4, 1e-6)
                if np.abs(step).max() < 1e-5:
                    break
            else:
                damping = min(damping * 4, 1e6)
        _, slope = self._linear(best, size)
        return best, np.linalg.inv(np.linalg.cholesky(slope.T @ slope)).T

    def _penalty(self, theta: np.ndarray, size: np.ndarray) -> float:
        apart = (((theta - self._centre) / self._scale) ** 2).sum()
        return float((self._rss(theta) / size**2).sum() + apart)

    def _linear(self, theta: np.ndarray, size: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Scaled residuals at theta, those of the prior last, and minus their derivative."""
        steps = 1e-5 * np.eye(len(theta))
        both = self._residuals(np.vstack([theta[None], theta + steps, theta - steps])) / size
        count = len(theta)
        slope = (both[count + 1 :] - both[1 : count + 1]).reshape(count, -1).T / 2e-5
        residual = np.concatenate([both[0].ravel(), (self._centre - theta) / self._scale])
        return residual, np.vstack([slope, np.diag(1 / self._scale)])

    def _walk(self, mode: np.ndarray, root: np.ndarray, rng: np.random.Generator) -> np.ndarray:
        """Posterior draws by Metropolis steps that the normal approximation itself would always accept.

        Autoregressive proposals about the mode (Cotter et al. 2013), of sizes from small to nearly independent.
        """
        z = rng.normal(size=(CHAINS, len(mode)))
        here = self._log_posterior(mode + z @ root.T) + 0.5 * (z**2).sum(axis=1)
        kept = []
        for step in range(STEPS):
            beta = rng.choice([0.1, 0.25, 0.5, 0.9], size=(CHAINS, 1))
            new = np.sqrt(1 - beta**2) * z + beta * rng.normal(size=z.shape)
            there = self._log_posterior(mode + new @ root.T) + 0.5 * (new**2).sum(axis=1)
            moved = np.log(rng.random(CHAINS)) < there - here
            z[moved], here[moved] = new[moved], there[moved]
            if step >= STEPS // 2 and (STEPS - 1 - step) % (STEPS // 2 // KEPT) == 0:
                kept.append(mode + z @ root.T)
        return np.concatenate(kept)

    # ---- what suggest asks ----------------------------------------------------------------------

    def draw(self, draws: int = 1000, seed: Any = None) -> OracleDraws:
        rng = np.random.default_rng(seed)
        order = np.concatenate(
            [rng.permutation(len(self.thetas)) for _ in range(draws // len(self.thetas) + 1)]
        )
        return OracleDraws(self, order[:draws], rng)

    def __getitem__(self, name: str) -> OracleSurface:
        return OracleSurface(self, self.names.index(name))

    def __len__(self) -> int:
        return len(self.names)

    def means(self, frame: pd.DataFrame, thetas: np.ndarray) -> np.ndarray:
        """True means under each set of constants, shape (draws, rows, responses)."""
        full = self.brief.complete(frame)
        parts = [full.iloc[k : k + CHUNK] for k in range(0, len(full), CHUNK)]
        return np.concatenate([self.plant.physics.means(part, thetas) for part in parts], axis=1)


class OracleDraws:
    """Joint posterior draws; the errors of new batches are drawn once a seed."""

    def __init__(self, oracle: Oracle, rows: np.ndarray, rng: np.random.Generator) -> None:
        self.oracle, self.rows = oracle, rows
        self._seed = int(rng.integers(2**31))

    def __len__(self) -> int:
        return len(self.rows)

    def mean(self, frame: pd.DataFrame) -> np.ndarray:
        used, back = np.unique(self.rows, return_inverse=True)  # the posterior is kept as a finite set
        return self.oracle.means(frame, self.oracle.thetas[used])[back]

    def new_batch(self, frame: pd.DataFrame, seed: Any = None) -> np.ndarray:
        """True means with one error of a new batch, all levels of error merged."""
        oracle, rng = self.oracle, np.random.default_rng(self._seed if seed is None else seed)
        noise = rng.normal(size=(len(self), len(oracle.names))) * oracle.sds[self.rows]
        values = self.mean(frame)
        away = np.where(oracle._flipped, 100.0 - values, values)
        grown = away * np.exp(np.where(oracle._logged, noise, 0.0))[:, None]
        grown = np.where(oracle._flipped, 100.0 - grown, grown)
        return np.where(oracle._logged, grown, values + noise[:, None])

    typical = mean
    accepted = new_batch


class OracleSurface:
    """One response."""

    warnings_: tuple[str, ...] = ()

    def __init__(self, oracle: Oracle, k: int) -> None:
        self.oracle, self.k = oracle, k

    def predict(self, frame: pd.DataFrame, *, outside: str = "warn") -> np.ndarray:
        return self.oracle.draw(500, seed=0).mean(frame)[..., self.k].mean(axis=0)

    def predict_table(
        self, frame: pd.DataFrame, level: float = 0.95, *, outside: str = "warn"
    ) -> pd.DataFrame:
        draws = self.oracle.draw(2000, seed=0)
        mean, batch = draws.mean(frame)[..., self.k], draws.new_batch(frame)[..., self.k]
        ends = [(1 - level) / 2, (1 + level) / 2]
        low, high = np.quantile(mean, ends, axis=0)
        batch_low, batch_high = np.quantile(batch, ends, axis=0)
        return pd.DataFrame(
            {"mean": mean.mean(axis=0), "std_error": mean.std(axis=0), "low": low, "high": high,
             "batch_low": batch_low, "batch_high": batch_high}, index=frame.index,
        )  # fmt: skip
