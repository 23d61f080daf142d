from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.optimize import linprog, minimize
from scipy.spatial import Delaunay, HalfspaceIntersection

from formlab.errors import RegionError
from formlab.polytope import Polytope, Rule


def rule(coefficients, sense, bound):
    names = "abcdefghijklmnop"
    text = " + ".join(f"{c:g} {n}" for c, n in zip(coefficients, names) if c) + f" {sense} {bound:g}"
    return Rule(tuple(map(float, coefficients)), sense, float(bound), text)


def box(low, high, *rules):
    return Polytope(tuple("abcdefghijklmnop"[: len(low)]), np.array(low, float), np.array(high, float), rules)


def mixture(low, high, total=1.0, *rules):
    return box(low, high, rule([1] * len(low), "=", total), *rules)


# McLean & Anderson 1966 (Technometrics 8:447), flare: magnesium, nitrate, nitrate, binder. Data from memory.
FLARE = mixture([0.40, 0.10, 0.10, 0.03], [0.60, 0.50, 0.50, 0.08])
FLARE_VERTICES = [
    [0.40, 0.10, 0.42, 0.08],
    [0.40, 0.10, 0.47, 0.03],
    [0.40, 0.42, 0.10, 0.08],
    [0.40, 0.47, 0.10, 0.03],
    [0.60, 0.10, 0.22, 0.08],
    [0.60, 0.10, 0.27, 0.03],
    [0.60, 0.22, 0.10, 0.08],
    [0.60, 0.27, 0.10, 0.03],
]
FLARE_FACES = [
    [0.50, 0.10, 0.345, 0.055],
    [0.50, 0.345, 0.10, 0.055],
    [0.40, 0.2725, 0.2725, 0.055],
    [0.60, 0.1725, 0.1725, 0.055],
    [0.50, 0.235, 0.235, 0.03],
    [0.50, 0.21, 0.21, 0.08],
]


def test_flare_of_mclean_and_anderson():
    assert_allclose(FLARE.vertices, FLARE_VERTICES, atol=1e-12)
    centroids = sorted(FLARE.vertices[face].mean(axis=0).tolist() for face in FLARE.faces(2))
    assert_allclose(centroids, sorted(FLARE_FACES), atol=1e-12)
    assert_allclose(FLARE.vertices.mean(axis=0), [0.50, 0.2225, 0.2225, 0.055], atol=1e-12)
    assert FLARE.dimension == 3
    assert [len(FLARE.faces(k)) for k in range(5)] == [8, 12, 6, 1, 0]


def test_faces_of_a_cube_and_of_a_simplex():
    """A d-cube has 2^(d-k) C(d, k) faces of dimension k, a d-simplex C(d+1, k+1) (closed forms)."""
    assert [len(box([0] * 4, [1, 2, 3, 4]).faces(k)) for k in range(5)] == [16, 32, 24, 8, 1]
    assert [len(mixture([0] * 5, [1] * 5).faces(k)) for k in range(5)] == [5, 10, 10, 5, 1]


def test_a_vertex_typed_in_the_brief_comes_out_to_the_last_digit():
    vertices = box([0.1, 0.7], [0.3, 0.9]).vertices
    assert vertices.tolist() == [[0.1, 0.7], [0.1, 0.9], [0.3, 0.7], [0.3, 0.9]]


def test_fixed_variables_and_rules_they_decide():
    assert box([1, 2], [1, 2]).vertices.tolist() == [[1, 2]]
    assert box([1, 2], [1, 2], rule([1, 1], "<=", 3)).vertices.tolist() == [[1, 2]]
    assert box([1, 2], [1, 2], rule([1, 1], "<=", 2.9)).vertices.shape == (0, 2)
    assert box([1, 2], [1, 2], rule([1, 1], ">=", 3.1)).vertices.shape == (0, 2)
    assert box([1, 2, 0], [1, 2, 1], rule([1, 1, 0], "=", 3.1)).vertices.shape == (0, 3)
    assert box([1, 2, 0], [1, 2, 1], rule([1, 1, 0], "=", 2.9)).vertices.shape == (0, 3)


