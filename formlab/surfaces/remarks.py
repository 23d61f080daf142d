"""What weakens a fit, in plain words, the gravest first."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from formlab.errors import FitError
from formlab.html import first_few
from formlab.surfaces.diagnose import (
    batch_degrees,
    leave_one_batch_out,
    over_parts,
    without_each_batch,
)
from formlab.surfaces.readings import READ_IN, usable
from formlab.surfaces.scales import Scale

if TYPE_CHECKING:
    from formlab.surfaces.surface import Surface

__all__ = ["about_formulas", "warnings_of"]

NO_TABLE = "No analysis of variance"

Found = list[tuple[int, str]]


def looks(surface: Surface) -> Found:
    """Return what weakens the fit as a whole: how grave it is, least the gravest, and what to say."""
    found: Found = [(5 if note.startswith(NO_TABLE) else 3, note) for note in surface.notes]
    for look in (
        _never_varied,
        _censored,
        _useless,
        _beyond_bounds,
        _few_degrees,
        _few_batches,
        _few_tests,
        _hardly_judged,
        _misfit,
        _decided_by_batch,
        _outliers,
        _odd_readings,
        _odd_batch,
        _drift,
        _zero_level,
        _collinear,
        _alone,
        _tails,
    ):
        found += look(surface)
    return found


def warnings_of(surface: Surface) -> list[str]:
    """Return all that weakens the fit, gravest first, with what is said of single terms, which takes longer to find."""
    return _gravest_first([*surface.looks, *_hinges(surface)])


def about_formulas(surface: Surface) -> list[str]:
    """Return the warnings that bear on a formula: none of terms that hang on a prior, nor of a table that is not there."""
    return [text for text in _gravest_first(surface.looks) if not text.startswith(NO_TABLE)]


def _gravest_first(found: Found) -> list[str]:
    return [text for _, text in sorted(found, key=lambda item: item[0])]


def _never_varied(surface: Surface) -> Found:
    """Factors and levels that the trials say little or nothing about."""
    brief, formulas, words = surface.brief, surface.formulas, []
    for name in [*brief.varied, *(s.name for s in brief.settings if s.is_numeric)]:
        values = formulas[name].to_numpy(float)
        low, high = brief.ranges[name]
        if np.ptp(values) <= 1e-9 * (high - low):
            words.append(
                (
                    0,
                    f"{name!r} was {values[0]:g} in all trials: what it does is unknown, and only a prior fills the gap. Vary it.",
                )
            )
    for setting in brief.settings:
        if setting.is_numeric:
            continue
        count = formulas[setting.name].astype(str).value_counts()
        for level in map(str, setting.levels or []):
            if count.get(level, 0) == 0:
                words.append(
                    (
                        0,
                        f"{setting.name!r} was never {level!r}: nothing is known about that level. Try it, or drop it.",
                    )
                )
            elif count[level] == 1:
                words.append(
                    (
                        2,
                        f"{setting.name!r} was {level!r} in one trial only: nothing checks what is said about that level. Repeat it.",
                    )
                )
    return words


def _censored(surface: Surface) -> Found:
    """Readings that only say below or above."""
    side, y = surface.values.side, surface.values.y
    count = int((side != 0).sum())
    if not count:
        return []
    unit = f" {surface.response.unit}" if surface.response.unit else ""
    words = []
    for way, sign in ((-1, "<"), (1, ">")):
        limits = np.unique(y[side == way])
        if len(limits):
            words.append(
                f"{int((side == way).sum())} ({first_few([f'{sign}{v:.4g}{unit}' for v in limits], 3)})"
            )
    most = 2 * count > len(side)
    tail = (
        " They are most of them: how far beyond the limits the surface goes rests on the others and on priors."
        if most
        else ""
    )
    return [(1 if most else 3,
        f"{' and '.join(words)} of {len(side)} values are limits, and count as the chance to lie beyond them. What R² says is "
        f"of the others, which are more alike.{tail}")]  # fmt: skip


def _useless(surface: Surface) -> Found:
    predicted = surface.summary["r2_predicted"]
    if (
        predicted > 0.1
        or np.isnan(predicted)
        or 4 * (surface.values.side != 0).sum() > len(surface.values.side)
    ):
        return []  # those that could be read are more alike than all are, so that R² is too low
    if np.isinf(predicted):
        return []  # said by `_alone`
    much = "no better than" if predicted <= 0 else "hardly better than"
    said = f"Batches left out are predicted {much} by their mean (predicted R² {predicted:.2f})"
    read = surface.values.side == 0
    check = surface.diagnostics[read]
    off = (check["left_out_error"] ** 2).groupby(check["batch"]).sum()
    rest = surface.values.eta[read][(check["batch"] != off.idxmax()).to_numpy()]
    spread = float(((rest - rest.mean()) ** 2).sum())
    others = 1 - (off.sum() - off.max()) / spread if spread > 0 else -np.inf
    if others > 0.5:  # one batch spoils it
        return [(0,
            f"{said}, but for {off.idxmax()!r} they are well ({others:.2f}): what it alone tells, nothing checks. Repeat it "
            "before acting on this surface.")]  # fmt: skip
    return [(0, f"{said}: do not act on this surface.")]


def _beyond_bounds(surface: Surface) -> Found:
    """Predictions at the trials that pass a bound of the response, where the scale does not keep them."""
    part = surface.response
    low, high = part.bounds
    if part.kind != "measure" or not surface.may_pass(low, high):
        return []
    at = surface.predict_table(surface.formulas, outside="ignore")
    said = [
        f"{bound:g} {part.unit}".rstrip() + f" (mean {mean:.4g}, an end of its 95 % interval {end:.4g})"
        for bound, mean, end, passed in (
            (low, at["mean"].min(), at["low"].min(), at["low"].min() < low),
            (high, at["mean"].max(), at["high"].max(), at["high"].max() > high),
        )
        if passed
    ]
    if not said:
        return []
    scale = Scale.of(part.model_copy(update={"scale": "auto"}))
    keep = f'scale = "{scale.kind}"' if scale.inside(surface.values.y).all() else "wider bounds"
    return [(2,
        f"Predictions at trials pass the bound of {' and '.join(said)}: as measured, nothing keeps them from it. "
        f"Do not act on them there; {keep} in the brief would keep them.")]  # fmt: skip


def _few_degrees(surface: Surface) -> Found:
    fit = surface.solution
    if fit is None or fit.df > 2 or surface.kind != "least squares":
        return []
    return [(1,
        f"Only {fit.df} residual degree{'s' if fit.df > 1 else ''} of freedom: the error is hardly known, and intervals "
        "are very wide. Add trials or choose a smaller model.")]  # fmt: skip


def _few_batches(surface: Surface) -> Found:
    spare = batch_degrees(surface)
    if spare is None:
        return []
    if spare > 2:
        whole = batch_degrees(surface, whole=True)
        if surface.mixed is None or whole is None or whole > 2:
            return []
        return [(5,
            f"The whole model leaves only {whole} degree{'s' if whole != 1 else ''} of freedom between batches: its analysis of "
            "variance shows no test of what differs from batch to batch. The coefficients have intervals of their own; repeat "
            "batches, or choose a smaller model.")]  # fmt: skip
    return [(1,
        f"Only {spare} degree{'s' if spare != 1 else ''} of freedom between batches: what differs from batch to batch "
        "cannot be tested, and no such test is shown. Repeat batches, or choose a smaller model.")]  # fmt: skip


def _few_tests(surface: Surface) -> Found:
    """Sessions and operators so few that how far they differ is hardly known."""
    few = []
    for name, code in zip(surface.noise.names, surface.noise.codes):
        groups = int(code.max()) + 1
        if name in READ_IN and groups <= 3:
            few.append(f"{groups} {name}s")
    if not few or surface.kind == "least squares":
        return []
    return [(3,
        f"Only {' and '.join(few)}: how far such differ is hardly known, and all intervals of means are wider for it. Read in more of "
        "them; where a reference has taken a drift out (remove_drift), leave that column out of the trials.")]  # fmt: skip


def _hardly_judged(surface: Surface) -> Found:
    """Terms whose error rests on less than one degree of freedom, such as the constant where few loads differ much."""
    if surface.kind != "least squares" or surface.mixed is None:
        return []
    table = surface.coefficients
    names = table.loc[table["df"] < 1, "term"].map(repr).tolist()
    if not names:
        return []
    return [(2,
        f"The error of {first_few(names, 3)} rests on less than one degree of freedom, so neither a test nor an interval of "
        "it is shown; predictions have intervals of their own. More batches or loads would tell.")]  # fmt: skip


def _misfit(surface: Surface) -> Found:
    if surface.solution is None or surface.kind != "least squares" or surface.mixed is not None:
        return []
    lack = surface.anova[surface.anova["source"] == "  lack of fit"]
    if lack.empty or not lack["p"].iloc[0] < 0.05:
        return []
    return [(1,
        f"Lack of fit: the model misses the means of repeated formulas by more than their scatter explains (p = {lack['p'].iloc[0]:.2g}). "
        "Add curvature, another scale, or other variables.")]  # fmt: skip


def _decided_by_batch(surface: Surface) -> Found:
    """The batch whose absence changes a coefficient's message most, if it changes it."""
    if surface.solution is None and surface.kind == "least squares" or surface.values.batches.max() < 3:
        return []
    if surface.kind == "least squares" and surface.solution is not None and surface.solution.df < 2:
        return []
    table = without_each_batch(surface)
    moved = table[table["overturned"]]
    if moved.empty:
        return []
    worst = moved.loc[moved["moved"].abs().idxmax()]
    # of other kinds the error without the batch is not known
    error = f" ± {worst['std_error']:.2g}" if surface.kind == "least squares" else ""
    return [(2,
        f"Batch {worst['batch']!r} decides the coefficient of {worst['term']!r}: without it, it is {worst['without']:.3g}"
        f"{error} instead of {worst['estimate']:.3g}.")]  # fmt: skip


