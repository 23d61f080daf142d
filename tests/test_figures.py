"""Every figure: units, agreement with predict, greyed outside, legible text, no global settings, both themes."""

import matplotlib

matplotlib.use("Agg")

import itertools
import warnings

import matplotlib.pyplot as plt
import mpltern  # noqa: F401
import numpy as np
import pandas as pd
import pytest
from matplotlib.axes import Axes
from matplotlib.colors import to_rgb
from matplotlib.text import Text
from numpy.testing import assert_allclose

import formlab as fl
from formlab import figures, progress
from formlab.errors import FormlabError
from formlab.figures import responses, slices, theme
from formlab.figures.theme import DARK, LIGHT
from formlab.report.paper import abreast
from formlab.suggest import confirm, conformance, score_promises
from formlab.surfaces import fit

PHR = {
    "ingredient": [
        {"name": "rubber", "role": "rubber", "density": 0.94, "price": 2.0},
        {"name": "oil", "role": "oil", "label": "naphthenic oil", "low": 5, "high": 25, "density": 0.9, "price": 1.2},
        {"name": "chalk", "role": "filler", "low": 40, "high": 100, "density": 2.7, "price": 0.3},
    ],
    "setting": [
        {"name": "cure_min", "unit": "min", "low": 10, "high": 20, "changes": "slab"},
        {"name": "press", "levels": ["ram", "steam"], "changes": "batch"},
    ],
    "limit": [{"expression": "oil + chalk <= 105"}],
    "setting_model": "linear",
    "crossed": "none",
    "response": [
        {"name": "hardness", "unit": "Shore A", "near": 44, "within": 5},
        {"name": "smear", "label": "smear beside the track", "unit": "density x 1000", "at_most": 19,
         "bounds": [0, float("inf")]},
    ],
    "current": {"oil": 12, "chalk": 60, "cure_min": 15, "press": "ram"},
    "piece": {"volume_cm3": 9.0},
}  # fmt: skip
BLEND = {
    "basis": "fraction",
    "total": 100.0,
    "ingredient": [
        {"name": "rubber", "role": "rubber", "low": 40, "high": 40},
        {"name": "factice", "role": "factice", "low": 10, "high": 30},
        {"name": "oil", "role": "oil", "low": 4, "high": 14},
        {"name": "kaolin", "role": "filler", "low": 0, "high": 30},
        {"name": "pumice", "role": "abrasive", "low": 5, "high": 30},
    ],
    "response": [{"name": "erasure", "unit": "%", "at_least": 70}],
    "current": {"rubber": 40, "factice": 20, "oil": 8, "kaolin": 15, "pumice": 17},
}


def phr_trials(brief):
    """A small composite-like set of trials, two slabs a batch; the outcome is invented."""
    rng = np.random.default_rng(4)
    points = [(a, b, c) for a in (5, 15, 25) for b in (40, 60, 80) for c in (10, 20)]
    frame = pd.DataFrame(points, columns=["oil", "chalk", "cure_min"]).astype(float)
    frame["press"] = np.resize(["ram", "steam", "steam"], len(frame))
    frame["rubber"] = 100.0
    frame["trial"] = [f"T{k:02d}" for k in range(1, len(frame) + 1)]
    frame["batch"] = [f"B{k // 2 + 1:02d}" for k in range(len(frame))]
    frame["load"] = [f"L{k % 5 + 1:02d}" for k in range(len(frame))]
    frame["run_order"] = rng.permutation(len(frame)) + 1
    frame["round"] = 1
    frame["session"] = np.where(frame["run_order"] > 9, "S2", "S1")
    n = len(frame)
    frame["hardness"] = (
        44 - 0.55 * (frame.oil - 12) + 0.12 * (frame.chalk - 60) + 0.5 * (frame.cure_min - 15)
        + 1.5 * (frame.press == "steam") + rng.normal(0, 0.6, n)
    )  # fmt: skip
    frame["smear"] = 17 * np.exp(
        0.03 * (frame.oil - 12) - 0.03 * (frame.cure_min - 15) + rng.normal(0, 0.03, n)
    )
    return frame


class Case:
    """What the figures take, made once."""

    def __init__(self):
        self.brief = fl.Brief.model_validate(PHR)
        self.trials = phr_trials(self.brief)
        self.surfaces = fit(self.brief, self.trials, kind="least squares", seed=1)
        self.hardness, self.smear = self.surfaces["hardness"], self.surfaces["smear"]
        self.plan = fl.Plan.from_frame(self.brief, self.trials.drop(columns=["hardness", "smear", "session"]))
        self.answer = fl.suggest(self.brief, self.surfaces, seed=1, explain=False, alternatives=0)
        self.blend = fl.Brief.model_validate(BLEND)
        made = fl.Region.from_brief(self.blend).sample(24, 3)
        made["erasure"] = (
            60 + 0.5 * made.pumice - 0.01 * made.kaolin**2 + np.random.default_rng(1).normal(0, 0.5, 24)
        )
        self.erasure = fit(self.blend, made, kind="least squares", seed=1)["erasure"]
        claims = np.tile([0.55, 0.75, 0.85, 0.92, 0.97], 8)
        self.ledger = score_promises(claims, np.arange(40) % 7 != 0)
        made = self.answer.frame.loc[[0] * 3].assign(batch=["B40", "B41", "B42"], trial=["T90", "T91", "T92"])
        means = self.answer.predicted["mean"]
        made = made.assign(
            hardness=means["hardness"] + np.array([0.4, -0.9, np.nan]), smear=means["smear"] * 1.05
        )
        self.told = confirm(self.brief, self.surfaces, made, draws=400, seed=1)


