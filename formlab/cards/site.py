"""What a site adds to a plan before it can be put on a card: scales, limits, procedures, press, test room."""

from __future__ import annotations

import tomllib
from typing import Any, Literal

from pydantic import Field, ValidationError

from formlab.cure import ACTIVATION_KJ, DIFFUSIVITY
from formlab.errors import FormlabError, Problem
from formlab.gates import DENSITY_WITHIN, YIELD_PERCENT
from formlab.mill import band_batch_litres
from formlab.parts import Number, Part
from formlab.regrind import Regrind

__all__ = ["Mill", "Scale", "Site", "read_site"]


class Scale(Part):
    """A scale: what it can carry and its smallest step, in g."""

    up_to_g: Number = Field(gt=0)
    step_g: Number = Field(gt=0)


class Mill(Part):
    """The rolls, in mm, and how thick a band is run on them; see `formlab.mill.band_batch_litres`."""

    diameter_mm: Number = Field(gt=0)
    length_mm: Number = Field(gt=0)
    band_mm: Number = Field(gt=0)
    bank: Number = Field(default=2.5, gt=0)

    @property
    def litres(self) -> float:
        return band_batch_litres(self.diameter_mm, self.length_mm, self.band_mm, bank=self.bank)


SCALES = [
    Scale(up_to_g=200, step_g=0.01), Scale(up_to_g=3_000, step_g=0.1),
    Scale(up_to_g=30_000, step_g=1), Scale(up_to_g=300_000, step_g=10),
]  # fmt: skip


