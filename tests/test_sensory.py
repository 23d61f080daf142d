import warnings
from itertools import product

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from formlab import sensory
from formlab.errors import FormlabError, FormlabWarning


def follows(layout):
    """Count how often one sample follows another."""
    wide = layout.pivot(index="assessor", columns="place", values="sample")
    pairs = [(row[k], row[k + 1]) for row in wide.to_numpy() for k in range(wide.shape[1] - 1)]
    return pd.Series(pairs).value_counts()


@pytest.mark.parametrize("samples, blocks", list(product(range(2, 8), (1, 2))))
def test_williams_square_is_balanced_for_place_and_carry_over(samples, blocks):
    names = [f"s{k}" for k in range(samples)]
    size = samples if samples % 2 == 0 else 2 * samples
    layout = sensory.panel_layout(names, blocks * size, seed=1)
    assert list(layout.columns) == ["assessor", "place", "code", "sample"]
    places = layout.groupby(["sample", "place"]).size()
    assert len(places) == samples**2 and (places == blocks * size // samples).all()
    counts = follows(layout)
    assert len(counts) == samples * (samples - 1) and counts.nunique() == 1


def test_panel_is_blinded_and_seeded():
    names = ["today", "T01", "T02", "T03"]
    layout = sensory.panel_layout(names, 8, seed=4)
    assert layout.equals(sensory.panel_layout(names, 8, seed=4))
    assert not layout.equals(sensory.panel_layout(names, 8, seed=5))
    codes = layout.groupby("sample")["code"].unique()
    assert codes.map(len).eq(1).all()
    assert codes.map(lambda c: c[0]).nunique() == 4 and layout["code"].between(100, 999).all()


def test_panel_that_does_not_fill_its_square_says_so():
    with pytest.warns(FormlabWarning) as caught:
        layout = sensory.panel_layout(["a", "b", "c"], 8, seed=1)
    assert str(caught[0].message) == (
        "With 3 samples, places and neighbours are balanced in full among 12 assessors; among 8 they are so only nearly. "
        "Ask as many, or take it as it is."
    )
    assert layout["assessor"].nunique() == 8 and len(layout) == 24


def test_panel_effects_are_those_put_in():
    who, what, place = (
        {"P": -1.0, "Q": 0.25, "R": 0.75},
        {"a": 3.0, "b": 4.5, "c": 2.0},
        {1: 0.2, 2: 0.0, 3: -0.2},
    )
    orders = {"P": "abc", "Q": "bca", "R": "acb"}
    rows = [
        (person, sample, k + 1, what[sample] + who[person] + place[k + 1])
        for person, order in orders.items()
        for k, sample in enumerate(order)
    ]
    ratings = pd.DataFrame(rows, columns=["assessor", "sample", "place", "rating"])
    assert_allclose(sensory.panel_means(ratings)["mean"], [3.0, 4.5, 2.0], atol=1e-9)
    people = sensory.assessor_effects(ratings)
    assert_allclose(people["effect"], list(who.values()), atol=1e-9)
    assert_allclose(people["spread"], 0, atol=1e-9)


def test_panel_with_gaps_does_not_blame_the_sample_for_its_assessors():
    # Q, who rates 2 higher, never saw sample a; the plain mean would put a too low against b.
    rows = [("P", "a", 3), ("P", "b", 3), ("P", "c", 4), ("R", "a", 3), ("R", "b", 3), ("R", "c", 4)]
    rows += [("Q", "b", 5), ("Q", "c", 6)]
    ratings = pd.DataFrame(rows, columns=["assessor", "sample", "rating"])
    means = sensory.panel_means(ratings)
    assert list(means.columns) == ["n", "mean", "std_error"]
    assert means["mean"]["a"] == pytest.approx(means["mean"]["b"])
    assert means["n"].tolist() == [2, 3, 3]


def test_panel_errors_match_the_two_way_textbook_case():
    rng = np.random.default_rng(2)
    rows = [(p, s, rng.normal(5 + s, 1) + p) for p in range(6) for s in range(4)]
    ratings = pd.DataFrame(rows, columns=["assessor", "sample", "rating"])
    y = ratings["rating"].to_numpy().reshape(6, 4)
    left = y - y.mean(0) - y.mean(1)[:, None] + y.mean()
    ms = (left**2).sum() / 15
    means, people = sensory.panel_means(ratings), sensory.assessor_effects(ratings)
    assert_allclose(means["mean"], y.mean(0), rtol=1e-9)
    assert_allclose(means["std_error"], np.sqrt(ms / 6), rtol=1e-9)
    assert_allclose(people["effect"], y.mean(1) - y.mean(), atol=1e-9)
    assert_allclose(people["std_error"], np.sqrt(ms / 4 * 5 / 6), rtol=1e-9)
    assert_allclose(people["spread"], np.sqrt((left**2).mean(1)), rtol=1e-9)
    others = [np.corrcoef(y[i], np.delete(y, i, 0).mean(0))[0, 1] for i in range(6)]
    assert_allclose(people["agreement"], others, rtol=1e-9)


def test_constant_assessor_has_no_agreement():
    rows = [(p, s, 3 if p == "P" else s + k) for k, p in enumerate("PQR") for s in range(4)]
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        people = sensory.assessor_effects(pd.DataFrame(rows, columns=["assessor", "sample", "rating"]))
    assert np.isnan(people["agreement"]["P"]) and people["agreement"]["Q"] == pytest.approx(1.0)


# ---- bad input ----

BAD = {
    "panel": (
        lambda: sensory.panel_layout(["a", "a"], 2, seed=1),
        "2 samples (1 different) and 2 assessors. Give 2 to 26 different samples and at least one assessor.",
    ),
    "columns": (
        lambda: sensory.panel_means(pd.DataFrame({"assessor": [1], "rating": [1]})),
        "Ratings lack ['sample']; add them. They have ['assessor', 'rating'].",
    ),
    "apart": (
        lambda: sensory.panel_means(
            pd.DataFrame({"assessor": [1, 1, 2, 2], "sample": list("aabb"), "rating": 1.0})
        ),
        "4 ratings cannot tell assessor, sample apart. Leave out empty ratings, and let the assessors share samples.",
    ),
}


@pytest.mark.parametrize("case", BAD)
def test_full_message(case):
    call, message = BAD[case]
    with pytest.raises(FormlabError) as caught:
        call()
    assert str(caught.value) == message