@pytest.fixture(scope="module")
def case():
    return Case()


CALLS = {
    "plan_layout": lambda c, **k: figures.plan_layout(c.plan, **k),
    "batch_tree": lambda c, **k: figures.batch_tree(c.plan, **k),
    "prediction_error": lambda c, **k: figures.prediction_error({"eighteen": c.plan}, **k),
    "region_pairs": lambda c, **k: figures.region_pairs(c.brief, c.trials, **k),
    "observed_predicted": lambda c, **k: figures.observed_predicted(c.smear, **k),
    "residual_checks": lambda c, **k: figures.residual_checks(c.hardness, **k),
    "drift": lambda c, **k: figures.drift(c.hardness, **k),
    "effects": lambda c, **k: figures.effects(c.hardness, **k),
    "traces": lambda c, **k: figures.traces(c.surfaces, **k),
    "over_two": lambda c, **k: figures.over_two(c.smear, "oil", "chalk", **k),
    "over_two blend": lambda c, **k: figures.over_two(c.erasure, "kaolin", "pumice", **k),
    "ternary": lambda c, **k: figures.ternary(c.erasure, ["factice", "kaolin", "pumice"], **k),
    "where_met": lambda c, **k: figures.where_met(c.brief, c.surfaces, "oil", "chalk", at=c.answer, draws=300, **k),
    "predicted_against_targets": lambda c, **k: figures.predicted_against_targets(c.answer, **k),
    "confirmed": lambda c, **k: figures.confirmed(c.told, **k),
    "cost_conformance": lambda c, **k: figures.cost_conformance(c.brief, c.surfaces, c.answer, formulas=200, draws=300, **k),
    "traces one": lambda c, **k: figures.traces(c.erasure, **k),
    "effects blend": lambda c, **k: figures.effects(c.erasure, most=3, **k),
    "region_pairs blend": lambda c, **k: figures.region_pairs(c.blend, **k),
    "reliability": lambda c, **k: figures.reliability(c.ledger, **k),
}  # fmt: skip
every_figure = pytest.mark.parametrize("name", list(CALLS))


@pytest.fixture(autouse=True)
def _closed():
    before = plt.rcParams.copy()
    yield
    plt.close("all")
    assert plt.rcParams == before, "a figure changed matplotlib's settings"


def flat(made):
    return [made] if isinstance(made, Axes) else list(np.ravel(made))


def drawn(made):
    figure = flat(made)[0].figure
    figure.set_dpi(100)
    figure.canvas.draw()
    return figure


# ---- what holds for all ---------------------------------------------------------------------------


def test_the_list_of_calls_is_complete():
    assert {name.split()[0] for name in CALLS} == set(figures.__all__)


@every_figure
def test_returns_axes_and_keeps_settings(case, name):
    made = CALLS[name](case)
    assert all(isinstance(ax, Axes) for ax in flat(made))
    assert len(plt.get_fignums()) == 1
    drawn(made)


@every_figure
def test_says_whose_question_it_answers(name):
    text = getattr(figures, name.split()[0]).__doc__
    second = text.split("\n\n")[1].strip()
    assert second.startswith("For the ") and second.endswith("?"), second


UNITLESS = {"batch", "trial, in run order", "run order, trial number", "normal score, sds", ""}


@every_figure
def test_axes_carry_units(case, name):
    units = [
        "phr",
        "min",
        "Shore A",
        "density x 1000",
        "%",
        "EUR per 1000 pieces",
        "sds of a slab as measured",
        "log",
    ]
    for ax in flat(CALLS[name](case)):
        texts = (
            [ax.get_tlabel(), ax.get_llabel(), ax.get_rlabel()]
            if ax.name == "ternary"
            else [ax.get_xlabel(), ax.get_ylabel()]
        )
        for text in texts:
            if text not in UNITLESS and text != "press":  # a setting with categories has no unit
                assert (
                    any(text.endswith(unit) or f"{unit}" in text.split("\n") for unit in units) or "%" in text
                ), text


@pytest.fixture
def printed(monkeypatch):
    """Text that is really drawn, with its box; ticks beyond the view are made but not drawn."""
    seen = {}
    draw = Text.draw

    def note(self, renderer, *args, **kwargs):
        if self.get_visible() and self.get_text().strip():
            seen[id(self)] = (self.get_text(), self.get_window_extent(renderer))
        return draw(self, renderer, *args, **kwargs)

    monkeypatch.setattr(Text, "draw", note)
    return seen


@every_figure
def test_no_text_is_cut_off_or_overlaps(case, name, printed):
    figure = CALLS[name](case)
    figure = flat(figure)[0].figure
    figure.canvas.draw()
    printed.clear()  # the layout moves in the first drawing
    figure.canvas.draw()
    width, height = figure.canvas.get_width_height()
    shown = list(printed.values())
    assert len(shown) > 3
    for text, box in shown:
        assert box.x0 >= -1 and box.y0 >= -1 and box.x1 <= width + 1 and box.y1 <= height + 1, text
    for (one, a), (two, b) in itertools.combinations(shown, 2):
        across = min(a.x1, b.x1) - max(a.x0, b.x0)
        along = min(a.y1, b.y1) - max(a.y0, b.y0)
        assert min(across, along) < 2.5, f"{one!r} lies on {two!r}"