class Site(Part):
    """How this site works. Everything may be left out; a card says where a default of ours stands in.

    Attributes
    ----------
    name, code : str
        Printed on every card; the start of the compound code, initials of the brief's title if left out.
    children : bool
        Whether children use the article; adds reminders.
    scales : list of Scale
        Each line goes on the coarsest scale that carries it and shows half its tolerance.
    scale_of : dict of str to float
        Step in g of the scale for a role, where it has one of its own.
    batch_kg, batch_litres : float
        Size of every batch, by mass or by volume; else the brief's plant, the mill, or the laboratory rule.
    lift_kg : float
        Lifting limit; the brief's plant if left out. Heavier weigh-ups go in several tubs.
    check_percent : (float, float)
        Of a whole batch, in percent of what was weighed: of its check-weighing (the tolerances of its lines added up, if
        left out) and of the mass off the mill (the limits of ISO 2476).
    mill : Mill
    procedure, press_procedure, test_notes : list of str
        The site's own steps, one a line.
    rest, shelf_life : str
        Between mill and press, and of the uncured stock.
    density_within, dispersion_at_least : float
        Limits of the gates, g/cm3 and points of ten.
    press_c, minutes : float
        Where the brief has no setting for them, degC and min.
    minutes_from, temperature_from, multiple_from : str
        Settings of the brief that are press time, press temperature, or a multiple of each batch's own t90; found
        by their unit (min, degC, "x t90") if left out.
    cure_at : {"face", "centre", "rule"}
        What a multiple of t90 is meant for: the face, the centre by conduction, or the face with `minutes_per_mm`
        above `above_mm`.
    slab_mm, slab_cm3, preform_extra_percent
        Of a slab; 5 % more than the cavity is common practice, no source.
    t90, ts2 : dict of str to float
        Minutes by batch from the cure meter, at `meter_c`.
    reference_c, activation_kj, diffusivity
        For equivalent cure.
    close_min, heat_history
        Minutes from touching the mould until it is closed; what the stock went through before, (min, degC).
    quench, rest_before_test : str
    reference : str
        The eraser that every session tests first and last.
    session_size, assessors : int
        Trials in a session of tests; people in a panel, 0 for none.
    regrind : list of Regrind

    Examples
    --------
    >>> site = Site(name="Mill 2", code="DB", lift_kg=15.0)
    >>> site.code, site.lift_kg
    ('DB', 15.0)
    """

    name: str = ""
    code: str = Field(default="", max_length=12)
    children: bool = False
    scales: list[Scale] = Field(default=SCALES, min_length=1)
    scale_of: dict[str, Number] = Field(default={})
    batch_kg: Number | None = Field(default=None, gt=0)
    batch_litres: Number | None = Field(default=None, gt=0)
    lift_kg: Number | None = Field(default=None, gt=0)
    check_percent: tuple[Number, Number] = YIELD_PERCENT
    mill: Mill | None = None
    procedure: list[str] = Field(default=[])
    rest: str = "2 to 24 h at room temperature (ISO 2302, for laboratory mixes)"
    shelf_life: str = ""
    density_within: Number = Field(default=DENSITY_WITHIN, gt=0)
    dispersion_at_least: Number | None = Field(default=None, ge=1, le=10)
    press_procedure: list[str] = Field(default=[])
    press_c: Number | None = None
    minutes: Number | None = Field(default=None, gt=0)
    minutes_from: str = ""
    temperature_from: str = ""
    multiple_from: str = ""
    cure_at: Literal["face", "centre", "rule"] = "face"
    minutes_per_mm: Number = Field(default=1.0, ge=0)
    above_mm: Number = Field(default=6.0, ge=0)
    slab_mm: Number | None = Field(default=None, gt=0)
    slab_cm3: Number | None = Field(default=None, gt=0)
    preform_extra_percent: Number = Field(default=5.0, ge=0)
    t90: dict[str, Number] = Field(default={})
    ts2: dict[str, Number] = Field(default={})
    meter_c: Number | None = None
    reference_c: Number = 150.0
    activation_kj: Number = Field(default=ACTIVATION_KJ, gt=0)
    diffusivity: Number = Field(default=DIFFUSIVITY, gt=0)
    close_min: Number | None = Field(default=None, gt=0)
    heat_history: list[tuple[Number, Number]] = Field(default=[])
    quench: str = "Cool at once in water or on metal, 10 to 15 min (ASTM D3182)"
    rest_before_test: str = "16 to 96 h after the press (ASTM D3182)"
    reference: str = "reference eraser"
    session_size: int = Field(default=10, ge=1, le=24)
    assessors: int = Field(default=0, ge=0, le=60)
    test_notes: list[str] = Field(default=[])
    regrind: list[Regrind] = Field(default=[])

    def __init__(self, **data: Any) -> None:
        try:
            super().__init__(**data)
        except ValidationError as error:
            raise FormlabError([_problem(item) for item in error.errors()]) from None
        if (self.t90 or self.ts2) and self.meter_c is None:
            raise FormlabError(
                [
                    Problem(
                        column="meter_c",
                        expected="the temperature in degC at which t90 and ts2 were measured",
                    )
                ]
            )


def read_site(text: str) -> Site:
    """Return the site that a TOML text describes; see `Site` for its keys.

    Raises
    ------
    FormlabError
        Naming every key that is unknown or wrong.

    Examples
    --------
    >>> read_site('name = "Line 2"\\nlift_kg = 15.0\\nprocedure = ["Band.", "Cut."]').procedure
    ['Band.', 'Cut.']
    """
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise FormlabError(f"The site is no TOML text: {error}. Correct that line.") from None
    procedure = data.get("procedure")
    if isinstance(procedure, str):
        data["procedure"] = [line.strip() for line in procedure.splitlines() if line.strip()]
    return Site(**data)


def _problem(item: Any) -> Problem:
    place = "".join(
        f"[{p + 1}]" if isinstance(p, int) else f"{'.' if k else ''}{p}" for k, p in enumerate(item["loc"])
    )
    if item["type"] == "extra_forbidden":
        return Problem(
            column=place, value=item["input"], expected="a key of a site", repair="Check its spelling."
        )
    if item["type"] == "missing":
        return Problem(column=place, expected="a value; it is required")
    return Problem(column=place, value=item["input"], expected=item["msg"].removeprefix("Input should be "))
