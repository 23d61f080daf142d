"""What a press load is told, as numbers: minutes, temperature, equivalent cure, preform weight, scorch."""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from formlab.brief import Brief
from formlab.cards.batches import plan_table
from formlab.cards.site import Site
from formlab.cure import agreeing_coefficient, press_minutes_by_rule, scorch_check, state_of_cure
from formlab.cure_trials import minutes_of_multiples
from formlab.errors import ExtrapolationWarning, FormlabError, Problem
from formlab.parts import Setting

__all__ = ["Load", "cure_settings", "loads_of"]

_MINUTES = ("min", "minutes")
_DEGREES = ("°c", "degc", "c", "deg c")
_MULTIPLES = ("x t90", "× t90", "t90", "times t90")


@dataclass(frozen=True)
class Load:
    """One filling of the press.

    `slabs` has one row a slab: ``trial, batch, multiple, t90, minutes, temp_c, face, centre, preform_g`` (nan where
    not known; face and centre are equivalent minutes at `reference_c`). `settings` are those that all slabs share,
    by title and unit; `differing` has a row a slab, as `slabs`, and a column for each setting that they do not.
    """

    load: str
    slabs: pd.DataFrame
    settings: dict[str, str]
    differing: pd.DataFrame
    reference_c: float
    two_steps: bool
    notes: tuple[str, ...]


def cure_settings(brief: Brief, site: Site) -> dict[str, str]:
    """Return which settings of the brief are press time, press temperature and multiple of t90, "" for none.

    Those the site names, else the only one with such a unit whose name or label speaks of cure, press or mould.

    Raises
    ------
    FormlabError
        If the site names a setting that the brief does not have.
    """
    asked = {
        "minutes": site.minutes_from,
        "temperature": site.temperature_from,
        "multiple": site.multiple_from,
    }
    numeric = [s.name for s in brief.settings if s.is_numeric]
    wrong = [
        Problem(column=f"{key}_from", value=name, expected=f"a numeric setting of the brief: {numeric}")
        for key, name in asked.items()
        if name and name not in numeric
    ]
    if wrong:
        raise FormlabError(wrong)
    units = {"minutes": _MINUTES, "temperature": _DEGREES, "multiple": _MULTIPLES}
    return {key: name or _by_unit(brief, units[key]) for key, name in asked.items()}


def _by_unit(brief: Brief, units: tuple[str, ...]) -> str:
    found = [
        s.name
        for s in brief.settings
        if s.is_numeric and s.unit.strip().lower() in units and _of_the_press(s)
    ]
    return found[0] if len(found) == 1 else ""


def _of_the_press(setting: Setting) -> bool:
    text = f"{setting.name} {setting.label} {setting.unit}".lower()
    return any(word in text for word in ("cure", "press", "mould", "mold", "t90", "vulcan"))


def loads_of(brief: Brief, plan: Any, site: Site) -> list[Load]:
    """Return the press loads of a plan; without a column ``load`` the slabs of a batch go in together."""
    table = plan_table(brief, plan)
    column = "load" if "load" in table else "batch"
    named = cure_settings(brief, site)
    slabs = _slabs(brief, table, site, named)
    groups = [(str(load), rows) for load, rows in table.groupby(column, sort=False)]
    # a load can be pressed when its last batch has been mixed
    groups.sort(key=lambda group: table.index.get_loc(group[1].index[-1]))
    return [_load(brief, load, rows, slabs.loc[rows.index], site, named) for load, rows in groups]


def _load(
    brief: Brief, load: str, rows: pd.DataFrame, slabs: pd.DataFrame, site: Site, named: dict[str, str]
) -> Load:
    own = [s for s in brief.settings if s.changes in ("load", "slab") and s.name not in named.values()]
    each = pd.DataFrame(
        {(f"{s.title} ({s.unit})" if s.unit else s.title): [_value(v) for v in rows[s.name]] for s in own},
        index=range(len(rows)),
    )
    alike = each.columns[each.nunique() == 1]
    said = [*_cure_notes(slabs, site), *_scorch_notes(slabs, site)]
    if slabs["minutes"].isna().all() and not named["multiple"]:
        said.append(
            "The brief and the site give no cure time: write in the minutes before the press is closed."
        )
    if (times := slabs["minutes"].dropna().nunique()) > 1:
        said.append(
            f"{times} press times in one load: take each slab out at its own. It needs a press whose daylights open "
            "apart from each other; else press the slabs of each time as a load of their own."
        )
    if len(apart := each.columns.difference(alike, sort=False)):
        said.append(
            f"Slabs of this load differ in {', '.join(apart)}: each as listed. What the press can set only once for a "
            "filling needs a load of its own for each value."
        )
    if slabs["temp_c"].isna().all() and not named["multiple"]:  # then only the label may say how hot
        said += [f"Minutes: {s.label}." for s in brief.settings if s.name == named["minutes"] and s.label]
    return Load(
        load, slabs.reset_index(drop=True), {name: each[name].iloc[0] for name in alike},
        each[apart], site.reference_c, bool(named["multiple"]), tuple(said),
    )  # fmt: skip


