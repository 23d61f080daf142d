"""Plans against published optimal designs: determinants, weights, efficiencies and split plots."""

from __future__ import annotations

from math import comb

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from formlab import Brief
from formlab.plans import Plan, lay_out
from formlab.plans.structure import Structure

RUBBER = {"name": "sbr", "role": "rubber"}


def square(k: int = 2) -> Brief:
    """Ranges coded to -1 … 1 by the model, free of limits."""
    return Brief(ingredient=[RUBBER, *({"name": f"z{i}", "low": 0, "high": 2} for i in range(k))])


def three_levels(k: int) -> Brief:
    """The same as settings that have three levels only."""
    return Brief(ingredient=[RUBBER], setting=[{"name": f"z{i}", "levels": [0, 1, 2]} for i in range(k)])


def mixture(q: int, model: str = "quadratic") -> Brief:
    parts = [{"name": f"x{k}", "low": 0, "high": 1} for k in range(q)]
    return Brief(basis="fraction", ingredient=parts, model=model)


def determinant(plan: Plan) -> float:
    """|X'X| in the model's own columns."""
    x = plan.space.matrix(plan.frame)
    return float(np.linalg.det(x.T @ x))


def made(brief: Brief, runs: int, starts: int = 10, **more) -> Plan:
    return lay_out(brief, runs, criterion="D", seed=1, starts=starts, ratios={"batch": 0}, **more)


def coded(rows: list[tuple[float, float]]) -> Plan:
    frame = pd.DataFrame(np.array(rows) + 1.0, columns=["z0", "z1"])
    return Plan.from_frame(square(), frame, criterion="D", ratios={"batch": 0})


# ---- two levels -------------------------------------------------------------------------------------

# Largest determinants of n x n matrices of -1 and 1 (Hadamard 1893; the sequence for other n from memory),
# reproduced here by exchange.
HADAMARD = {2: 2, 3: 4, 4: 16, 5: 48, 6: 160, 7: 576, 8: 4096}
HADAMARD_MORE = {9: 14336, 10: 73728, 11: 327680, 12: 2985984}


@pytest.mark.parametrize(("n", "det"), HADAMARD.items())
def test_saturated_main_effects_reach_the_largest_determinant(n, det):
    plan = made(square(n - 1), n, model="linear")
    assert_allclose(determinant(plan), det**2, rtol=1e-9)


@pytest.mark.parametrize(("n", "det"), HADAMARD_MORE.items())
def test_larger_saturated_main_effects_reach_the_largest_determinant(n, det):
    plan = made(square(n - 1), n, starts=40, model="linear")
    assert_allclose(determinant(plan), det**2, rtol=1e-9)


@pytest.mark.parametrize("n", [4, 8, 12])
def test_orthogonal_two_level_plans_are_as_good_as_can_be(n):
    """n^n is Hadamard's bound (1893) on the squared determinant of n trials in n - 1 main effects."""
    line = made(square(n - 1), n, starts=40, model="linear").judge().efficiencies.iloc[0]
    assert_allclose(line["efficiency"], 1.0, rtol=1e-9)
    assert line["proven"]


# ---- the full quadratic on a square -----------------------------------------------------------------


def test_continuous_optimum_on_the_square():
    """Weights 0.1458, 0.0802, 0.0962 and |M| 0.0114 (Fedorov 1972; Atkinson & Donev 1992; from memory)."""
    judged = made(square(), 9).judge()
    limit = judged.limit("D", gap=1e-7)
    assert len(repr(limit)) < 400  # not the hundreds of points it may stand on
    points = judged.basis.frame(np.array([p[0] for p in limit.points]))[["z0", "z1"]].to_numpy() - 1.0
    off_axis = np.abs(points).round(6).sum(axis=1)
    groups = [limit.weights[off_axis == size] for size in (2.0, 1.0, 0.0)]
    for found, weight, count in zip(groups, (0.145791, 0.080161, 0.096193), (4, 4, 1)):
        assert_allclose(found.sum() / count, weight, atol=2e-4)
    x = square_columns(points)
    assert_allclose(np.linalg.det(x.T @ (limit.weights[:, None] * x)), 0.0114270, rtol=2e-6)


