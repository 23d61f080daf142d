import math
import pickle
from itertools import combinations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from formlab import Brief, ModelSpace, Region
from formlab.errors import BriefError
from formlab.terms import MODELS, Term, model_table

RUBBER = {"name": "sbr", "role": "rubber", "density": 0.94}
CURE = {"name": "cure_min", "low": 12, "high": 24}
TEMP = {"name": "temp_c", "low": 150, "high": 170}
PASSES = {"name": "passes", "levels": [2, 4]}
PRESS = {"name": "press", "levels": ["ram", "steam", "cold"]}


def phr(k, *settings, rubbers=1, **more):
    parts = (
        [RUBBER]
        if rubbers == 1
        else [{"name": f"r{j}", "role": "rubber", "low": 0, "high": 100} for j in range(rubbers)]
    )
    parts += [{"name": f"x{j}", "low": 5 * j, "high": 5 * j + 10, "density": 1.0 + 0.5 * j} for j in range(k)]
    return Brief(ingredient=parts, setting=list(settings), **more)


def mixture(q, *settings, total=1.0, **more):
    parts = [{"name": f"x{j}", "low": 0.0, "high": total, "density": 1.0 + 0.5 * j} for j in range(q)]
    return Brief(basis="fraction", total=total, ingredient=parts, setting=list(settings), **more)


# ---- which terms ----------------------------------------------------------------------------------------


def test_terms_of_a_quadratic_in_phr():
    assert ModelSpace(phr(2)).names == ["1", "x0", "x1", "x0 × x1", "x0²", "x1²"]
    assert ModelSpace(phr(2), "linear").names == ["1", "x0", "x1"]
    assert ModelSpace(phr(2), "interaction").names == ["1", "x0", "x1", "x0 × x1"]


def test_terms_of_scheffe_models():
    assert ModelSpace(mixture(3), "special cubic").names == [
        "x0", "x1", "x2", "x0 × x1", "x0 × x2", "x1 × x2", "x0 × x1 × x2",
    ]  # fmt: skip


def test_terms_of_settings_and_categories():
    brief = Brief(setting=[CURE, PASSES, PRESS])
    assert ModelSpace(brief).names == [
        "1", "cure_min", "passes", "press[ram]", "press[steam]", "cure_min × passes", "cure_min × press[ram]",
        "cure_min × press[steam]", "passes × press[ram]", "passes × press[steam]", "cure_min²",
    ]  # fmt: skip


def test_terms_of_a_rubber_blend():
    assert ModelSpace(phr(2, rubbers=2)).names == [
        "r0", "r1", "r0 × r1", "r0 × x0", "r1 × x0", "r0 × x1", "r1 × x1", "x0 × x1", "x0²", "x1²",
    ]  # fmt: skip
    assert ModelSpace(phr(2, rubbers=2), "linear").names == ["r0", "r1", "x0", "x1"]


def test_crossings():
    brief = mixture(2, CURE)
    assert ModelSpace(brief, crossed="none").names == ["x0", "x1", "x0 × x1", "cure_min", "cure_min²"]
    assert ModelSpace(brief, crossed="main").names == [
        "x0", "x1", "x0 × x1", "x0 × cure_min", "x1 × cure_min", "cure_min²",
    ]  # fmt: skip
    assert ModelSpace(brief, "linear", "linear", "full").names == [
        "x0",
        "x1",
        "x0 × cure_min",
        "x1 × cure_min",
    ]
    assert ModelSpace(phr(1, CURE), "linear", "linear", "main").names == [
        "1",
        "x0",
        "cure_min",
        "x0 × cure_min",
    ]


def test_a_setting_of_two_levels_has_no_square():
    assert "passes²" not in ModelSpace(Brief(setting=[PASSES, CURE])).names
    assert "passes²" in ModelSpace(Brief(setting=[PASSES | {"levels": [2, 4, 8]}])).names


