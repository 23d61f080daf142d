"""Surfaces whose posterior is known in closed form, to check what is made of draws."""

from __future__ import annotations

from copy import copy

import numpy as np
import pandas as pd
from scipy.stats import norm


class KnownDraws:
    """Normal shifts of known means: the same shift for a draw everywhere in the region."""

    def __init__(self, world, count, seed):
        rng = np.random.default_rng(seed)
        self.world = world
        self.shift = rng.normal(size=(count, len(world.sds))) * world.sds
        self.batch = rng.normal(size=(count, len(world.sds))) * world.batch_sds

    def __len__(self):
        return len(self.shift)

    def subset(self, rows):
        other = copy(self)
        other.shift, other.batch = self.shift[rows], self.batch[rows]
        return other

    def mean(self, frame):
        return self.world.means(frame)[None] + self.shift[:, None, :]

    def new_batch(self, frame, seed=None):
        return self.mean(frame) + self.batch[:, None, :]

    typical = mean
    accepted = new_batch


class KnownSurface:
    warnings_: tuple = ()

    def __init__(self, world, k):
        self.world, self.k = world, k

    def predict(self, frame, return_std=False, *, outside="warn"):
        return self.world.means(frame)[:, self.k]

    def predict_table(self, frame, level=0.95, *, outside="warn"):
        mean, z = self.predict(frame), norm.ppf(0.5 + level / 2)
        sd, batch = self.world.sds[self.k], np.hypot(self.world.sds[self.k], self.world.batch_sds[self.k])
        columns = {"mean": mean, "std_error": sd, "low": mean - z * sd, "high": mean + z * sd}
        columns |= {"batch_low": mean - z * batch, "batch_high": mean + z * batch}
        return pd.DataFrame(columns, index=frame.index)


class KnownSurfaces(dict):
    """A mapping of response to surface: means are functions of the frame, errors are normal and known."""

    def __init__(self, brief, functions, sds, batch_sds=None):
        self.brief, self.functions = brief, functions
        self.sds = np.asarray(sds, dtype=float)
        self.batch_sds = self.sds * 0 if batch_sds is None else np.asarray(batch_sds, dtype=float)
        super().__init__({n: KnownSurface(self, k) for k, n in enumerate(brief.response_names)})

    def means(self, frame):
        return np.column_stack([f(frame) * np.ones(len(frame)) for f in self.functions])

    def draw(self, draws, seed=None):
        return KnownDraws(self, draws, seed)