@every_figure
def test_given_axes_are_used(case, name):
    count = len(flat(CALLS[name](case)))
    plt.close("all")
    if name == "ternary":
        figure = plt.figure()
        given = figure.add_subplot(projection="ternary", ternary_sum=52.0)
    else:
        figure, given = plt.subplots(1, count, squeeze=False)
        given = given[0, 0] if count == 1 else given[0]
    made = CALLS[name](case, ax=given)
    assert all(a is b for a, b in zip(flat(made), flat(given), strict=True))
    assert plt.get_fignums() == [figure.number]
    drawn(made)


@every_figure
def test_is_drawn_dark_on_a_dark_figure(case, name):
    with plt.style.context("dark_background"):
        made = CALLS[name](case)
        figure = drawn(made)
    assert to_rgb(figure.get_facecolor()) == to_rgb(DARK.paper)
    dark_ink = [t for t in figure.findobj(Text) if t.get_text().strip() and t.get_visible()]
    for text in dark_ink:
        assert sum(to_rgb(text.get_color())) > 1.0, f"{text.get_text()!r} is dark on dark"


# ---- the theme ------------------------------------------------------------------------------------


def _linear(colour):
    rgb = np.array(to_rgb(colour))
    return np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)


def _contrast(one, two):
    """Contrast ratio of WCAG 2.1, relative luminance of sRGB."""
    a, b = sorted((_linear(c) @ [0.2126, 0.7152, 0.0722] for c in (one, two)), reverse=True)
    return (a + 0.05) / (b + 0.05)


@pytest.mark.parametrize("look", [LIGHT, DARK], ids=["light", "dark"])
def test_contrast_of_text_and_marks(look):
    for colour in (look.ink, look.faint, look.fit, look.target):
        assert _contrast(colour, look.paper) >= 4.5
    assert _contrast(look.today, look.paper) >= 3.0  # a mark, never text
    for wash in look.washes:
        assert _contrast(look.ink, wash) >= (4.5 if wash != look.washes[-1] else 2.5)  # text there has a halo


# Machado, Oliveira & Fernandes 2009 (IEEE Trans. Vis. Comput. Graph. 15:1291), severity 1.0, linear RGB; from memory.
BLIND = {
    "protan": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "deutan": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
    "tritan": [
        [1.255528, -0.076749, -0.178779],
        [-0.078411, 0.930809, 0.147602],
        [0.004733, 0.691367, 0.303900],
    ],
    "none": np.eye(3),
}


def _lab(linear):
    """CIE L*a*b* of linear sRGB, white D65."""
    xyz = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]) @ np.clip(
        linear, 0, 1
    )
    f = np.array([t ** (1 / 3) if t > 0.008856 else 7.787 * t + 16 / 116 for t in xyz / [0.9505, 1.0, 1.089]])
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


@pytest.mark.parametrize("sight", list(BLIND))
@pytest.mark.parametrize("look", [LIGHT, DARK], ids=["light", "dark"])
def test_colours_stay_apart_for_the_colour_blind(look, sight):
    seen = [_lab(np.array(BLIND[sight]) @ _linear(c)) for c in (look.fit, look.today, look.target, look.ink)]
    for one, two in itertools.combinations(seen, 2):
        assert np.linalg.norm(one - two) > 15  # 2.3 is just noticeable side by side


@pytest.mark.parametrize("look", [LIGHT, DARK], ids=["light", "dark"])
def test_ramp_changes_evenly_in_lightness(look):
    lightness = np.array([_lab(_linear(look.ramp(v)))[0] for v in np.linspace(0, 1, 21)])
    steps = np.diff(lightness)
    assert (steps < 0).all() or (steps > 0).all()


# ---- drawn numbers agree with predict ---------------------------------------------------------------


def _lines(ax, colour):
    return [line for line in ax.lines if to_rgb(line.get_color()) == to_rgb(colour)]


def test_traces_are_the_predictions(case):
    grid = figures.traces(case.surfaces)
    assert grid.shape == (2, 4)
    here = case.brief.baseline
    for row, surface in zip(grid, case.surfaces.values()):
        line = next(line for line in _lines(row[0], LIGHT.fit) if len(line.get_xdata()) > 20)
        x, y = line.get_data()
        frame = here.loc[here.index.repeat(len(x))].assign(oil=x)
        assert_allclose(y, surface.predict(frame), rtol=1e-10)


def test_traces_stop_where_the_limits_do(case):
    at = case.brief.complete({"oil": 12, "chalk": 88, "cure_min": 15, "press": "ram"})
    ax = figures.traces(case.hardness, at=at)[0, 0]
    x, y = next(line.get_data() for line in _lines(ax, LIGHT.fit) if len(line.get_xdata()) > 20)
    assert_allclose(np.isnan(y), x + 88 > 105 + 1e-6)
    spans = [p for p in ax.patches if to_rgb(p.get_facecolor()) == to_rgb(LIGHT.outside)]
    assert len(spans) == 1
    assert_allclose(spans[0].get_x() + spans[0].get_width(), 25.0)


def _contours(ax, colour):
    """Contour sets drawn with one colour of line."""
    return [
        c
        for c in ax.collections
        if hasattr(c, "levels") and not c.filled and to_rgb(c.get_edgecolor()[0]) == to_rgb(colour)
    ]