def test_seven_ingredients_and_two_settings_of_kowalski_cornell_and_vining():
    """Technometrics 44:72 (2002): 168 terms fully crossed, 45 as they propose (from memory)."""
    brief = mixture(7, CURE, TEMP)
    assert len(ModelSpace(brief, crossed="full")) == 168
    assert len(ModelSpace(brief, crossed="main")) == 45


def expected_count(basis, model, setting_model, crossed, q, k, z, two, categories):
    """Closed form: q shares, k free ingredients, z numeric settings (`two` of two levels), categories."""
    choose = math.comb
    own = q if q else 1
    if model != "linear":
        own += choose(q, 2) + (q * k if q else k) + choose(k, 2)
    else:
        own += k
    own += k if model in ("quadratic", "special cubic") else 0
    own += choose(q, 3) if model == "special cubic" else 0
    sizes = [1] * z + [c - 1 for c in categories]
    linear = sum(sizes)
    higher = sum(a * b for a, b in combinations(sizes, 2)) if setting_model != "linear" else 0
    higher += z - two if setting_model == "quadratic" else 0
    if crossed == "full":
        return own * (1 + linear + higher)
    if crossed == "main":
        return own + (q + k) * linear + (0 if q else linear) + higher
    return own + linear + higher


@settings(deadline=None, max_examples=30)
@given(
    st.sampled_from(["phr", "blend", "fraction"]),
    st.integers(2, 5),
    st.integers(0, 2),
    st.booleans(),
    st.lists(st.integers(2, 4), max_size=2),
)
def test_counts_in_closed_form_agree_with_the_columns_built(kind, n, z, two, categories):
    chosen = [dict(CURE, name=f"z{j}") for j in range(z)] + ([PASSES] if two else [])
    chosen += [{"name": f"c{j}", "levels": [f"l{m}" for m in range(c)]} for j, c in enumerate(categories)]
    brief = (
        mixture(n, *chosen) if kind == "fraction" else phr(n, *chosen, rubbers=3 if kind == "blend" else 1)
    )
    q, k = {"fraction": (n, 0), "blend": (3, n), "phr": (0, n)}[kind]
    frame = Region.from_brief(brief).sample(5, seed=1)
    for model in MODELS[brief.basis]:
        for setting_model in ("linear", "interaction", "quadratic"):
            for crossed in ("none", "main", "full"):
                space = ModelSpace(brief, model, setting_model, crossed)
                count = expected_count(
                    brief.basis, model, setting_model, crossed, q, k, z + two, two, categories
                )
                assert len(space) == len(space.names) == len(set(space.names)) == count
                assert space.matrix(frame).shape == (5, count)
                assert list(space.columns(frame)) == space.names


def test_model_table():
    table = model_table(phr(2, CURE, PASSES, PRESS))
    assert list(table) == ["model", "setting_model", "crossed", "terms", "rank", "names"]
    assert len(table) == 27
    for row in table.itertuples():
        space = ModelSpace(phr(2, CURE, PASSES, PRESS), row.model, row.setting_model, row.crossed)
        assert (row.terms, row.names) == (len(space), space.names)
    assert (table["rank"] == table["terms"]).all()
    assert len(model_table(mixture(3))) == 3  # no settings, so their models and crossings say nothing
    seven = model_table(mixture(7, CURE, TEMP)).set_index(["model", "setting_model", "crossed"])
    assert seven.loc[("quadratic", "quadratic", "main"), ["terms", "rank"]].tolist() == [45, 45]
    assert seven.loc[("quadratic", "quadratic", "full"), ["terms", "rank"]].tolist() == [168, 168]


def test_rank_falls_where_limits_leave_no_room():
    flat = model_table(phr(2, limit=[{"expression": "x0 + x1 = 12"}])).set_index("model")
    assert flat.loc["quadratic", ["terms", "rank"]].tolist() == [6, 3]
    assert flat.loc["linear", ["terms", "rank"]].tolist() == [3, 2]