def test_no_variables_at_all():
    nothing = box([], [])
    assert nothing.vertices.shape == (1, 0) and nothing.dimension == 0
    assert nothing.sample(3, seed=1).shape == (3, 0)


def test_too_large_is_an_error():
    with pytest.raises(RegionError) as caught:
        _ = Polytope(tuple(f"x{k}" for k in range(18)), np.zeros(18), np.ones(18)).vertices
    assert str(caught.value) == (
        "The region has 262144 vertices; at most 200000 are handled. Fix some of the ingredients or settings."
    )
    with pytest.raises(RegionError) as caught:
        _ = Polytope(
            tuple(f"x{k}" for k in range(17)), np.zeros(17), np.ones(17), (Rule((1.0,) * 17, "=", 3.0),)
        ).vertices
    assert str(caught.value) == (
        "17 variables are tied together by limits; at most 16 are handled. "
        "Fix some of the ingredients or settings."
    )


# ---- random polytopes against other methods -------------------------------------------------------------

SIDE = st.integers(-4, 4)


@st.composite
def polytopes(draw, most=4, equalities=True):
    """Small boxes cut by rules that pass at a few units around their centre; many are degenerate."""
    d = draw(st.integers(2, most))
    low = np.array(draw(st.lists(st.integers(0, 5), min_size=d, max_size=d)), float)
    width = draw(st.lists(st.integers(1, 6), min_size=d, max_size=d))
    rules = []
    if equalities and draw(st.booleans()):
        rules.append(rule([1] * d, "=", float(low.sum()) + draw(st.integers(0, sum(width)))))
    for _ in range(draw(st.integers(0, 3))):
        a = draw(st.lists(SIDE, min_size=d, max_size=d).filter(any))
        bound = np.dot(a, low + 0.5 * np.array(width)) + draw(st.integers(-8, 8))
        rules.append(rule(a, draw(st.sampled_from(["<=", ">="])), bound))
    return box(low, low + width, *rules)


def inequalities(polytope):
    """Rows ``A x <= b`` of everything but equalities, built by themselves."""
    d = len(polytope.names)
    rows = [*np.eye(d), *-np.eye(d)]
    bounds = [*polytope.upper, *-polytope.lower]
    for r in polytope.rules:
        sign = {"<=": 1, ">=": -1, "=": 0}[r.sense]
        if sign:
            rows.append(sign * np.array(r.coefficients))
            bounds.append(sign * r.bound)
    return np.array(rows), np.array(bounds)


def halfspace_vertices(polytope):
    """Vertices by scipy's half-space intersection (Qhull) in coordinates of the affine hull."""
    a, b = inequalities(polytope)
    equal = [r for r in polytope.rules if r.sense == "="]
    d = len(polytope.names)
    origin, basis = np.zeros(d), np.eye(d)
    if equal:
        lhs, rhs = np.array([r.coefficients for r in equal]), np.array([r.bound for r in equal])
        origin = np.linalg.lstsq(lhs, rhs, rcond=None)[0]
        basis = np.linalg.svd(lhs)[2][len(equal) :].T
    g, h = a @ basis, b - a @ origin
    norm = np.linalg.norm(g, axis=1)
    if (h[norm < 1e-9] < -1e-9).any():
        return None
    g, h, norm = g[norm >= 1e-9], h[norm >= 1e-9], norm[norm >= 1e-9]
    inner = linprog(
        np.append(np.zeros(g.shape[1]), -1.0), A_ub=np.column_stack([g, norm]), b_ub=h, bounds=(None, None)
    )
    if inner.status != 0 or inner.x[-1] < 1e-6:
        return None  # empty or flat: Qhull needs a point well inside
    if g.shape[1] == 1:
        steps = h / g[:, 0]
        ends = [steps[g[:, 0] < 0].max(), steps[g[:, 0] > 0].min()]
        return origin + np.array(ends)[:, None] * basis.T
    points = HalfspaceIntersection(np.column_stack([g, -h]), inner.x[:-1]).intersections
    return origin + points @ basis.T