def square_columns(z: np.ndarray) -> np.ndarray:
    a, b = z.T
    return np.column_stack([np.ones(len(z)), a, b, a * b, a * a, b * b])


def test_six_trials_of_box_and_draper():
    """Box & Draper 1971 (Technometrics 13:731): efficiency 0.8915 (from memory), |X'X| 267.737."""
    d = (4 - np.sqrt(13)) / 3
    plan = coded([(-1, -1), (1, -1), (-1, 1), (-d, -d), (1, 3 * d), (3 * d, 1)])
    assert_allclose(determinant(plan), 267.737219, rtol=1e-8)
    assert_allclose(plan.judge().efficiencies["efficiency"].iloc[0], 0.891548, atol=6e-4)
    found = made(square(), 6, starts=20)  # which stands on steps of 1/200 of a range
    assert_allclose(determinant(found), 267.737219, rtol=1e-4)


def test_nine_trials_of_the_three_level_factorial():
    """|X'X| 5184, efficiency 0.974 (Atkinson & Donev 1992, from memory)."""
    plan = coded([(a, b) for a in (-1, 0, 1) for b in (-1, 0, 1)])
    assert_allclose(determinant(plan), 5184, rtol=1e-10)
    assert_allclose(
        plan.judge().limit("D", gap=1e-6).efficiency(plan.judge().score("D")), 0.973972, atol=2e-6
    )


# By exchange over the 3 x 3 and the 21 x 21 grid (computed here with another program text, 60 starts).
GRID_3 = {6: 256, 7: 960, 8: 2304, 9: 5184, 10: 9360, 11: 16896, 12: 30320}
GRID_21 = {6: 0.89101, 7: 0.94843, 8: 0.96108, 9: 0.97397, 10: 0.96887, 11: 0.97223, 12: 0.98223}


@pytest.mark.parametrize(("n", "det"), GRID_3.items())
def test_best_of_three_levels(n, det):
    assert_allclose(determinant(made(three_levels(2), n)), det, rtol=1e-9)


@pytest.mark.parametrize(("n", "efficiency"), GRID_21.items())
def test_best_inside_the_square(n, efficiency):
    reached = determinant(made(square(), n)) ** (1 / 6) / n / 0.0114270 ** (1 / 6)
    assert reached >= efficiency - 1e-5


CUBE = {
    10: 1_327_104,
    11: 8_388_608,
    12: 20_971_520,
    13: 59_609_088,
    14: 130_056_192,
    15: 241_920_000,
    16: 449_906_688,
    18: 1_527_070_720,
    20: 4_735_906_560,
}


@pytest.mark.parametrize(("n", "det"), CUBE.items())
def test_three_factors_on_three_levels(n, det):
    """As GRID_3: best of 60 starts elsewhere, so at least as good here."""
    assert determinant(made(three_levels(3), n, starts=20)) >= det * (1 - 1e-9)