def test_contours_over_two_are_the_predictions(case):
    ax = figures.over_two(case.smear, "oil", "chalk")
    checked = 0
    lines = [c for c in _contours(ax, LIGHT.faint) if len(c.levels) > 1] + _contours(ax, LIGHT.target)
    for contours in lines:
        for level, path in zip(contours.levels, contours.get_paths()):
            if len(path.vertices):
                frame = pd.DataFrame(path.vertices, columns=["oil", "chalk"]).assign(
                    cure_min=15.0, press="ram"
                )
                assert_allclose(case.smear.predict(frame, outside="ignore"), level, rtol=2e-4)
                checked += len(frame)
    assert checked > 100
    assert [c.levels.tolist() for c in _contours(ax, LIGHT.target)] == [[19.0]]


def test_contours_on_the_triangle_are_the_predictions(case):
    ax = figures.ternary(case.erasure, ["factice", "kaolin", "pumice"])
    contours = next(c for c in _contours(ax, LIGHT.faint) if len(c.levels) > 1)
    checked = 0
    for level, path in zip(contours.levels, contours.get_paths()):
        if len(path.vertices):
            three = ax.transProjection.inverted().transform(path.vertices)
            assert_allclose(three.sum(axis=1), 52.0, rtol=1e-9)
            frame = pd.DataFrame(three, columns=["factice", "kaolin", "pumice"]).assign(oil=8.0, rubber=40.0)
            assert_allclose(case.erasure.predict(frame, outside="ignore"), level, rtol=2e-4)
            checked += len(frame)
    assert checked > 100


def test_lines_between_those_predicted_are_filled_in(case):
    field = responses.plane([case.smear], "oil", "chalk", case.brief.baseline, plt.figure().add_subplot())
    assert_allclose(field.means["smear"], case.smear.predict(field.frame, outside="ignore"), rtol=1e-5)
    assert_allclose(field.depth, slices.certainty([case.smear], field.frame), atol=1e-3)


def test_the_triangle_shows_today_and_no_mark_beyond_it(case):
    at = {"rubber": 40, "factice": 10, "oil": 14, "kaolin": 30, "pumice": 6}
    ax = figures.ternary(case.erasure, ["factice", "oil", "pumice"], at=at)
    low = [end for end, _ in (ax.get_tlim(), ax.get_llim(), ax.get_rlim())]
    marks = [line for line in ax.lines if line.get_marker() in ("o", "D", "s")]
    spots = np.vstack([ax.transProjection.inverted().transform(np.column_stack(m.get_data())) for m in marks])
    assert (spots >= np.array(low) - 1e-6).all()
    assert {"D", "s"} <= {line.get_marker() for line in marks}
    slabs = sum(len(line.get_xdata()) for line in marks if line.get_marker() == "o")
    words = [t.get_text() for t in ax.get_legend().get_texts()]
    assert slabs == 23 and "1 slab beyond what is shown" in words


def test_a_slice_of_a_blend_keeps_the_sum(case):
    frame = slices.move(
        case.blend, case.blend.baseline, {"kaolin": [0.0, 10.0, 25.0], "pumice": [10.0, 17.0, 30.0]}
    )
    assert_allclose(frame[case.blend.ingredient_names].sum(axis=1), 100.0, rtol=1e-12)
    assert_allclose(frame["factice"] / frame["oil"], 20 / 8, rtol=1e-12)
    assert_allclose(frame["rubber"], 40.0)


def test_observed_against_predicted(case):
    ax = figures.observed_predicted(case.smear)
    points = next(line for line in ax.lines if line.get_marker() == "o")
    means = case.trials["smear"].to_numpy()
    assert_allclose(np.sort(points.get_ydata()), np.sort(means), rtol=1e-12)
    assert_allclose(points.get_xdata(), case.smear.predict(case.smear.formulas), rtol=1e-12)


def test_residuals_are_measured_less_predicted(case):
    left, _, _ = figures.residual_checks(case.hardness)
    points = next(line for line in left.lines if line.get_marker() == "o")
    want = case.hardness.values.y - case.hardness.predict(case.hardness.formulas)
    assert_allclose(points.get_ydata(), want, rtol=1e-10)


def test_limits_are_open_triangles_and_leave_nothing_over():
    from tests.test_surfaces_censored import BRIEF, trials

    surface = fit(BRIEF, trials(20, 46.0), kind="gaussian process", seed=1)["hardness"]
    below = (surface.values.side < 0).sum()
    ax = figures.observed_predicted(surface)
    hollow = next(line for line in ax.lines if line.get_marker() == "v" and len(line.get_ydata()))
    assert hollow.get_ydata().tolist() == [46.0] * below and below > 2
    assert "a limit: it lies below" in [text.get_text() for text in ax.get_legend().get_texts()]
    left, _, _ = figures.residual_checks(surface)
    assert len(next(line for line in left.lines if line.get_marker() == "o").get_ydata()) == 20 - below
    said = f"({below} limits left out)"
    assert said in left.get_title(loc="left").replace("\n", " ") and said in figures.drift(surface).get_title(
        loc="left"
    )


def test_readings_that_are_not_normal_are_set_beside_their_predictions_in_groups():
    rng = np.random.default_rng(0)
    oil = rng.uniform(0, 20, 32)
    brief = fl.Brief(
        ingredient=[{"name": "rubber", "role": "rubber"}, {"name": "oil", "low": 0, "high": 20}],
        response=[{"name": "smear", "kind": "rating"}, {"name": "sticks", "kind": "pass"}],
        model="linear",
    )
    frame = pd.DataFrame(
        {"oil": oil, "smear": np.clip(np.round(1 + 0.15 * oil + rng.normal(0, 0.9, 32)), 1, 4)}
    )
    fitted = fit(brief, frame.assign(sticks=1.0 * (oil + rng.normal(0, 6, 32) > 10)), seed=1)
    for surface in fitted.values():
        _, middle, _ = figures.residual_checks(surface)
        said = surface.predict(surface.formulas)
        groups = np.array_split(np.argsort(said, kind="stable"), 6)
        points = next(line for line in middle.lines if line.get_marker() == "o")
        assert_allclose(points.get_ydata(), [surface.values.y[g].mean() for g in groups], rtol=1e-12)
        assert_allclose(points.get_xdata(), [said[g].mean() for g in groups], rtol=1e-12)
        assert "normal" not in middle.get_title(loc="left")