@settings(deadline=None, max_examples=150)
@given(polytopes())
def test_vertices_agree_with_the_half_space_method(polytope):
    expected = halfspace_vertices(polytope)
    if expected is None:
        return
    found = polytope.vertices
    apart = np.abs(found[:, None, :] - expected[None, :, :]).max(axis=2)
    assert apart.min(axis=1).max() < 1e-6 and apart.min(axis=0).max() < 1e-6
    between = np.abs(found[:, None, :] - found[None, :, :]).max(axis=2)
    assert len(found) == 1 or between[np.triu_indices(len(found), 1)].min() > 1e-6  # each one once


@settings(deadline=None, max_examples=150)
@given(polytopes())
def test_empty_exactly_where_a_linear_program_says_so(polytope):
    a, b = inequalities(polytope)
    equal = [r for r in polytope.rules if r.sense == "="]
    answer = linprog(
        np.zeros(len(polytope.names)),
        A_ub=a,
        b_ub=b,
        A_eq=[r.coefficients for r in equal] or None,
        b_eq=[r.bound for r in equal] or None,
        bounds=(None, None),
    )
    assert (len(polytope.vertices) == 0) == (answer.status == 2)


@settings(deadline=None, max_examples=60)
@given(polytopes())
def test_a_conflict_is_a_conflict_and_every_part_of_it_matters(polytope):
    words = polytope.conflict()
    assert bool(words) == (len(polytope.vertices) == 0)

    def holds(chosen):
        rows, bounds, equal, rhs = [], [], [], []
        for k, name in enumerate(polytope.names):
            unit = np.eye(len(polytope.names))[k]
            if f"{name} at least {polytope.lower[k]:g}" in chosen:
                rows.append(-unit), bounds.append(-polytope.lower[k])
            if f"{name} at most {polytope.upper[k]:g}" in chosen:
                rows.append(unit), bounds.append(polytope.upper[k])
        for r in polytope.rules:
            if r.text not in chosen:
                continue
            sign = -1 if r.sense == ">=" else 1
            (equal if r.sense == "=" else rows).append(sign * np.array(r.coefficients))
            (rhs if r.sense == "=" else bounds).append(sign * r.bound)
        answer = linprog(
            np.zeros(len(polytope.names)),
            A_ub=np.array(rows) if rows else None,
            b_ub=bounds or None,
            A_eq=np.array(equal) if equal else None,
            b_eq=rhs or None,
            bounds=(None, None),
        )
        return answer.status != 2

    if words:
        assert not holds(set(words))
        assert all(holds(set(words) - {word}) for word in words)


def test_a_conflict_in_words():
    empty = mixture([0.3, 0.4, 0.4, 0.0], [0.5, 0.6, 0.6, 0.2])
    assert empty.conflict() == [
        "a at least 0.3",
        "b at least 0.4",
        "c at least 0.4",
        "d at least 0",
        "1 a + 1 b + 1 c + 1 d = 1",
    ]
    assert FLARE.conflict() == []
    narrow = box([0, 0], [1, 1], rule([1, 1], "<=", 1.0), rule([1, 1], ">=", 1.0 + 1e-7))
    assert narrow.conflict() == ["1 a + 1 b <= 1", "1 a + 1 b >= 1"]
    # the shorter of two conflicts: with the range of b, the third rule would make five parts with the others
    short = box([0, 0], [1, 1], rule([1, 1], ">=", 3.0), rule([1, 0], ">=", 2.0))
    assert short.conflict() == ["a at most 1", "1 a >= 2"]
    fixed = box([2, 0], [2, 1], rule([1, 1], "<=", 1.5))
    assert fixed.conflict() == ["a = 2", "b at least 0", "1 a + 1 b <= 1.5"]


def test_reasons_for_an_end_that_cannot_be_passed():
    assert FLARE.reasons(np.array([0.0, 1.0, 0.0, 0.0]), 0.47) == [
        "a at least 0.4", "c at least 0.1", "d at least 0.03", "1 a + 1 b + 1 c + 1 d = 1",
    ]  # fmt: skip
    assert FLARE.reasons(np.array([1.0, 0.0, 0.0, 0.0]), 0.6) == ["a at most 0.6"]
    assert FLARE.reasons(np.array([0.0, 1.0, 0.0, 0.0]), 0.40) == []


