"""What happens in a virtual plant: true means of the responses from volumes, cure and unknown constants.

The forms are of the kind the trade reasons with (common practice, no source), none is a polynomial: filler
stiffens by its volume, steeper as it crowds; oil softens with diminishing return; cure follows Arrhenius and
saturates; abrasive bites and saturates; crumb grows exponentially; oil that nothing holds bleeds and smears.
Every constant is positive and handled as its logarithm, so that "known within a factor" is one number.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

RESPONSES = ("erasure", "crumb", "hardness", "smear", "tear")
FILLERS = {"chalk": 1.0, "kaolin": 1.25, "silica": 1.6, "pumice": 0.8, "regrind": 0.4}  # stiffness by volume
DENSITY = {
    "rubber": 0.94, "factice": 1.06, "oil": 0.91, "chalk": 2.71, "kaolin": 2.6, "silica": 2.0,
    "pumice": 2.35, "curative": 1.75, "regrind": 1.25, "zinc_oxide": 5.6,
}  # fmt: skip
REFERENCE_MIN, REFERENCE_K = 12.0, 423.15  # 12 min at 150 °C is one dose of cure

Constants = dict[str, np.ndarray]
Columns = Mapping[str, np.ndarray] | pd.DataFrame


@dataclass(frozen=True)
class Physics:
    """The forms of one plant.

    Parameters
    ----------
    ingredients : tuple of str
        All that are in the compound, fixed ones included; the first is the rubber.
    settings : tuple of str
        Of ``cure_min`` and ``cure_c``.
    responses : tuple of str
        Of `RESPONSES`.
    curative_varies : bool
    forms : dict of str to str
        Which form each state and response takes, see `FORMS`.
    curative_centre : float
        Curative in mass per 100 of rubber at which one dose cures fully.
    """

    ingredients: tuple[str, ...]
    settings: tuple[str, ...]
    responses: tuple[str, ...]
    curative_varies: bool
    forms: dict[str, str]
    curative_centre: float

    # ---- constants ------------------------------------------------------------------------------

    @property
    def has_cure(self) -> bool:
        return bool(self.settings) or self.curative_varies

    def has(self, name: str) -> bool:
        return name in self.ingredients

    @cached_property
    def prior(self) -> pd.DataFrame:
        """What a textbook would say: ``centre`` of each constant, and ``log_sd``, how far off that may be."""
        rows: dict[str, tuple[float, float]] = {}
        if self.has_cure:
            rows |= {"cure.rate": (1.7, 0.3), "cure.shape": (1.4, 0.25)}
            if "cure_c" in self.settings:
                rows["cure.energy"] = (11.5, 0.12)  # activation energy over the gas constant, 1000 K
            if self.curative_varies:
                rows["cure.order"] = (0.6, 0.3)
        rows |= {f"stiff.{n}": (w, 0.25) for n, w in FILLERS.items() if self.has(n)}
        rows |= HARDNESS[self.forms["hardness"]]
        for name in self.responses:
            if name != "hardness":
                rows |= PRIORS[name][self.forms[name]]
        if "smear" in self.responses and "crumb" not in self.responses:
            rows |= PRIORS["crumb"][self.forms["crumb"]]  # smear depends on it
        unused = {f"{r}.{n}" for r in RESPONSES for n in ("abrasive", "bite") if not self.has("pumice")}
        unused |= {"erasure.carry"} if self.has("pumice") else set()
        unused |= {f"{r}.{n}" for r in RESPONSES for n in ("silica", "regrind", "chalk") if not self.has(n)}
        unused |= {f"{r}.{n}" for r in RESPONSES for n in ("green", "over") if not self.has_cure}
        kept = {name: row for name, row in rows.items() if name not in unused}
        return pd.DataFrame.from_dict(kept, orient="index", columns=["centre", "log_sd"])

    # ---- true means -----------------------------------------------------------------------------

    def volumes(self, amounts: Columns) -> dict[str, np.ndarray]:
        """Volume fractions by ingredient, and curative per 100 of rubber, from amounts by mass."""
        parts = {n: np.asarray(amounts[n], dtype=float) / DENSITY[n] for n in self.ingredients}
        total = sum(parts.values())
        out = {n: part / total for n, part in parts.items()}
        curative, rubber = (np.asarray(amounts[n], dtype=float) for n in ("curative", "rubber"))
        out["curative_phr"] = 100.0 * curative / rubber
        return out

    def means(self, frame: Columns, theta: np.ndarray) -> np.ndarray:
        """Return true means, shape (..., rows, responses).

        Parameters
        ----------
        frame : DataFrame, or mapping of str to ndarray
            Amounts by mass in any one unit, and settings, each of shape (rows,).
        theta : ndarray of shape (..., n_constants)
            Logarithms of the constants, in the order of `prior`.
        """
        p = {name: np.exp(theta[..., j, None]) for j, name in enumerate(self.prior.index)}
        x = self.volumes(frame)
        x |= {name: np.asarray(frame[name], dtype=float) for name in self.settings}
        rows = len(x["rubber"])
        x["filler"] = sum((p[f"stiff.{n}"] * x[n] for n in FILLERS if self.has(n)), np.zeros(rows))
        x["dose"], x["cured"] = self._cure(x, p)
        out: dict[str, np.ndarray] = {}
        for name in ("hardness", "crumb", "erasure", "smear", "tear"):  # later ones depend on earlier ones
            if (
                name in self.responses
                or name == "hardness"
                or (name == "crumb" and "smear" in self.responses)
            ):
                x[name] = out[name] = FORMS[name][self.forms[name]](x, _Lenient(p))
        shape = (*theta.shape[:-1], rows)
        return np.stack([np.broadcast_to(out[name], shape) for name in self.responses], axis=-1)

    def _cure(self, x: dict[str, np.ndarray], p: Constants) -> tuple[np.ndarray, np.ndarray]:
        """Dose (1 = the reference cure) and degree of cure, 0 to 1; full where nothing changes it."""
        if not self.has_cure:
            return np.ones(1), np.ones(1)
        dose = p["cure.rate"] * x.get("cure_min", np.array([REFERENCE_MIN])) / REFERENCE_MIN
        if "cure_c" in x:
            dose = dose * np.exp(-p["cure.energy"] * (1000.0 / (x["cure_c"] + 273.15) - 1000.0 / REFERENCE_K))
        if self.curative_varies:
            dose = dose * (x["curative_phr"] / self.curative_centre) ** p["cure.order"]
        if self.forms["cure"] == "sigmoid":
            steep = dose ** (2.0 * p["cure.shape"])
            return dose, steep / (0.35 + steep)
        return dose, 1.0 - np.exp(-(dose ** p["cure.shape"]))


class _Lenient(dict[str, np.ndarray]):
    """Constants of what this plant does not have are zero."""

    def __missing__(self, name: str) -> float:
        return 0.0


def _of(x: dict[str, np.ndarray], name: str) -> np.ndarray:
    return x[name] if name in x else np.zeros(1)


def _sigmoid(z: np.ndarray) -> np.ndarray:
    return 1.0 / (1.0 + np.exp(-np.clip(z, -40, 40)))


def _softening(x: dict[str, np.ndarray], p: Constants) -> np.ndarray:
    return p["hardness.soften"] * x["oil"] / (1.0 + p["hardness.sated"] * x["oil"])


# ---- hardness, Shore A ------------------------------------------------------------------------------


def hardness_by_modulus(x: dict[str, np.ndarray], p: Constants) -> np.ndarray:
    """A modulus that filler multiplies as spheres do (Guth 1945, from memory); Shore A saturates in it."""
    v = x["filler"]
    modulus = p["hardness.base"] * (1.0 + 2.5 * v + 14.1 * v**2) * np.exp(-_softening(x, p))
    modulus = modulus * np.exp(
        -p["hardness.factice"] * x["factice"] - p["hardness.green"] * (1.0 - x["cured"])
    )
    return 100.0 * modulus / (1.0 + modulus)


def hardness_by_packing(x: dict[str, np.ndarray], p: Constants) -> np.ndarray:
    """Filler crowds towards a closest packing; oil, factice and lack of cure take hardness away."""
    crowd = x["filler"] / np.maximum(1.0 - p["hardness.packing"] * x["filler"], 0.15)
    hardness = p["hardness.base"] + p["hardness.crowd"] * crowd - _softening(x, p)
    return hardness - p["hardness.factice"] * x["factice"] - p["hardness.green"] * (1.0 - x["cured"])


HARDNESS = {
    "modulus": {
        "hardness.base": (0.95, 0.2), "hardness.soften": (9.0, 0.3), "hardness.sated": (3.0, 0.5),
        "hardness.factice": (0.9, 0.4), "hardness.green": (1.0, 0.4),
    },
    "packing": {
        "hardness.base": (52.0, 0.1), "hardness.crowd": (48.0, 0.25), "hardness.packing": (0.9, 0.3),
        "hardness.soften": (190.0, 0.3), "hardness.sated": (4.0, 0.5), "hardness.factice": (18.0, 0.4),
        "hardness.green": (22.0, 0.35),
    },
}  # fmt: skip

# ---- crumb, mg a metre ------------------------------------------------------------------------------


def _loosening(x: dict[str, np.ndarray], p: Constants) -> np.ndarray:
    loose = p["crumb.filler"] * x["filler"] + p["crumb.abrasive"] * _of(x, "pumice")
    loose = loose + p["crumb.regrind"] * _of(x, "regrind") + p["crumb.factice"] * x["factice"]
    return loose + p["crumb.green"] * (1.0 - x["cured"]) - p["crumb.tough"] * (x["hardness"] - 50.0) / 50.0


def crumb_exponential(x: dict[str, np.ndarray], p: Constants) -> np.ndarray:
    """Every weakness multiplies what comes off."""
    return p["crumb.level"] * np.exp(np.clip(_loosening(x, p), -20, 8))


def crumb_saturating(x: dict[str, np.ndarray], p: Constants) -> np.ndarray:
    """As above, until the track can shed no more."""
    grown = np.exp(np.clip(_loosening(x, p), -20, 20))
    return p["crumb.level"] * grown / (1.0 + grown / p["crumb.most"])


_CRUMB = {
    "crumb.level": (3.2, 0.3), "crumb.filler": (3.0, 0.3), "crumb.abrasive": (9.0, 0.3),
    "crumb.regrind": (4.0, 0.3), "crumb.factice": (1.8, 0.3), "crumb.green": (1.3, 0.3), "crumb.tough": (0.8, 0.4),
}  # fmt: skip

# ---- erasure, % -------------------------------------------------------------------------------------


def _erasure(x: dict[str, np.ndarray], p: Constants, grip: np.ndarray, blunt: np.ndarray) -> np.ndarray:
    loss = p["erasure.rest"] + p["erasure.slip"] * (1.0 - grip) + p["erasure.blunt"] * blunt
    loss = loss + p["erasure.chalk"] * _of(x, "chalk") + p["erasure.oily"] * x["oil"] ** 2
    return 100.0 - loss


def erasure_soft(x: dict[str, np.ndarray], p: Constants) -> np.ndarray:
    """A soft surface grips, along a sigmoid; abrasive bites and saturates."""
    grip = _sigmoid((p["erasure.grip"] - x["hardness"]) / p["erasure.width"])
    if "pumice" in x:
        return _erasure(x, p, grip, np.exp(-x["pumice"] / p["erasure.bite"]))
    return _erasure(x, p, grip, np.exp(-x["factice"] / p["erasure.carry"]))


def erasure_best_hardness(x: dict[str, np.ndarray], p: Constants) -> np.ndarray:
    """Neither too soft nor too hard; the bite of the abrasive starts slowly, then saturates."""
    grip = np.exp(-(((x["hardness"] - p["erasure.grip"]) / (2.0 * p["erasure.width"])) ** 2))
    if "pumice" in x:
        return _erasure(x, p, grip, 1.0 / (1.0 + (x["pumice"] / p["erasure.bite"]) ** 2))
    return _erasure(x, p, grip, 1.0 / (1.0 + (x["factice"] / p["erasure.carry"]) ** 3))


_ERASURE = {
    "erasure.rest": (4.0, 0.3), "erasure.slip": (16.0, 0.3), "erasure.grip": (50.0, 0.08), "erasure.width": (7.0, 0.25),
    "erasure.blunt": (16.0, 0.3), "erasure.bite": (0.03, 0.3), "erasure.chalk": (16.0, 0.4), "erasure.carry": (0.22, 0.2),
    "erasure.oily": (250.0, 0.4),
}  # fmt: skip

# ---- smear, density x 1000 --------------------------------------------------------------------------


def _smear(x: dict[str, np.ndarray], p: Constants, bleed: np.ndarray) -> np.ndarray:
    film = p["smear.film"] * np.exp(-x["crumb"] / p["smear.carry"])  # crumb takes the film away
    return p["smear.level"] + bleed + film + p["smear.green"] * (1.0 - x["cured"])


def smear_power(x: dict[str, np.ndarray], p: Constants) -> np.ndarray:
    """Oil smears more than in proportion."""
    return _smear(x, p, p["smear.bleed"] * (x["oil"] / 0.1) ** p["smear.power"])


def smear_threshold(x: dict[str, np.ndarray], p: Constants) -> np.ndarray:
    """Only oil that factice and filler do not hold smears; the threshold is rounded."""
    free = (x["oil"] - p["smear.hold"] * (x["factice"] + x["filler"])) / p["smear.edge"]
    return _smear(x, p, 10.0 * p["smear.bleed"] * p["smear.edge"] * np.logaddexp(0.0, np.clip(free, -30, 30)))


_SMEAR = {
    "smear.level": (7.0, 0.3), "smear.bleed": (16.0, 0.3), "smear.film": (12.0, 0.3), "smear.carry": (9.0, 0.3),
    "smear.green": (18.0, 0.3),
}  # fmt: skip

# ---- tear, N a millimetre ---------------------------------------------------------------------------


def _weakening(x: dict[str, np.ndarray], p: Constants) -> np.ndarray:
    return np.exp(
        -p["tear.notch"] * x["filler"] - p["tear.oil"] * x["oil"] - p["tear.factice"] * x["factice"]
    )


def tear_saturating(x: dict[str, np.ndarray], p: Constants) -> np.ndarray:
    """Cure gives strength; every inclusion is a notch, but fine silica holds."""
    strong = 1.0 + p["tear.silica"] * _of(x, "silica") / (0.08 + _of(x, "silica"))
    return p["tear.level"] * strong * _weakening(x, p) * (1.0 - p["tear.green"] * (1.0 - x["cured"]) ** 1.5)


def tear_peak(x: dict[str, np.ndarray], p: Constants) -> np.ndarray:
    """Strength passes through a best cure and falls beyond it."""
    strong = 1.0 + p["tear.silica"] * _of(x, "silica") / (0.08 + _of(x, "silica"))
    peak = np.exp(-p["tear.over"] * np.log(np.maximum(x["dose"], 1e-3) / 1.4) ** 2)
    return p["tear.level"] * strong * _weakening(x, p) * peak


_TEAR = {
    "tear.level": (22.0, 0.2), "tear.notch": (2.2, 0.3), "tear.oil": (3.0, 0.4), "tear.factice": (1.2, 0.3),
    "tear.silica": (0.6, 0.3),
}  # fmt: skip

Form = Callable[[dict[str, np.ndarray], Constants], np.ndarray]
FORMS: dict[str, dict[str, Form]] = {
    "hardness": {"modulus": hardness_by_modulus, "packing": hardness_by_packing},
    "crumb": {"exponential": crumb_exponential, "saturating": crumb_saturating},
    "erasure": {"soft": erasure_soft, "best hardness": erasure_best_hardness},
    "smear": {"power": smear_power, "threshold": smear_threshold},
    "tear": {"saturating": tear_saturating, "peak": tear_peak},
}
CURES = ("exponential", "sigmoid")
PRIORS: dict[str, dict[str, dict[str, tuple[float, float]]]] = {
    "crumb": {"exponential": _CRUMB, "saturating": {**_CRUMB, "crumb.most": (14.0, 0.3)}},
    "erasure": {"soft": _ERASURE, "best hardness": _ERASURE},
    "smear": {
        "power": {**_SMEAR, "smear.power": (1.7, 0.2)},
        "threshold": {**_SMEAR, "smear.hold": (0.1, 0.3), "smear.edge": (0.02, 0.3)},
    },
    "tear": {
        "saturating": {**_TEAR, "tear.green": (0.7, 0.2)},
        "peak": {**_TEAR, "tear.over": (0.5, 0.3)},
    },
}