def _slabs(brief: Brief, table: pd.DataFrame, site: Site, named: dict[str, str]) -> pd.DataFrame:
    out = table[["trial", "batch"]].copy()
    temp = table[named["temperature"]] if named["temperature"] else pd.Series(site.press_c, index=table.index)
    out["temp_c"] = temp.astype(float)
    out["t90"] = table["batch"].map(site.t90).astype(float)
    out["multiple"] = table[named["multiple"]].astype(float) if named["multiple"] else np.nan
    if named["multiple"]:
        out["minutes"] = _from_multiples(out, site)
    elif named["minutes"]:
        out["minutes"] = table[named["minutes"]].astype(float)
    else:
        out["minutes"] = np.nan if site.minutes is None else site.minutes
    out[["face", "centre"]] = np.nan
    known = out[["minutes", "temp_c"]].notna().all(axis=1)
    if known.any():
        cure = _equivalent(out[known], site)
        out.loc[known, "face"] = cure["face"]
        out.loc[known, "centre"] = cure["centre"] if site.slab_mm else np.nan
    return out.assign(preform_g=_preform(brief, table, site))


def _from_multiples(slabs: pd.DataFrame, site: Site) -> pd.Series:
    """Return minutes from each batch's own t90: for the face, for the centre, or for the face with the site's rule."""
    if site.meter_c is None or slabs["t90"].isna().all():
        return pd.Series(np.nan, index=slabs.index)
    if site.cure_at != "face" and site.slab_mm is None:
        raise FormlabError(
            [
                Problem(
                    column="slab_mm",
                    expected=f"the thickness of a slab in mm, needed for cure_at = {site.cure_at!r}",
                )
            ]
        )
    frame = slabs.assign(temp_c=slabs["temp_c"].fillna(site.meter_c))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ExtrapolationWarning)  # said on the card by _cure_notes
        minutes = minutes_of_multiples(
            frame, "multiple", site.t90, site.meter_c, press="temp_c",
            thickness_mm=site.slab_mm if site.cure_at == "centre" else None,
            activation_kj=site.activation_kj, diffusivity=site.diffusivity,
        )  # fmt: skip
    if site.cure_at != "rule" or site.slab_mm is None:
        return minutes
    thick, per, above = site.slab_mm, site.minutes_per_mm, site.above_mm
    return minutes.map(
        lambda m: m if np.isnan(m) else press_minutes_by_rule(m, thick, minutes_per_mm=per, above_mm=above)
    )


def _equivalent(slabs: pd.DataFrame, site: Site) -> pd.DataFrame:
    """Return minutes at the reference temperature that face and centre receive."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ExtrapolationWarning)
        return state_of_cure(
            slabs["minutes"], slabs["temp_c"], pd.Series(1.0, index=slabs.index), site.reference_c,
            thickness_mm=site.slab_mm or 1.0, activation_kj=site.activation_kj, diffusivity=site.diffusivity,
        )  # fmt: skip


def _preform(brief: Brief, table: pd.DataFrame, site: Site) -> pd.Series:
    if site.slab_cm3 is None or not brief.ingredients or any(p.density is None for p in brief.ingredients):
        return pd.Series(np.nan, index=table.index)
    return brief.density(table) * site.slab_cm3 * (1.0 + site.preform_extra_percent / 100.0)


def _cure_notes(slabs: pd.DataFrame, site: Site) -> list[str]:
    temps = slabs["temp_c"].dropna().unique()
    notes = []
    if slabs["face"].notna().any():
        notes.append(_equivalence(temps, site))
    references = [
        site.reference_c,
        *([site.meter_c] if site.meter_c is not None and slabs["multiple"].notna().any() else []),
    ]
    apart = max((abs(t - r) for t in temps for r in references), default=0.0)
    if apart > 20:
        notes.append(
            f"Press and reference or cure meter lie {apart:.3g} °C apart. Beyond 20 °C the equivalent rests wholly on "
            "the activation energy: measure nearer to where it is used."
        )
    return notes


def _equivalence(temps: np.ndarray, site: Site) -> str:
    text = f"Equivalent cure at {site.reference_c:g} °C with an activation energy of {site.activation_kj:g} kJ/mol"
    other = [t for t in temps if t != site.reference_c]
    if other:
        per_10 = agreeing_coefficient(site.activation_kj, float(other[0]), site.reference_c)
        text += f" ({per_10:.3g} times per 10 °C here; the doubling rule says 2)"
    if site.slab_mm:
        text += f"; centre of {site.slab_mm:g} mm by conduction"
    return text + "."


def _scorch_notes(slabs: pd.DataFrame, site: Site) -> list[str]:
    if site.close_min is None or site.meter_c is None:
        return []
    notes = []
    for batch, rows in slabs.groupby("batch", sort=False):
        temps = rows["temp_c"].dropna()
        if batch not in site.ts2 or temps.empty:
            continue
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ExtrapolationWarning)
            found = scorch_check(
                site.ts2[str(batch)], site.meter_c, press_c=float(temps.max()), close_min=site.close_min,
                heat_history=site.heat_history, activation_kj=site.activation_kj,
            )  # fmt: skip
        notes += [f"Scorch, batch {batch}: {text.replace('degC', '°C')}" for text in found.cautions]
    return notes


def _value(value: Any) -> str:
    return value if isinstance(value, str) else f"{value:.6g}"