@settings(deadline=None, max_examples=60)
@given(polytopes(), st.data())
def test_nearest_agrees_with_sequential_programming(polytope, data):
    if not len(polytope.vertices):
        return
    d = len(polytope.names)
    x = np.array(data.draw(st.lists(st.integers(-5, 15), min_size=d, max_size=d)), float)
    width = polytope.upper - polytope.lower
    found = polytope.nearest(x[None, :])[0]
    assert polytope.contains(found[None, :], tolerance=1e-8)[0]
    a, b = inequalities(polytope)
    checks = [
        {"type": "ineq", "fun": lambda u: b - a @ (polytope.lower + u * width), "jac": lambda u: -a * width}
    ]
    for r in polytope.rules:
        if r.sense == "=":
            row = np.array(r.coefficients)
            checks.append(
                {"type": "eq", "fun": lambda u, row=row, r=r: row @ (polytope.lower + u * width) - r.bound}
            )
    goal = (x - polytope.lower) / width
    start = (polytope.vertices.mean(axis=0) - polytope.lower) / width
    other = minimize(
        lambda u: ((u - goal) ** 2).sum(), start, jac=lambda u: 2 * (u - goal), constraints=checks,
        method="SLSQP", options={"ftol": 1e-14, "maxiter": 300},
    )  # fmt: skip
    mine = (((found - polytope.lower) / width - goal) ** 2).sum()
    if other.success:
        assert mine <= other.fun + 1e-6 * (1 + other.fun)
        assert_allclose(mine, other.fun, rtol=1e-5, atol=1e-6)


def test_a_point_inside_is_its_own_nearest():
    inside = FLARE.sample(5, seed=3)
    assert_allclose(FLARE.nearest(inside), inside, atol=1e-12)


def exact_moments(polytope):
    """Mean and covariance of the uniform distribution, from a triangulation of the vertices.

    For a simplex with vertices v and mean m: E[(x-m)(x-m)'] = sum (v-m)(v-m)' / ((k+1)(k+2)).
    """
    centre, basis = polytope.frame
    t = (polytope._scale(polytope.vertices) - centre) @ basis
    k = basis.shape[1]
    volume, first, second = 0.0, 0.0, 0.0
    for simplex in Delaunay(t).simplices:
        v = t[simplex]
        size = abs(np.linalg.det(v[1:] - v[0]))
        mean = v.mean(axis=0)
        spread = (v - mean).T @ (v - mean) / ((k + 1) * (k + 2))
        volume, first = volume + size, first + size * mean
        second = second + size * (spread + np.outer(mean, mean))
    mean = first / volume
    return mean, second / volume - np.outer(mean, mean), t


@pytest.mark.parametrize(
    "polytope",
    [
        FLARE,
        mixture([0] * 4, [1] * 4),
        mixture([0.2, 0.0, 0.0], [0.9, 0.05, 0.8]),
        box([0, 0, 5], [10, 1, 6], rule([1, 10, 0], "<=", 12), rule([1, 0, 2], ">=", 13)),
        box([0] * 5, [1] * 5, rule([1] * 5, "<=", 1.5)),
    ],
    ids=["flare", "simplex", "sliver", "box", "corner"],
)
def test_sample_is_inside_and_uniform(polytope):
    n = 20_000
    x = polytope.sample(n, seed=5)
    assert polytope.contains(x, tolerance=1e-9).all()
    mean, cov, _ = exact_moments(polytope)
    centre, basis = polytope.frame
    t = (polytope._scale(x) - centre) @ basis
    root = np.linalg.cholesky(np.linalg.inv(cov))
    z = (t - mean) @ root  # exact mean 0 and covariance 1
    assert np.abs(z.mean(axis=0)).max() < 4.5 / np.sqrt(n)
    products = z[:, :, None] * z[:, None, :]
    error = products.std(axis=0) / np.sqrt(n)
    assert (np.abs(products.mean(axis=0) - np.eye(z.shape[1])) < 4.5 * error).all()