# ---- mixtures ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("q", [3, 4, 5])
def test_lattice_is_found_and_as_good_as_can_be(q):
    """{q, 2} with equal weights (Kiefer 1961; Farrell, Kiefer & Walbran 1967; from memory)."""
    plan = made(mixture(q), q * (q + 1) // 2)
    assert_allclose(determinant(plan), 4.0 ** (-2 * comb(q, 2)), rtol=1e-9)
    doubled = plan.frame[[f"x{k}" for k in range(q)]].to_numpy() * 2
    assert_allclose(doubled, np.round(doubled), atol=1e-9)
    textbook = lay_out(mixture(q), kind="lattice", seed=1, ratios={"batch": 0})
    for found in (plan.judge(), textbook.judge()):
        limit = found.limit("D")
        assert_allclose(limit.efficiency(found.score("D")), 1.0, atol=5e-5)
        assert_allclose(limit.largest * len(plan.space), len(plan.space), rtol=1e-3)  # max d(x) = p


@pytest.mark.parametrize(("n", "doubled"), [(7, 1), (8, 2), (9, 3), (10, 4), (12, 6)])
def test_more_trials_repeat_points_of_the_lattice(n, doubled):
    assert_allclose(determinant(made(mixture(3), n)), 4.0**-6 * 2.0**doubled, rtol=1e-9)


def test_centroid_is_found_for_the_special_cubic():
    """Uranisi 1964 (from memory): the simplex centroid is D-optimal."""
    plan = made(mixture(3, "special cubic"), 7)
    assert_allclose(determinant(plan), 4.0**-6 * 27.0**-2, rtol=1e-9)
    textbook = lay_out(mixture(3, "special cubic"), kind="centroid", seed=1, ratios={"batch": 0})
    for found in (plan.judge(), textbook.judge()):
        assert_allclose(found.limit("D").efficiency(found.score("D")), 1.0, atol=5e-5)


def test_cubic_lattice_has_the_ten_points_of_the_handbook():
    """NIST/SEMATECH e-Handbook, section 5.5.4.2."""
    thirds = {tuple(r) for r in (lattice_frame() * 3).round(9).to_numpy()}
    assert thirds == {
        (3, 0, 0), (0, 3, 0), (0, 0, 3), (1, 2, 0), (2, 1, 0), (1, 0, 2), (2, 0, 1), (0, 1, 2), (0, 2, 1), (1, 1, 1)
    }  # fmt: skip


def lattice_frame() -> pd.DataFrame:
    return lay_out(mixture(3), kind="lattice", degree=3, seed=1).frame[["x0", "x1", "x2"]]


# ---- split plots ------------------------------------------------------------------------------------


def split_plot() -> tuple[np.ndarray, np.ndarray]:
    """Seven batches of four: one batch factor, two slab factors (Vining, Kowalski & Montgomery 2005)."""
    box = [(a, b) for a in (-1, 1) for b in (-1, 1)]
    axial = [(-1, 0), (1, 0), (0, -1), (0, 1)]
    centre = [(0, 0)] * 4
    plots = [(-1, box), (1, box), (-1, centre), (1, centre), (0, axial), (0, centre), (0, centre)]
    rows = [(z, *inner) for z, part in plots for inner in part]
    return np.array(rows, dtype=float), np.repeat(np.arange(7), 4)


def split_plot_plan(order: np.ndarray) -> Plan:
    settings = [
        {"name": "z", "low": -1, "high": 1, "changes": "batch"},
        {"name": "x1", "low": -1, "high": 1, "changes": "slab"},
        {"name": "x2", "low": -1, "high": 1, "changes": "slab"},
    ]
    points, batch = split_plot()
    frame = pd.DataFrame(points[order], columns=["z", "x1", "x2"])
    frame["batch"] = [f"B{k}" for k in batch]
    return Plan.from_frame(Brief(ingredient=[RUBBER], setting=settings), frame)


def largest_gap(plan: Plan, ratio: float) -> float:
    """Largest difference between ordinary and generalised least squares over random results."""
    x = plan.space.matrix(plan.frame)
    w = Structure.from_frame(plan.frame, {"batch": ratio}).weight()
    y = np.random.default_rng(3).normal(size=(len(x), 5))
    ordinary = np.linalg.lstsq(x, y, rcond=None)[0]
    general = np.linalg.solve(x.T @ w @ x, x.T @ w @ y)
    return float(np.abs(ordinary - general).max())


@pytest.mark.parametrize("ratio", [0.1, 1, 5, 50])
def test_split_plot_where_ordinary_least_squares_is_enough(ratio):
    """Parker, Kowalski & Vining 2007: equivalent estimation, whatever the variance ratio."""
    assert largest_gap(split_plot_plan(np.arange(28)), ratio) < 1e-13


def test_trials_moved_between_batches_lose_it():
    shuffled = np.random.default_rng(0).permutation(28)
    assert largest_gap(split_plot_plan(shuffled), 1.0) > 0.01