def _outliers(surface: Surface) -> Found:
    from scipy.stats import t

    check = surface.diagnostics
    df = len(check) - check["leverage"].sum() - 1
    if surface.response.kind != "measure" or df < 2 or _only_rounding(check):
        return []
    worst = check.loc[check["studentised"].abs().idxmax()]
    p = min(2 * t.sf(abs(worst["studentised"]), df) * len(check), 1.0)
    if p > 0.02:
        return []
    return [(2,
        f"Trial {worst['trial']!r} (batch {worst['batch']!r}) lies {abs(worst['studentised']):.1f} standard deviations from what the "
        "others say. Look at its records; it is kept.")]  # fmt: skip


def _odd_readings(surface: Surface) -> Found:
    """Readings of one slab that differ far more than those of others do: often one of them was written down wrongly."""
    from scipy.stats import f as f_law

    values = surface.values
    ss, df = values.repeat_ss, values.repeat_df
    rest_ss, rest_df = ss.sum() - ss, df.sum() - df
    able = (df > 0) & (rest_df > 2)
    if values.response.kind != "measure" or not able.any():
        return []
    slabs, name = surface.slabs.readings, surface.name
    read = pd.to_numeric(slabs[name], errors="coerce").where(usable(slabs))
    step = np.diff(np.unique(values.scale.forward(read.dropna().to_numpy(float))))
    step = step[step > 1e-9 * np.abs(values.eta).max()]
    rounding = float(step.min()) ** 2 / 12 if len(step) else 0.0  # readings that agree may do so by rounding
    usual = np.maximum(np.divide(rest_ss, rest_df, out=np.ones_like(ss), where=able), rounding)
    ratio = np.where(able & (usual > 0), ss / np.where(usual > 0, usual, 1.0) / np.maximum(df, 1), 0.0)
    worst = int(np.argmax(ratio))
    if f_law.sf(ratio[worst], df[worst], rest_df[worst]) * able.sum() > 0.01:
        return []
    own = read[(slabs["slab"] == values.rows[worst]) & read.notna()].to_numpy(float)
    shown = first_few([f"{y:.4g}" for y in np.sort(own)], 4)
    return [(2,
        f"Readings of trial {values.labels['trial'].iloc[worst]!r} are {shown}: they scatter {np.sqrt(ratio[worst]):.0f} times as "
        "widely as those of the others. Look at its records; all are kept.")]  # fmt: skip


