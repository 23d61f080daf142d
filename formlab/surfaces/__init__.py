"""Surfaces: fitted responses that predict with uncertainty anywhere in the region."""

from formlab.surfaces.diagnose import diagnostics, leave_one_batch_out, normal_quantiles, without_each_batch
from formlab.surfaces.draws import Draws
from formlab.surfaces.drift import remove_drift
from formlab.surfaces.hinges import prior_sensitivity
from formlab.surfaces.interpret import effects, interactions, ridge, stationary, steepest, traces
from formlab.surfaces.least_squares import SurfaceRegressor
from formlab.surfaces.power import box_cox, box_cox_of
from formlab.surfaces.scales import Scale
from formlab.surfaces.surface import Surface
from formlab.surfaces.surfaces import Surfaces, fit
from formlab.surfaces.tolerance import one_sided_factor, tolerance_table, two_sided_factor

__all__ = [
    "Draws",
    "Scale",
    "Surface",
    "SurfaceRegressor",
    "Surfaces",
    "box_cox",
    "box_cox_of",
    "diagnostics",
    "effects",
    "fit",
    "interactions",
    "leave_one_batch_out",
    "normal_quantiles",
    "one_sided_factor",
    "prior_sensitivity",
    "remove_drift",
    "ridge",
    "stationary",
    "steepest",
    "tolerance_table",
    "traces",
    "two_sided_factor",
    "without_each_batch",
]