# ---- columns --------------------------------------------------------------------------------------------


def test_columns_by_hand():
    frame = pd.DataFrame(
        {
            "x0": [0.0, 10.0, 5.0],
            "x1": [15.0, 5.0, 7.5],
            "cure_min": [24.0, 18.0, 12.0],
            "press": ["ram", "steam", "cold"],
        }
    )
    space = ModelSpace(phr(2, CURE, PRESS), "quadratic", "linear", "main")
    a, b, t = np.array([-1.0, 1.0, 0.0]), np.array([1.0, -1.0, -0.5]), np.array([1.0, 0.0, -1.0])
    ram, steam = np.array([1.0, 0.0, -1.0]), np.array([0.0, 1.0, -1.0])
    built = {
        "1": np.ones(3), "x0": a, "x1": b, "x0 × x1": a * b, "x0²": a * a, "x1²": b * b, "cure_min": t,
        "press[ram]": ram, "press[steam]": steam, "x0 × cure_min": a * t, "x1 × cure_min": b * t,
        "x0 × press[ram]": a * ram, "x1 × press[ram]": b * ram, "x0 × press[steam]": a * steam,
        "x1 × press[steam]": b * steam,
    }  # fmt: skip
    columns = space.columns(frame)
    assert list(columns) == list(built)
    assert_allclose(columns, np.column_stack(list(built.values())), atol=1e-15)


def test_shares_are_taken_of_what_varies():
    parts = [
        {"name": "a", "low": 10, "high": 50},
        {"name": "b", "low": 10, "high": 60},
        {"name": "c", "low": 20, "high": 20},
    ]
    brief = Brief(basis="fraction", total=100, ingredient=parts, model="linear")
    assert ModelSpace(brief).matrix(pd.DataFrame({"a": [20.0], "b": [60.0]})).tolist() == [[0.25, 0.75]]


def test_rubber_shares_of_the_hundred():
    parts = [
        {"name": n, "role": "rubber", "low": low, "high": high}
        for n, low, high in (("a", 0, 80), ("b", 0, 80), ("c", 20, 20))
    ]
    brief = Brief(ingredient=parts, model="linear")
    assert ModelSpace(brief).matrix(pd.DataFrame({"a": [20.0], "b": [60.0]})).tolist() == [[0.25, 0.75]]


def test_simplex_centroid_of_cornell_is_solved_exactly():
    """Cornell, Experiments with Mixtures (p. 35, mite survival): seven blends, special cubic."""
    points = [*np.eye(3), *([[0.5, 0.5, 0], [0.5, 0, 0.5], [0, 0.5, 0.5]]), [1 / 3] * 3]
    y = [25.4, 28.6, 38.5, 3.4, 37.4, 10.7, 11.1]
    x = ModelSpace(mixture(3), "special cubic").matrix(pd.DataFrame(points, columns=["x0", "x1", "x2"]))
    assert_allclose(np.linalg.solve(x, y), [25.4, 28.6, 38.5, -94.4, 21.8, -91.4, -40.8], atol=1e-9)


def lattice(q, m):
    """All blends in steps of 1/m."""
    cuts = combinations(range(q + m - 1), q - 1)
    return np.array([np.diff([-1, *c, q + m - 1]) - 1 for c in cuts]) / m


@pytest.mark.parametrize("q, determinant", [(3, 2.44140625e-4), (4, 5.9604645e-8), (5, 9.0949470e-13)])
def test_the_quadratic_lattice_has_as_many_points_as_terms(q, determinant):
    """Scheffé (1958): {q, 2} has q (q + 1) / 2 points; |X'X| = 4^(-2 C(q, 2)) (Kiefer 1961, from memory)."""
    points = lattice(q, 2)
    space = ModelSpace(mixture(q), "quadratic")
    assert len(points) == len(space) == q * (q + 1) // 2
    x = space.matrix(pd.DataFrame(points, columns=space.shares))
    assert_allclose(np.linalg.det(x.T @ x), determinant, rtol=1e-7)
    assert_allclose(np.linalg.det(x.T @ x), 4.0 ** (-2 * math.comb(q, 2)), rtol=1e-9)