def _odd_batch(surface: Surface) -> Found:
    """A batch that the others predict far worse than they lead one to expect."""
    from scipy.stats import t

    check, spare = surface.diagnostics, batch_degrees(surface)
    if spare is None or spare < 3 or check["batch"].nunique() < 6 or _only_rounding(check):
        return []
    if (
        surface.kind == "least squares"
    ):  # variances are estimated anew, so that an odd batch does not hide itself
        try:
            table = leave_one_batch_out(surface).groupby("batch")[["error", "std_error"]].mean()
        except FitError:  # some batch cannot be spared, which `_alone` and others say
            return []
        off, usual, df = table["error"], table["std_error"], spare - 1
    else:
        off = check.groupby("batch")["left_out_error"].mean()
        usual, df = np.sqrt(((off**2).sum() - off**2) / (len(off) - 1)), len(off) - 2
    worst = (off.abs() / usual).idxmax()
    if 2 * t.sf(abs(off[worst]) / usual[worst], df) * len(off) > 0.03:
        return []
    return [(2,
        f"Batch {worst!r} is off by {off[worst]:.3g} when predicted from the others, {abs(off[worst]) / usual[worst]:.1f} times "
        "the error they lead one to expect. Look at its records; it is kept.")]  # fmt: skip


def _only_rounding(check: pd.DataFrame) -> bool:
    """Whether the fit is perfect but for rounding."""
    return bool(np.ptp(check["residual"]) < 1e-9 * np.ptp(check["measured"]))