def test_drift_stands_in_run_order(case):
    ax = figures.drift(case.hardness)
    points = [line for line in ax.lines if line.get_marker() in ("o", "^")]
    x = np.concatenate([line.get_xdata() for line in points])
    assert sorted(x) == list(range(1, 19))
    assert [len(line.get_xdata()) for line in points] == [9, 9]  # two sessions
    [smooth] = [line for line in ax.lines if len(line.get_xdata()) == 18]
    assert np.ptp(smooth.get_ydata()) < np.ptp(np.concatenate([line.get_ydata() for line in points]))
    drawn(ax)
    assert all(t.get_text().isdigit() for t in ax.get_xticklabels())  # trials are counted whole


def test_effects_are_the_coefficients(case):
    ax = figures.effects(case.hardness)
    table = case.hardness.coefficients.set_index("term")
    said = [t.get_text() for t in ax.get_yticklabels()]
    assert {"naphthenic oil × chalk", "press[ram]", "cure min"} < set(said) and "1" not in said
    names = [n.replace("naphthenic oil", "oil").replace("cure min", "cure_min") for n in said]
    spots = {
        round(float(y)): float(x)
        for line in ax.lines
        if line.get_marker() == "o"
        for x, y in zip(*line.get_data())
    }
    assert_allclose([spots[k] for k in range(len(names))], table.loc[names, "estimate"], rtol=1e-12)


def test_long_names_do_not_push_the_title_of_effects_off_the_figure(case):
    brief = case.brief.model_dump(by_alias=True, exclude_unset=True)
    for part in brief["ingredient"]:
        part["label"] = f"precipitated and coated {part['name']}"
    surface = fit(fl.Brief.model_validate(brief), case.trials, kind="least squares", seed=1)["hardness"]
    ax = figures.effects(surface)
    figure = drawn(ax)
    title = ax.title if ax.title.get_text() else ax._left_title
    assert title.get_window_extent().x1 < figure.bbox.width


def test_effects_of_a_blend_leave_out_heights(case):
    ax = figures.effects(case.erasure)
    names = [t.get_text() for t in ax.get_yticklabels()]
    assert names and not set(names) & {"factice", "oil", "kaolin", "pumice"}
    said = " ".join(ax.get_title(loc="left").split())
    assert f"{len(names)} terms beyond single shares are clear of zero" in said
    assert (
        "Single shares are heights and not drawn; for what an ingredient does see figures.traces or surfaces.effects"
        in said
    )
    assert callable(figures.traces) and callable(fl.surfaces.effects)


def test_a_long_label_below_is_broken_and_clear_of_the_key(case):
    parts = case.brief.model_dump(by_alias=True, exclude_unset=True)
    parts["response"][0]["unit"] = "of a unit with a name so long that it must be broken into two lines"
    surface = fit(fl.Brief.model_validate(parts), case.trials, kind="least squares", seed=1)["hardness"]
    ax = figures.effects(surface)
    figure, box = drawn(ax), ax.xaxis.label.get_window_extent()
    assert "\n" in ax.get_xlabel() and box.x0 > 0 and box.x1 < figure.bbox.width
    assert ax.get_legend().get_window_extent().y1 <= box.y0 + 2


def test_drift_says_the_unit_of_each_mean(case):
    ax = figures.drift(case.hardness)
    said = [t.get_text() for t in ax.get_legend().get_texts()]
    residuals = [np.mean(line.get_ydata()) for line in ax.lines if line.get_marker() in "o^"]
    assert {f"session {n}, mean {m:+.2g} Shore A" for n, m in zip(("S1", "S2"), residuals)} < set(said)
    box = ax.get_legend().get_window_extent()
    assert box.x1 < drawn(ax).bbox.width


def test_effects_of_a_blend_are_differences_between_formulas_of_its_region():
    """Of two components from 0 to 1: a b is 0 at both ends and 1/4 in the middle, so it swings by 1/4 about any level line."""
    parts = [{"name": n, "low": 0.0, "high": 1.0} for n in "ab"]
    brief = fl.Brief(basis="fraction", total=1, ingredient=parts, response=[{"name": "y"}])
    a = np.linspace(0, 1, 21)
    y = 3 + a + 8 * a * (1 - a) + np.where(np.arange(21) % 2, 0.01, -0.01)
    surface = fit(brief, pd.DataFrame({"a": a, "b": 1 - a, "y": y}), kind="least squares", seed=1)["y"]
    [line] = [
        line for line in figures.effects(surface).lines if line.get_marker() == "o" and len(line.get_xdata())
    ]
    assert_allclose(line.get_xdata(), 8 / 4, rtol=0.02)