def test_the_cubic_lattice_of_the_handbook():
    """NIST/SEMATECH e-Handbook 5.5.4.2: {q, m} has (q + m - 1)! / (m! (q - 1)!) points, {3, 3} ten."""
    assert len(lattice(3, 3)) == 10
    space = ModelSpace(mixture(3), "special cubic")
    x = space.matrix(pd.DataFrame(lattice(3, 3), columns=space.shares))
    assert np.linalg.matrix_rank(x) == 7


# ---- replay ---------------------------------------------------------------------------------------------

SPACES = [
    ModelSpace(phr(2, CURE, PASSES, PRESS), crossed="full"),
    ModelSpace(phr(2, CURE, rubbers=3)),
    ModelSpace(mixture(3, PRESS), "special cubic"),
    ModelSpace(phr(3, PRESS), measure="volume"),
    ModelSpace(mixture(3, CURE), measure="volume"),
]
BRIEFS = [
    phr(2, CURE, PASSES, PRESS),
    phr(2, CURE, rubbers=3),
    mixture(3, PRESS),
    phr(3, PRESS),
    mixture(3, CURE),
]


@pytest.mark.parametrize("space, brief", list(zip(SPACES, BRIEFS)), ids=repr)
def test_columns_of_a_formula_do_not_depend_on_its_company(space, brief):
    frame = Region.from_brief(brief).sample(8, seed=3)
    whole = space.matrix(frame)
    for k in range(len(frame)):
        assert_allclose(space.matrix(frame.iloc[[k]])[0], whole[k], rtol=1e-14, atol=1e-15)
    shuffled = frame.sample(frac=1, random_state=1)[frame.columns[::-1]].assign(note="x")
    assert_allclose(space.columns(shuffled).loc[frame.index], space.columns(frame), rtol=1e-14, atol=1e-15)
    again = pickle.loads(pickle.dumps(space))
    assert_allclose(again.matrix(frame), whole, rtol=0)
    assert_allclose(space.expand(space.base(frame)), whole, rtol=0)
    assert space.matrix(frame.iloc[:0]).shape == (0, len(space))


@settings(deadline=None, max_examples=30)
@given(st.floats(0.01, 1000), st.integers(0, 1000))
def test_the_total_does_not_matter(total, seed):
    frame = Region.from_brief(mixture(3)).sample(4, seed=seed)
    for measure in ("mass", "volume"):
        one = ModelSpace(mixture(3), measure=measure).matrix(frame)
        other = ModelSpace(mixture(3, total=total), measure=measure).matrix(frame * total)
        assert_allclose(other, one, rtol=1e-9, atol=1e-12)


def test_what_a_frame_must_have():
    with pytest.raises(BriefError) as caught:
        ModelSpace(phr(2, CURE)).matrix(pd.DataFrame({"x0": [1.0], "cure_min": [12.0]}))
    assert str(caught.value) == "The frame lacks 'x1'; add a column for each. It has 'x0', 'cure_min'."
    with pytest.raises(BriefError) as caught:
        ModelSpace(Brief(setting=[PRESS])).matrix(pd.DataFrame({"press": ["ram", "hot"]}))
    assert str(caught.value) == (
        "'press' = 'hot' is not one of ['ram', 'steam', 'cold']; use one of them, for categories are never interpolated."
    )