def _drift(surface: Surface) -> Found:
    """Whether a slope in the run order, added to the model, would be told from none."""
    from scipy.stats import t

    if "run_order" not in surface.slabs.readings or _only_rounding(surface.diagnostics):
        return []
    order = pd.to_numeric(surface.slabs.readings.groupby("slab")["run_order"].first(), errors="coerce")
    run = order.reindex(surface.values.rows).to_numpy(float)
    batches = surface.values.batches.max() + 1
    if np.isnan(run).any() or np.ptp(run) == 0:
        return []
    slope = float(over_parts(surface, lambda part: part.added((run - run.mean())[:, None]))[0])
    spare = batch_degrees(surface)
    df = len(run) - surface.diagnostics["leverage"].sum() if spare is None else spare
    if df < 3 or batches < 6:
        return []
    p = 2 * t.sf(abs(slope), df - 1)
    if p > 0.01:
        return []
    way = "rise" if slope > 0 else "fall"
    return [(2,
        f"Residuals {way} with the run order (p = {p:.2g}): something drifted. Read a reference in every session and take the "
        "drift out (remove_drift), or make a control batch each day.")]  # fmt: skip


def _zero_level(surface: Surface) -> Found:
    mixed = surface.mixed
    if mixed is None or surface.kind != "least squares" or mixed.variance.min() > 1e-8 * mixed.variance.sum():
        return []
    table = mixed.components
    words = []
    for row in table.iloc[:-1].itertuples():
        if row.variance <= 1e-8 * table["variance"].sum():
            words.append((3,
                f"The error of {row.level} is estimated at zero; it stays in the model, and its standard deviation may be up to "
                f"{row.high:.2g}."))  # fmt: skip
    return words


def _collinear(surface: Surface) -> Found:
    fit, space = surface.solution, surface.space
    if fit is None or surface.kind != "least squares":
        return []
    words = []
    worst = int(np.argmax(fit.vif))
    if not space.shares and fit.vif[worst] > 10:
        words.append((3,
            f"{space.names[worst]!r} is hard to tell from the other terms: its variance is {fit.vif[worst]:.0f} times what "
            "trials that vary it separately would give."))  # fmt: skip
    if fit.condition > 1e4:
        words.append(
            (
                3,
                f"The columns are nearly dependent (condition number {fit.condition:.2g}); single coefficients mean little.",
            )
        )
    return words


def _alone(surface: Surface) -> Found:
    if surface.solution is None or surface.kind != "least squares":
        return []
    alone = surface.values.labels["trial"][surface.solution.leverage > 1 - 1e-8]
    if alone.empty:
        return []
    return [(2,
        f"Trial{'s' if len(alone) > 1 else ''} {', '.join(map(repr, alone.iloc[:3]))}{' and others' if len(alone) > 3 else ''} decide"
        f"{'' if len(alone) > 1 else 's'} a coefficient alone; nothing checks {'them' if len(alone) > 1 else 'it'}. Repeat.")]  # fmt: skip


def _hinges(surface: Surface) -> Found:
    """Verdicts on terms that change when the prior's scale does."""
    table = surface.hinges[surface.hinges["flips"]]
    if table.empty:
        return []
    said = [f"{r.term!r} ({r.stated}; halved {r.halved}, doubled {r.doubled})" for r in table.itertuples()]
    return [(3,
        f"What is said of {first_few(said, 3)} hangs on the prior: it changes when the prior's scale is halved or doubled. "
        "More trials near the ends of its range would tell.")]  # fmt: skip


def _tails(surface: Surface) -> Found:
    from scipy.stats import shapiro

    residual = surface.diagnostics["residual"].to_numpy()[surface.values.side == 0]
    if _outliers(surface):  # which is said for itself
        residual = np.delete(residual, np.abs(residual - np.median(residual)).argmax())
    if (
        surface.response.kind != "measure"
        or len(residual) < 12
        or np.ptp(residual) < 1e-9 * np.ptp(surface.values.eta)
    ):
        return []
    p = float(shapiro(residual).pvalue)
    if p > 0.01:
        return []
    return [
        (
            4,
            f"Residuals are not normal (Shapiro-Wilk p = {p:.2g}): intervals of single batches may be off. Another scale may help.",
        )
    ]
