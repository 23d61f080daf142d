"""Gates between mill and press: density, dispersion and yield of a batch, and what is decided when one fails.

A gate says whether a batch went as the plan thinks it did. One that fails is remilled, remade or accepted with a
reason; whatever is decided is a record that the series can keep beside its results.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from formlab.errors import FormlabError, Problem

__all__ = [
    "DECISIONS",
    "DENSITY_WITHIN",
    "YIELD_PERCENT",
    "Gate",
    "density_gate",
    "dispersion_gate",
    "gate_records",
    "gate_table",
    "yield_gate",
    "yield_limits",
]

DENSITY_WITHIN = 0.02  # g/cm3; 0.01 to 0.02 is common practice, no source
YIELD_PERCENT = (-1.5, 0.5)  # of what was weighed; the check-weighing of ISO 2393 and ISO 2476
DECISIONS = ("release", "remill", "remake", "accept")


@dataclass(frozen=True)
class Gate:
    """One check of one batch: the value found, its limits (inf where there is none), and what a miss hints at."""

    name: str
    value: float
    low: float
    high: float
    unit: str
    hint: str = ""

    @property
    def passed(self) -> bool:
        return self.low <= self.value <= self.high

    @property
    def words(self) -> str:
        """The finding in one sentence, and what to look for where it failed."""
        head = f"{self.name} {self.value:.4g}{self.unit}, limits {_span(self.low, self.high)}{self.unit}"
        return f"{head}: passed." if self.passed else f"{head}: failed. {self.hint}".strip()


def density_gate(measured: float, calculated: float, *, within: float = DENSITY_WITHIN) -> Gate:
    """Return whether a measured density agrees with the calculated one, both in g/cm3.

    Measure it on a pressed or rolled piece without bubbles, on the uncured stock: cure changes the volume.

    Examples
    --------
    >>> density_gate(1.412, 1.445).words
    'Density 1.412 g/cm3, limits 1.425 to 1.465 g/cm3: failed. Too light: air, a heavy line short or oil twice.'
    """
    _positive(measured=measured, calculated=calculated, within=within)
    heavy = measured > calculated
    hint = (
        "Too heavy: filler twice, or oil or factice short."
        if heavy
        else "Too light: air, a heavy line short or oil twice."
    )
    return Gate("Density", measured, calculated - within, calculated + within, " g/cm3", hint)


def dispersion_gate(rating: float, at_least: float, *, of: float = 10.0) -> Gate:
    """Return whether a dispersion rating reaches the site's own limit; the scale runs from 1 (worst) to `of`."""
    if not 1 <= rating <= of:
        raise FormlabError(
            f"A dispersion rating of {rating:g} is not on the scale; give one from 1 to {of:g}."
        )
    return Gate(
        "Dispersion",
        rating,
        at_least,
        math.inf,
        f" of {of:g}",
        "Undispersed filler: pass it tight and cut it more.",
    )


def yield_gate(got_g: float, weighed_g: float, *, percent: tuple[float, float] = YIELD_PERCENT) -> Gate:
    """Return whether the mass taken off the mill agrees with what was weighed, in percent of the latter.

    A batch outside -1.5 to +0.5 % is to be discarded and mixed again by ISO 2393 and ISO 2476; a site with
    open mills may set wider limits of its own.

    Examples
    --------
    >>> yield_gate(8910.0, 9000.0).words
    'Yield 99 %, limits 98.5 to 100.5 %: passed.'
    """
    _positive(got_g=got_g, weighed_g=weighed_g)
    value = 100.0 * got_g / weighed_g
    hint = (
        "More came off than went on: wrong weights."
        if value > 100
        else "Lost on the way: tray, dust or a line left out."
    )
    return Gate("Yield", value, 100.0 + percent[0], 100.0 + percent[1], " %", hint)


def yield_limits(weighed_g: float, *, percent: tuple[float, float] = YIELD_PERCENT) -> tuple[float, float]:
    """Return the lowest and highest mass in g at which a batch passes the yield gate."""
    _positive(weighed_g=weighed_g)
    return weighed_g * (1.0 + percent[0] / 100.0), weighed_g * (1.0 + percent[1] / 100.0)


# ---- what is decided ----------------------------------------------------------------------------------------


def gate_records(
    batch: str, gates: Iterable[Gate], decision: str = "release", *, reason: str = "", by: str = ""
) -> list[dict[str, Any]]:
    """Return one plain record a gate, with what was decided about the batch.

    Parameters
    ----------
    batch : str
    gates : iterable of Gate
    decision : {"release", "remill", "remake", "accept"}
        ``release`` only where all gates passed; else remill, remake, or accept with a reason.
    reason, by : str
        Why, and who decided.

    Raises
    ------
    FormlabError
        If the decision does not go with what the gates say, or a reason is missing.
    """
    gates = list(gates)
    failed = [gate.name.lower() for gate in gates if not gate.passed]
    problems = []
    if not gates:
        problems.append(Problem(column="gates", expected="at least one gate"))
    if decision not in DECISIONS:
        problems.append(Problem(column="decision", value=decision, expected=f"one of {', '.join(DECISIONS)}"))
    elif decision == "release" and failed:
        repair = "Say remill, remake, or accept with a reason."
        problems.append(
            Problem(
                column="decision",
                value=decision,
                expected=f"no release, as {' and '.join(failed)} failed",
                repair=repair,
            )
        )
    elif decision == "accept" and failed and not reason.strip():
        problems.append(
            Problem(column="reason", value=reason, expected="why the batch is accepted all the same")
        )
    if problems:
        raise FormlabError(problems)
    said = {"decision": decision, "reason": reason.strip(), "by": by}
    return [{"batch": batch, **_plain(gate), "passed": gate.passed, **said} for gate in gates]


def gate_table(records: Iterable[Mapping[str, Any]]) -> pd.DataFrame:
    """Return records of gates as a table, the latest decision of each batch and gate kept.

    Returns
    -------
    DataFrame
        Columns ``batch, gate, value, low, high, unit, passed, decision, reason, by, tries``.
    """
    columns = ["batch", "gate", "value", "low", "high", "unit", "passed", "decision", "reason", "by"]
    frame = pd.DataFrame(list(records), columns=columns)
    tries = frame.groupby(["batch", "gate"], sort=False)["gate"].transform("size")
    return frame.assign(tries=tries).drop_duplicates(["batch", "gate"], keep="last").reset_index(drop=True)


def _plain(gate: Gate) -> dict[str, Any]:
    """Return the fields of a gate as JSON holds them: no infinite number."""
    ends = {
        key: value if math.isfinite(value) else None
        for key, value in (("low", gate.low), ("high", gate.high))
    }
    return {"gate": gate.name.lower(), "value": float(gate.value), **ends, "unit": gate.unit.strip()}


def _span(low: float, high: float) -> str:
    if math.isinf(high):
        return f"at least {low:.4g}"
    return f"{low:.4g} to {high:.4g}"


def _positive(**given: float) -> None:
    bad = [
        Problem(column=name, value=value, expected="a number above 0")
        for name, value in given.items()
        if not (math.isfinite(value) and value > 0)
    ]
    if bad:
        raise FormlabError(bad)
