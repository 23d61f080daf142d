"""Surfaces: fitted responses that predict with uncertainty anywhere in the region."""

from formlab.surfaces.draws import Draws
from formlab.surfaces.least_squares import SurfaceRegressor
from formlab.surfaces.scales import Scale
from formlab.surfaces.surface import Surface
from formlab.surfaces.surfaces import Surfaces, fit

__all__ = ["Draws", "Scale", "Surface", "SurfaceRegressor", "Surfaces", "fit"]
