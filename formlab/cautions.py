"""Cautions that go with every card, report and suggestion. They remind; they do not judge.

Wording defers to the safety data sheet, the site's own assessment and the law of the place; which
cautions apply is chosen by what a recipe contains.
"""

from __future__ import annotations

__all__ = ["GENERAL"]

GENERAL = (
    "Planning aid only. Follow your site's risk assessment, the machine makers' instructions, the safety data "
    "sheet of every material and the law where you work; where they disagree with this, they win. Mills and "
    "presses only by trained and authorised people: in-running nip, hot platens and stock, sulfur and filler "
    "dust, crystalline silica in abrasives, accelerators that can form nitrosamines, curing fumes."
)