def test_suggestion_against_targets(case):
    rows = figures.predicted_against_targets(case.answer)
    for ax, (_, line) in zip(rows, case.answer.predicted.iterrows(), strict=True):
        squares = [mark for mark in ax.lines if mark.get_marker() == "s"]
        assert_allclose(squares[0].get_xdata(), [line["mean"]])
        today = [mark for mark in ax.lines if mark.get_marker() == "D"]
        said = case.surfaces[line.name].predict(case.brief.baseline)  # mixtures are solved to 1e-7
        assert_allclose(today[0].get_xdata(), said, rtol=1e-7)


def test_confirmed_shows_what_the_batches_read(case):
    rows = figures.confirmed(case.told)
    assert len(rows) == 2
    for ax, name in zip(rows, ("hardness", "smear")):
        lines = case.told.table[case.told.table["response"] == name]
        read = next(line for line in ax.lines if line.get_marker() == "o")
        assert_allclose(read.get_xdata(), lines["observed"])
        assert [ax.get_yticklabels()[int(k)].get_text() for k in read.get_ydata()] == lines["batch"].tolist()
        ends = np.array([path.vertices[:, 0] for path in ax.collections[0].get_paths()])
        assert_allclose(ends, lines[["low", "high"]])
    assert len(case.told.table) == 5  # one batch was not read for hardness


def test_today_stands_at_its_cost_and_conformance(case):
    cost = case.brief.costs(case.brief.baseline)["per_piece"].iloc[0]
    alone = figures.cost_conformance(case.brief, case.surfaces, formulas=50, draws=400, seed=5)
    drawn_now = conformance(case.brief, case.surfaces.draw(400, seed=5), case.brief.baseline)[0].true_mean
    ax = figures.cost_conformance(case.brief, case.surfaces, case.answer, formulas=50, draws=400, seed=5)
    told = case.answer.current.loc[
        f"conformance of the {case.brief.true_words}", "today"
    ]  # one figure in all places
    for one, chance in ((alone, drawn_now), (ax, told)):
        today = next(line for line in one.lines if line.get_marker() == "D")
        assert_allclose(today.get_data(), [[cost], [chance]], rtol=1e-12)
    square = next(line for line in ax.lines if line.get_marker() == "s")
    assert_allclose(square.get_ydata(), [case.answer.conformance.true_mean])


def test_frontier_is_drawn_as_given(case):
    front = pd.DataFrame({"conformance": [0.5, 0.9], "cost_per_piece": [0.013, 0.014]})
    ax = figures.cost_conformance(case.brief, case.surfaces, frontier=front, formulas=50, draws=100)
    assert any(np.array_equal(line.get_xdata(), [0.013, 0.014]) for line in ax.lines)


def test_where_met_bounds_enclose_what_is_sure(case):
    ax = figures.where_met(case.brief, case.surfaces, "oil", "chalk", draws=400, seed=3)
    filled = next(c for c in ax.collections if getattr(c, "filled", False) and len(c.levels) == 6)
    sure = filled.get_paths()[-2:]  # 0.9 to 0.95, and above
    region = fl.Region.from_brief(case.brief)
    frame = region.sample(400, 2).assign(cure_min=15.0, press="ram")
    chance = np.array([c.true_mean for c in conformance(case.brief, case.surfaces.draw(400, seed=3), frame)])
    inside = [any(path.contains_point(p) for path in sure) for p in frame[["oil", "chalk"]].to_numpy()]
    clear = np.abs(chance - 0.9) > 0.03
    assert clear.sum() > 200 and (chance[clear] > 0.9).any()
    assert_allclose(np.array(inside)[clear], chance[clear] > 0.9)


def test_prediction_error_is_the_judged_curve(case):
    curve = case.plan.judge().fraction
    line = figures.prediction_error(case.plan).lines[0]
    assert_allclose(line.get_xdata(), curve["std_error"])
    assert_allclose(line.get_ydata(), 100 * curve["fraction"])


def test_layout_shows_every_level(case):
    row = figures.plan_layout(case.plan)
    order = case.plan.frame.sort_values("run_order")
    assert len(row) == 5
    dots = next(line for line in row[1].lines if line.get_marker() == "o")
    assert_allclose(dots.get_xdata(), order["oil"])
    assert [t.get_text() for t in row[4].get_xticklabels()] == ["ram", "steam"]
    assert [t.get_text() for t in row[1].get_xticklabels()] == ["5", "15", "25"]  # levels of the plan
    assert [t.get_text() for t in row[2].get_xticklabels()] == [
        "40",
        "100",
    ]  # no level at the high: the range


def test_a_large_plan_is_no_wider_than_a_page_and_names_every_trial(case):
    parts = [
        {"name": f"part_{k}", "label": "precipitated temperature", "low": 0, "high": 9} for k in range(7)
    ]
    brief = fl.Brief(ingredient=[{"name": "rubber", "role": "rubber"}, *parts], response=[{"name": "y"}])
    made = fl.Region.from_brief(brief).sample(48, 1)
    made = made.assign(batch=[f"B{k // 2:02d}" for k in range(48)], day=["D1"] * 40 + [None] * 8)
    row = figures.plan_layout(fl.Plan.from_frame(brief, made, model="linear"))
    figure = drawn(row)
    assert figure.get_figwidth() <= 9.5
    assert [t.get_text() for t in row[0].get_yticklabels()] == [f"T{k:02d}" for k in range(1, 49)]
    boxes = [t.get_window_extent() for t in row[0].get_yticklabels()]
    assert all(above.y0 >= below.y1 for above, below in zip(boxes, boxes[1:]))
    heads = [ax.xaxis.label.get_window_extent() for ax in row[1:]]
    assert all(left.x1 <= right.x0 for left, right in zip(heads, heads[1:]))
    assert {t.get_text() for t in row[0].texts} == {
        "D1",
        *made["batch"],
    }  # nothing of days that are not known


