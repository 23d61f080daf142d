"""Invented briefs, plans and sites for the cards, from a bare one to one with long names everywhere."""

import pandas as pd

from formlab import Brief
from formlab.cards import Mill, Site
from formlab.regrind import Regrind

LONG = [
    ("nr", "rubber", "natural rubber, technically specified grade 10, constant viscosity", 0.92),
    ("sbr", "rubber", "styrene-butadiene rubber 1502 non-staining", 0.94),
    ("factice", "factice", "white factice, low-chlorine, from rapeseed oil", 1.1),
    ("oil", "oil", "treated distillate aromatic extract (TDAE)", 0.95),
    ("chalk", "filler", "ground calcium carbonate, stearate-coated, 2 micrometre", 2.71),
    ("pumice", "abrasive", "pumice flour 6/0, Donaudampfschifffahrtsgesellschaftsware", 2.35),
    ("own", "regrind", "regrind of own compound, sieved below 0.4 mm", 1.4),
    ("zinc_oxide", "activator", "zinc oxide, indirect process, surface-treated with propionate", 5.6),
    ("red", "pigment", "red iron oxide 130 predispersed in factice carrier", 4.5),
    ("sulfur", "curing agent", "ground sulfur, oil-treated, 325 mesh, dust-suppressed grade", 2.0),
    ("mbts", "accelerator", "dibenzothiazyl disulfide (MBTS)", 1.5),
    ("tmtd", "accelerator", "tetramethylthiuram disulfide (TMTD) 80 % masterbatch", 1.4),
]
AMOUNTS = {"nr": 60.0, "sbr": 40.0, "factice": 110.0, "oil": 18.0, "chalk": 120.0, "pumice": 45.0, "own": 30.0,
           "zinc_oxide": 5.0, "red": 4.0, "sulfur": 4.0, "mbts": 1.5, "tmtd": 0.4}  # fmt: skip
RESPONSES = [
    {"name": "erasure", "unit": "%", "possible": [-50.0, 100.0], "readings": 3, "at_least": 80.0},
    {"name": "crumb", "unit": "mg/m", "possible": [0.0, 200.0], "readings": 2},
    {"name": "feel", "kind": "rating", "label": "feel in the hand", "readings": 1},
]


def brief_of(count: int) -> Brief:
    """A brief of 3, 8 or 12 ingredients; short names up to 8, long ones beyond."""
    names = {
        3: ["sbr", "chalk", "sulfur"],
        8: ["sbr", "factice", "oil", "chalk", "pumice", "zinc_oxide", "sulfur", "mbts"],
    }
    kept = names.get(count, [line[0] for line in LONG])
    parts = []
    for name, role, label, density in LONG:
        if name not in kept:
            continue
        amount = 100.0 if count < 12 and name == "sbr" else AMOUNTS[name]
        ends = (
            {"low": amount, "high": amount}
            if role in ("rubber", "curing agent")
            else {"low": 0.5 * amount, "high": 2 * amount}
        )
        parts.append(
            {
                "name": name,
                "role": role,
                "density": density,
                "price": 1.0,
                **ends,
                **({"label": label} if count == 12 else {}),
            }
        )
    settings = [{"name": "roll_c", "label": "rolls", "unit": "°C", "low": 40, "high": 80, "changes": "batch"},
                {"name": "cure_min", "label": "cure", "unit": "min", "low": 8, "high": 20, "changes": "slab"}]  # fmt: skip
    title = (
        "Wedge for ink and pencil with a rather long title that goes on, invented"
        if count == 12
        else "Block, invented"
    )
    return Brief(title=title, ingredient=parts, setting=settings if count > 3 else settings[1:], response=RESPONSES,
                 plant={"batch_kg": 40.0 if count == 12 else 6.0, "lift_kg": 15.0})  # fmt: skip


def plan_of(brief: Brief, batches: int = 2, slabs: int = 2) -> pd.DataFrame:
    rows = []
    for b in range(1, batches + 1):
        for k in range(slabs):
            row = {
                n: (100.0 if len(brief.rubbers) == 1 and n == "sbr" else AMOUNTS[n])
                for n in brief.ingredient_names
            }
            row |= {"roll_c": 50.0 + b} if "roll_c" in brief.setting_names else {}
            rows.append({"trial": f"T{len(rows) + 1:02d}", "batch": f"B{b:02d}", "load": f"L{k + 1:02d}", "brief_id": brief.brief_id,
                         **row, "cure_min": 10.0 + 4 * k})  # fmt: skip
    return pd.DataFrame(rows)


FULL = Site(
    name="Line 2, hall B (invented)", code="INK", children=True, press_c=160.0, slab_mm=12.0, slab_cm3=210.0,
    meter_c=150.0, ts2={"B01": 1.5, "B02": 5.0}, t90={"B01": 6.0, "B02": 9.0}, close_min=1.5,
    heat_history=[(6.0, 100.0)], dispersion_at_least=7.0, assessors=3, shelf_life="14 days at 20 °C",
    mill=Mill(diameter_mm=560, length_mm=1520, band_mm=7),
    regrind=[Regrind(ingredient="own", colour="red", generation=2)],
)  # fmt: skip