@pytest.mark.parametrize(
    ("brief", "model"), [(mixture(4), "special cubic"), (mixture(4), "quadratic"), (phr(3), "quadratic")]
)
def test_derivative_by_the_base_columns_against_differences(brief, model):
    space, rng = ModelSpace(brief, model), np.random.default_rng(5)
    base = space.base(Region.from_brief(brief).sample(6, seed=1))
    by_column = rng.normal(size=(6, len(space)))
    found = space.derivative(base, by_column)
    assert found.shape == base.shape
    for k in range(base.shape[1]):
        step = 1e-4 * (np.arange(base.shape[1]) == k)
        apart = space.expand(base + step) - space.expand(base - step)
        assert_allclose(found[:, k], (apart * by_column).sum(axis=1) / 2e-4, rtol=1e-6, atol=1e-8)


# ---- volume ---------------------------------------------------------------------------------------------


def test_shares_by_volume():
    space = ModelSpace(mixture(3), "linear", measure="volume")
    frame = pd.DataFrame({"x0": [0.5, 1.0], "x1": [0.3, 0.0], "x2": [0.2, 0.0]})
    volume = np.array([[0.5 / 1.0, 0.3 / 1.5, 0.2 / 2.0], [1.0, 0, 0]])
    assert_allclose(space.matrix(frame), volume / volume.sum(axis=1, keepdims=True), rtol=1e-14)
    assert not space.affine and ModelSpace(mixture(3)).affine
    assert repr(space) == "ModelSpace(3 terms: linear, settings quadratic, crossed main, in volume fractions)"


def test_volume_fractions_of_a_compound_in_phr():
    brief = phr(2)
    space = ModelSpace(brief, "linear", measure="volume")
    frame = pd.DataFrame({"x0": [0.0, 10.0, 4.0], "x1": [15.0, 5.0, 8.0]})
    total = 100 / 0.94 + frame["x0"] / 1.0 + frame["x1"] / 1.5
    fraction = frame["x0"] / 1.0 / total
    corners = [0.0, 10.0 / (100 / 0.94 + 10 + 5 / 1.5)]  # least oil; most oil with least of the other
    assert_allclose(space.matrix(frame)[:, 1], (fraction - np.mean(corners)) / (corners[1] / 2), rtol=1e-12)
    everywhere = space.base(Region.from_brief(brief).sample(500, seed=1))
    assert np.abs(everywhere).max() <= 1 + 1e-12
    assert space.inputs == ["x0", "x1"]
    assert_allclose(space.matrix(frame.assign(sbr=100.0)), space.matrix(frame), rtol=0)


def test_volumes_need_densities():
    with pytest.raises(BriefError) as caught:
        ModelSpace(phr(1, rubbers=2), measure="volume")
    assert str(caught.value) == (
        "2 problems:\n"
        "  ingredient 'r0', density: Expected a density, needed for cost or volume.\n"
        "  ingredient 'r1', density: Expected a density, needed for cost or volume."
    )


# ---- merged lines ---------------------------------------------------------------------------------------


def test_lines_in_a_fixed_ratio_are_one_component_and_it_is_said():
    brief = mixture(4, limit=[{"expression": "x1 = 2 x2"}])
    space = ModelSpace(brief, "quadratic")
    assert space.shares == ["x0", "x1 + x2", "x3"]
    assert space.merged == ["x1 and x2 stay in a fixed ratio (x1 = 2 x2): one component in the model"]
    frame = pd.DataFrame({"x0": [0.4], "x1": [0.2], "x2": [0.1], "x3": [0.3]})
    assert_allclose(space.matrix(frame)[0, :3], [0.4, 0.3, 0.3], rtol=1e-14)
    assert model_table(brief)["rank"].tolist() == [3, 6, 7]


def test_chains_of_ratios_and_ratios_in_phr():
    chain = mixture(4, limit=[{"expression": "x1 = 2 x2"}, {"expression": "0.5 x3 - x2 = 0"}])
    assert ModelSpace(chain).shares == ["x0", "x3 + x1 + x2"] or ModelSpace(chain).shares == [
        "x0",
        "x1 + x2 + x3",
    ]
    two = phr(2, limit=[{"expression": "2 x0 = x1"}])
    space = ModelSpace(two)
    assert space.names == ["1", "x0", "x0²"] and len(space.merged) == 1
    assert (model_table(two)["rank"] == model_table(two)["terms"]).all()