def test_tree_joins_slabs_of_one_batch(case):
    ax = figures.batch_tree(case.plan)
    words = [text.get_text() for text in ax.texts]
    assert sorted(words) == sorted(
        [*case.trials["trial"], *set(case.trials["batch"]), *set(case.trials["load"])]
    )
    assert ax.get_title(loc="left") == "18 slabs from 9 batches, cured in 5 loads"


def test_pairs_show_the_corner_that_the_limit_cuts(case):
    first = figures.region_pairs(case.brief)[0]
    shape = first.patches[0].get_path().vertices
    assert first.get_xlabel() == "" or "oil" in first.get_xlabel()
    assert {(5.0, 100.0), (25.0, 80.0)} <= {tuple(v) for v in shape.round(6)}
    assert (25.0, 100.0) not in {tuple(v) for v in shape.round(6)}


def test_reliability_shows_shares(case):
    ax = figures.reliability(case.ledger)
    points = next(line for line in ax.lines if line.get_marker() == "o")
    assert_allclose(points.get_ydata(), 100 * case.ledger.reliability["share"])


# ---- what lies outside ------------------------------------------------------------------------------


def _pixel(figure, ax, x, y):
    column, row = ax.transData.transform((x, y))
    image = np.asarray(figure.canvas.buffer_rgba())
    return image[image.shape[0] - 1 - round(row), round(column), :3] / 255


@pytest.mark.parametrize("call", ["over_two", "where_met"])
def test_outside_the_limits_is_grey(case, call):
    ax = CALLS[call](case)
    figure = drawn(ax)
    for x, y in ((24.3, 96.0), (4.3, 50.0), (15.0, 102.0)):  # beyond the limit, below and above a range
        assert_allclose(_pixel(figure, ax, x, y), to_rgb(LIGHT.outside), atol=0.01)
    spots = np.array([_pixel(figure, ax, x, y) for x in (7.3, 10.1, 13.7) for y in (44.3, 52.7, 63.1)])
    grey = (np.abs(spots - to_rgb(LIGHT.outside)) < 0.01).all(axis=1)
    assert not grey.any()


def test_triangle_is_grey_outside_the_limits(case):
    ax = figures.ternary(case.erasure, ["factice", "kaolin", "pumice"])
    figure = drawn(ax)
    spot = ax.transProjection.transform([[31.5, 11.0, 9.5]])[0]  # factice beyond its range
    assert_allclose(_pixel(figure, ax, *spot), to_rgb(LIGHT.outside), atol=0.01)


def test_beyond_the_trials_is_dotted(case):
    ax = figures.over_two(case.hardness, "oil", "chalk")
    assert any(c.get_hatch() is None for c in ax.collections)
    dotted = [c for c in ax.collections if getattr(c, "hatches", None) == [".."]]
    assert len(dotted) == 1  # chalk was never above 80
    frame = pd.DataFrame({"oil": [15.0, 5.0], "chalk": [60.0, 99.0], "cure_min": 15.0, "press": "ram"})
    depth = slices.certainty([case.hardness], case.brief.complete(frame))
    assert depth[0] > 0 > depth[1]


def test_today_is_marked_and_said_to_be_off_the_slice(case):
    on = figures.over_two(case.hardness, "oil", "chalk")
    assert "today" in [t.get_text() for t in on.get_legend().get_texts()]
    off = figures.over_two(
        case.hardness, "oil", "chalk", at={"oil": 12, "chalk": 60, "cure_min": 12, "press": "ram"}
    )
    words = [t.get_text() for t in off.get_legend().get_texts()]
    assert "today (off this slice)" in words and "drawn through here" in words
    assert off.get_title(loc="left").endswith("at cure min 12 min, press ram")


# ---- refusals ---------------------------------------------------------------------------------------