def test_sample_is_seeded_and_covers_fixed_and_single_points():
    assert_allclose(FLARE.sample(4, seed=1), FLARE.sample(4, seed=1), rtol=0)
    assert (FLARE.sample(4, seed=1) != FLARE.sample(4, seed=2)).all()
    point = mixture([0.5, 0.5], [0.9, 0.9])
    assert_allclose(point.sample(3, seed=1), [[0.5, 0.5]] * 3)
    assert FLARE.sample(0, seed=1).shape == (0, 4)
    with pytest.raises(RegionError) as caught:
        mixture([0.6, 0.6], [0.9, 0.9]).sample(1)
    assert (
        str(caught.value) == "The region is empty: no point fulfils all ranges and limits. Widen one of them."
    )


@settings(deadline=None, max_examples=60)
@given(polytopes(most=3), st.integers(1, 1000), st.permutations([0, 1, 2]))
def test_units_and_order_do_not_matter(polytope, factor, order):
    d = len(polytope.names)
    order = [k for k in order if k < d]
    scale = np.ones(d)
    scale[0] = factor
    rules = tuple(
        Rule(tuple((np.array(r.coefficients) / scale)[order]), r.sense, r.bound, r.text)
        for r in reversed(polytope.rules)
    )
    other = Polytope(
        tuple(polytope.names[k] for k in order),
        (polytope.lower * scale)[order],
        (polytope.upper * scale)[order],
        rules,
    )
    back = np.empty_like(other.vertices)
    back[:, order] = other.vertices
    mine = polytope.vertices
    assert len(mine) == len(back)
    if len(mine):
        apart = np.abs(mine[:, None, :] - (back / scale)[None, :, :]).max(axis=2)
        assert apart.min(axis=1).max() < 1e-8


def test_gaps_are_in_units_of_the_ranges():
    gaps = box([0, 10], [2, 30], rule([1, 0.1], "<=", 3)).gaps(np.array([[0.5, 35.0]]))
    assert_allclose(gaps, [[0.25, 1.25, 0.75, -0.25, (3 - 4) / np.hypot(2, 2)]], rtol=1e-12)


def test_vertices_are_products_where_nothing_ties_the_variables():
    tied = box([0, 0, 0, 0], [1, 1, 1, 1], rule([1, 0, 1, 0], "<=", 1))
    assert sorted(map(tuple, tied.blocks)) == [(0, 2), (1,), (3,)]
    assert len(tied.vertices) == 3 * 2 * 2


def test_vertices_by_brute_force():
    """Every choice of k tight rows that meets all others, by linear algebra alone."""
    polytope = box([0] * 3, [1] * 3, rule([1, 1, 1], "<=", 2), rule([1, -1, 0], ">=", -0.5))
    a, b = inequalities(polytope)
    points = set()
    for rows in combinations(range(len(a)), 3):
        part = a[list(rows)]
        if abs(np.linalg.det(part)) > 1e-9:
            x = np.linalg.solve(part, b[list(rows)])
            if (a @ x <= b + 1e-9).all():
                points.add(tuple(np.round(x, 9) + 0.0))
    assert_allclose(polytope.vertices, sorted(points), atol=1e-9)


def test_vertices_where_more_faces_meet_than_there_are_dimensions():
    """A square times an octahedron: the diagonals of the squares share four faces and are no edges."""
    signs = [(i, j, k) for i in (-1, 1) for j in (-1, 1) for k in (-1, 1)]
    octahedron = [rule([*s, 0, 0], "<=", 1) for s in signs]
    plain = box([-1, -1, -1, 0, 0], [1, 1, 1, 1, 1], *octahedron)
    assert len(plain.vertices) == 6 * 4
    cut = box([-1, -1, -1, 0, 0], [1, 1, 1, 1, 1], *octahedron, rule([1, 0, 0, 1, 1], "<=", 2.9))
    expected = halfspace_vertices(cut)
    apart = np.abs(cut.vertices[:, None, :] - expected[None, :, :]).max(axis=2)
    assert apart.min(axis=1).max() < 1e-9 and apart.min(axis=0).max() < 1e-9


@settings(deadline=None, max_examples=40)
@given(polytopes(most=3))
def test_a_rule_written_twice_changes_nothing(polytope):
    twice = Polytope(polytope.names, polytope.lower, polytope.upper, polytope.rules * 3)
    assert_allclose(twice.vertices, polytope.vertices, atol=1e-9)
    assert len(twice.faces(0)) == len(polytope.faces(0))