def test_what_is_not_a_fixed_ratio_stays_apart():
    for text in ("x1 = 2 x2 + 0.1", "x1 + 2 x2 = 0.5", "x1 <= 2 x2", "x1 = x2 + x3"):
        assert ModelSpace(mixture(4, limit=[{"expression": text}])).merged == []
    assert ModelSpace(phr(2, CURE, limit=[{"expression": "x1 = cure_min"}])).merged == []
    fixed = Brief(
        ingredient=[RUBBER, {"name": "zinc", "low": 5, "high": 5}, {"name": "x0", "low": 0, "high": 20}],
        limit=[{"expression": "x0 = 2 zinc"}],
    )
    assert ModelSpace(fixed).merged == []


# ---- structure ------------------------------------------------------------------------------------------


def test_subset_keeps_the_order_and_the_columns():
    brief = phr(2, CURE)
    space = ModelSpace(brief)
    part = space.subset(["x0²", "1", "x0"])
    assert part.names == ["1", "x0", "x0²"] and len(space) == 10
    frame = Region.from_brief(brief).sample(5, seed=2)
    assert_allclose(part.columns(frame), space.columns(frame)[part.names], rtol=0)
    assert part.has_constant and not space.subset(["x0"]).has_constant
    assert space.subset([]).matrix(frame).shape == (5, 0)
    blend = ModelSpace(mixture(3))
    assert blend.has_constant and not blend.subset(["x0", "x1"]).has_constant
    with pytest.raises(BriefError) as caught:
        part.subset(["x1"])
    assert str(caught.value) == "'x1' is not a term of this model; choose among ['1', 'x0', 'x0²']."


def test_parents():
    space = ModelSpace(phr(2, CURE), crossed="full")

    def named(name):
        return {space.names[j] for j in space.parents(space.names.index(name))}

    assert named("1") == set()
    assert named("x0") == {"1"}
    assert named("x0²") == {"x0"}
    assert named("x0 × x1") == {"x0", "x1"}
    assert named("x0² × cure_min") == {"x0²", "x0 × cure_min"}


def test_kinds():
    table = ModelSpace(phr(1, CURE, PRESS), "linear", "linear", "main").table()
    assert table.set_index("term")["kind"].to_dict() == {
        "1": "constant", "x0": "ingredient", "cure_min": "setting", "press[ram]": "setting", "press[steam]": "setting",
        "x0 × cure_min": "crossed", "x0 × press[ram]": "crossed", "x0 × press[steam]": "crossed",
    }  # fmt: skip
    assert Term(("a", "a", "b")).name == "a² × b" and Term(("a",) * 4).name == "a^4" and Term(()).name == "1"


def test_unknown_models():
    for key, value, allowed in (
        ("model", "cubic", ["linear", "interaction", "quadratic"]),
        ("setting_model", "cubic", ["linear", "interaction", "quadratic"]),
        ("crossed", "all", ["none", "main", "full"]),
        ("measure", "moles", ["mass", "volume"]),
    ):
        with pytest.raises(BriefError) as caught:
            ModelSpace(phr(1), **{key: value})
        assert str(caught.value) == f"{key} = {value!r}; for basis 'phr', use one of {allowed}."


def test_nothing_to_vary():
    alone = Brief(
        basis="fraction",
        ingredient=[{"name": "a", "low": 0.2, "high": 0.8}, {"name": "b", "low": 0.5, "high": 0.5}],
    )
    assert ModelSpace(alone).names == ["1"]
    assert ModelSpace(Brief(ingredient=[RUBBER])).names == ["1"]