REFUSED = {
    "no axis": (
        lambda c: figures.over_two(c.hardness, "oil", "press"),
        "'press' cannot be an axis; choose a numeric factor of ['oil', 'chalk', 'cure_min'].",
    ),
    "the same twice": (
        lambda c: figures.over_two(c.hardness, "oil", "oil"),
        "x and y are both 'oil'; name two different factors.",
    ),
    "not three": (
        lambda c: figures.ternary(c.erasure, ["oil", "rubber", "kaolin"]),
        "components = ['oil', 'rubber', 'kaolin']; name three different ingredients out of those "
        "that vary, ['factice', 'oil', 'kaolin', 'pumice'].",
    ),
    "no triangle": (
        lambda c: figures.ternary(c.erasure, ["factice", "kaolin", "pumice"], ax=plt.figure().add_subplot()),
        "The Axes given is no triangle; the three ingredients sum to 52 here. Use "
        "figure.add_subplot(projection='ternary', ternary_sum=52) after importing mpltern, or leave ax out.",
    ),
    "wrong panels": (
        lambda c: figures.traces(c.surfaces, ax=plt.subplots(1, 3)[1]),
        "This figure has 2 x 4 panels and was given 3 Axes. Pass plt.subplots(2, 4)[1], or leave ax out.",
    ),
    "several formulas": (
        lambda c: figures.traces(c.hardness, at=c.trials),
        "at= is one formula; it was given 18. Pass one row: frame.iloc[[0]].",
    ),
    "unknown conformance": (
        lambda c: figures.where_met(c.brief, c.surfaces, "oil", "chalk", of="mean"),
        "of = 'mean'; use one of ['true_mean', 'new_batch', 'accepted'].",
    ),
    "unknown cost": (
        lambda c: figures.cost_conformance(c.brief, c.surfaces, cost="per_kg"),
        "cost = 'per_kg'; use one of ['cost_per_kg', 'cost_per_litre', 'cost_per_piece'].",
    ),
    "frontier of another cost": (
        lambda c: figures.cost_conformance(
            c.brief, c.surfaces, frontier=pd.DataFrame({"conformance": [0.5], "cost_per_kg": [1.0]}), formulas=5, draws=10
        ),
        "The frontier has no column 'cost_per_piece'; make it with cost_frontier(brief, surfaces, cost='cost_per_piece').",
    ),
    "no batches": (
        lambda c: figures.batch_tree(c.trials.drop(columns="batch")),
        "The trials have no batch column, so nothing is shared; add one where slabs share a mixing.",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", list(REFUSED))
def test_refusals_say_what_to_do(case, name):
    call, words = REFUSED[name]
    with pytest.raises(FormlabError) as caught:
        call(case)
    assert str(caught.value) == words


def test_unknown_figure():
    with pytest.raises(AttributeError, match="module 'formlab.figures' has no attribute 'pie'"):
        _ = figures.pie


# ---- small things -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "words"), [(0.0, "0 %"), (0.001, "< 1 %"), (0.5, "50 %"), (0.999, "> 99 %"), (1.0, "> 99 %")]
)
def test_percent_never_rounds_to_certainty(value, words):
    assert theme.percent(value) == words


def test_reference_is_today_if_allowed_else_the_centre(case):
    pd.testing.assert_frame_equal(slices.reference(case.brief), case.brief.baseline)
    changed = dict(PHR, current={"oil": 24, "chalk": 100, "cure_min": 15, "press": "ram"})
    brief = fl.Brief.model_validate(changed)
    assert bool(fl.Region.from_brief(brief).contains(slices.reference(brief)).iloc[0])


def test_figures_raise_no_warnings_without_today_or_targets():
    brief = fl.Brief(
        ingredient=[{"name": "rubber", "role": "rubber"}, {"name": "oil", "low": 0, "high": 20}, {"name": "chalk", "low": 0, "high": 50}],
        response=[{"name": "hardness"}],
        model="linear",
    )  # fmt: skip
    trials = pd.DataFrame({"oil": [0, 20, 0, 20, 10.0, 10], "chalk": [0, 0, 50, 50, 25.0, 25]})
    trials["hardness"] = [50.0, 40, 60, 51, 50.3, 49.9]
    surfaces = fit(brief, trials, kind="least squares")
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        for made in (
            figures.traces(surfaces), figures.over_two(surfaces["hardness"], "oil", "chalk"),
            figures.observed_predicted(surfaces["hardness"]), figures.drift(surfaces["hardness"]),
            figures.effects(surfaces["hardness"]), figures.region_pairs(brief),
        ):  # fmt: skip
            drawn(made)


def test_figures_of_a_page_do_not_run_into_each_other(case):
    grid = abreast(figures.observed_predicted, [case.hardness, case.smear] * 2)
    figure = drawn(grid)
    words = [
        text.get_window_extent()
        for ax in grid.ravel()
        for text in (ax.title, ax._left_title, ax.xaxis.label, ax.yaxis.label, *ax.get_legend().get_texts())
        if text.get_text()
    ]
    for a, b in itertools.combinations(words, 2):
        assert min(min(a.x1, b.x1) - max(a.x0, b.x0), min(a.y1, b.y1) - max(a.y0, b.y0)) < 1
    assert [b for b in words if b.x0 < -1 or b.x1 > figure.bbox.width + 1] == []


def test_two_rubbers_alone_are_no_map_and_long_names_are_broken():
    brief = fl.Brief(
        ingredient=[
            {"name": "sbr", "role": "rubber", "low": 50, "high": 90},
            {"name": "nr", "role": "rubber", "low": 10, "high": 50},
            {"name": "oil", "label": "naphthenic process oil, light", "low": 5, "high": 20},
        ],
        response=[{"name": "hardness", "unit": "Shore A"}],
        model="linear",
    )
    plan = fl.lay_out(brief, runs=8, starts=2, seed=1)
    trials = plan.frame.assign(hardness=[40.0, 41.5, 39.0, 44.0, 42.0, 40.5, 43.0, 38.0])
    surface = fl.fit(brief, trials, kind="least squares", seed=1)["hardness"]
    with pytest.raises(FormlabError) as caught:
        figures.over_two(surface, "sbr", "nr")
    assert str(caught.value) == (
        "'sbr' follows from 'nr', for no other ingredient helps to keep their sum. Choose another pair, or draw traces."
    )
    heads = [ax.get_xlabel() for ax in figures.plan_layout(plan)]
    assert heads[-1] == "naphthenic process\noil, light, phr" and "\n" not in "".join(heads[:-1])


@pytest.mark.parametrize("name, words", [("where_met", "counting draws"), ("traces", "drawing"), ("ternary", "predicting"), ("over_two", "predicting")])  # fmt: skip
def test_a_figure_that_takes_its_time_says_how_far_it_is(name, words, case, capsys, monkeypatch):
    monkeypatch.setattr(progress, "watched", lambda: True)
    monkeypatch.setattr(progress, "AFTER", 0.0)
    monkeypatch.setattr(progress, "BETWEEN", 0.0)
    CALLS[name](case)
    assert words in capsys.readouterr().err
