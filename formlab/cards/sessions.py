"""Test sheets: blinded codes, the reference eraser, the order of test, and the key that is kept apart."""

from __future__ import annotations

import math
import warnings
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from formlab.brief import Brief
from formlab.cards.batches import plan_table
from formlab.cards.page import box, fields, head, notes, read_first, reminders, sheet, table
from formlab.cards.site import Site
from formlab.cautions import cautions_for
from formlab.errors import FormlabWarning
from formlab.html import Markup, escape
from formlab.parts import Response
from formlab.sensory import panel_layout

__all__ = ["Session", "key_sheets", "of_round", "sessions_of", "sheets"]


@dataclass(frozen=True)
class Session:
    """One session of tests.

    `order` has one row a piece in the order of test: ``place, code, sample``; the reference comes first and last
    under two codes. `panel` has ``assessor, place, code, sample``, no rows without a panel.
    """

    session: str
    order: pd.DataFrame
    panel: pd.DataFrame
    notes: tuple[str, ...] = ()


def sessions_of(brief: Brief, plan: Any, site: Site, *, seed: int | np.random.Generator = 1) -> list[Session]:
    """Return the sessions that test a plan's slabs, of equal size as far as that goes, in random order.

    Slabs of one batch are spread over sessions where there are several, so that sessions do not stand for batches. Each
    round of a plan has sessions of its own, whose names and codes go on from the round before; a later round changes
    neither.
    """
    rng = np.random.default_rng(seed)
    table = plan_table(brief, plan)
    digits, codes = 3, list[int]()
    out: list[Session] = []
    for number in sorted(table["round"].unique()):
        trials = table.loc[table["round"] == number, ["trial", "batch"]]
        count = math.ceil(len(trials) / site.session_size)
        shuffled = trials.iloc[rng.permutation(len(trials))].sort_values("batch", kind="stable")
        if not out:
            codes = _codes(digits, rng)
        while len(trials) + 2 * count > len(codes):  # longer ones are new to all sheets so far
            digits += 1
            codes = _codes(digits, rng)
        groups = [list(shuffled["trial"].iloc[k::count]) for k in range(count)]
        out += [_session(f"S{len(out) + k}", group, codes, site, rng) for k, group in enumerate(groups, 1)]
    return out


def _codes(digits: int, rng: np.random.Generator) -> list[int]:
    """All numbers of so many digits, in random order."""
    return [int(code) for code in rng.permutation(np.arange(10 ** (digits - 1), 10**digits))]


def of_round(sessions: Sequence[Session], trials: Iterable[str]) -> list[Session]:
    """Return the sessions that test any of some trials."""
    wanted = set(map(str, trials))
    return [s for s in sessions if wanted & set(s.order["sample"].astype(str))]


def _session(
    name: str, trials: Sequence[str], codes: list[int], site: Site, rng: np.random.Generator
) -> Session:
    middle = [trials[k] for k in rng.permutation(len(trials))]
    samples = [site.reference, *middle, site.reference]
    order = pd.DataFrame(
        {"place": range(1, len(samples) + 1), "code": [codes.pop() for _ in samples], "sample": samples}
    )
    panel = pd.DataFrame(columns=["assessor", "place", "code", "sample"])
    said: list[str] = []
    if site.assessors:
        with warnings.catch_warnings(record=True) as caught:
            warnings.simplefilter("always", FormlabWarning)
            panel = panel_layout([site.reference, *middle], site.assessors, seed=rng)
        said = [str(w.message) for w in caught]
        known = dict(zip(order["sample"].iloc[:-1], order["code"]))  # the panel sees the codes of the bench
        panel["code"] = panel["sample"].map(known)
    return Session(name, order, panel, tuple(said))


# ---- sheets -------------------------------------------------------------------------------------------------


def session_sheet(session: Session, brief: Brief, site: Site) -> Markup:
    """Return the sheet of one session: a box for every reading, in the order of test."""
    panel = _by_panel(session, brief)
    responses = [r for r in brief.responses if r not in panel]
    if not responses:  # nothing but ratings: the sheet serves whoever rates outside the panel
        panel, responses = [], brief.responses
    readings = max(r.readings for r in responses)
    heads = [session.session, "code", "reading", *map(_named, responses), "seen"]
    widths = [9, 20, 17, *[0] * len(responses), 24]
    rows = (
        _reading_row(piece, k, readings, responses)
        for piece in session.order.itertuples()
        for k in range(1, readings + 1)
    )
    return sheet(
        _head("Test", session, brief, site, len(session.order)),
        read_first(),
        notes([
            f"Test in this order, from the first code to the last. Rest before test: {site.rest_before_test}.",
            "The first and the last piece are the reference eraser: treat them like all others.",
            "Below or above what can be read: write <0.5 or >90. Not read: leave empty and say why.",
            *([f"Rated by the panel, on sheets of its own: {', '.join(r.title for r in panel)}."] if panel else []),
            *_panel_notes(session, brief, site),
            *(_scale_note(r) for r in responses if r.kind == "rating"),
            *site.test_notes,
        ]),
        fields(("Tested by", 36), ("Date, time", 34), ("°C", 14), ("% r.h.", 14)),
        fields(("Paper, lot", 36), ("Pencil, lot", 36), ("Instrument", 36)),
        table(heads, rows, "n", widths),
        reminders(cautions_for(_materials(brief), stage="test", children=site.children), session.session),
    )  # fmt: skip


def _materials(brief: Brief) -> list[Any]:
    return [part for part in brief.ingredients if brief.ranges[part.name][1] > 0]


def _named(response: Response) -> str:
    of = response.unit or (_scale(response) if response.kind == "rating" else "")
    return f"{response.title}, {of}" if of else response.title


def _scale(response: Response) -> str:
    """Return the ends of a rating's scale, empty without them."""
    low, high = response.ends
    return f"{low:g} … {high:g}" if math.isfinite(low) and math.isfinite(high) else ""


def _scale_note(response: Response) -> str:
    """Return the scale of a rating in words, and which end is wanted where the target says."""
    if not (scale := _scale(response)):
        return (
            f"{response.title}: the brief does not give the ends of the scale (possible = [1, 5], say). Agree on them "
            "and write them below before anyone rates."
        )
    low, high = response.target
    wanted = response.ends[1 if math.isfinite(low) else 0]
    end = f", {wanted:g} is the end that is wanted" if math.isfinite(low) != math.isfinite(high) else ""
    target = f" (target: {response.target_text}{end})" if response.has_target else ""
    return f"{response.title}: whole numbers, {scale}{target}."


def _ends(response: Response) -> tuple[tuple[str, float], ...]:
    """Return lines to write on what the ends of a rating mean, for everyone the same."""
    low, high = response.ends
    worded = ((low, "lowest"), (high, "highest"))
    return tuple(
        (f"{response.title}, {f'{end:g}' if _scale(response) else word} means", 36) for end, word in worded
    )


def _by_panel(session: Session, brief: Brief) -> list[Response]:
    """Return the ratings of a session's panel."""
    return [r for r in brief.responses if r.kind == "rating"] if len(session.panel) else []


def _panel_notes(session: Session, brief: Brief, site: Site) -> list[str]:
    """Return what to do where the form has another number of lines for a rating than there are assessors."""
    return [
        f"{r.title}: {site.assessors} assessors rate, and the brief asks for {r.readings} "
        f"reading{'s' if r.readings != 1 else ''}, which are the lines of the form. Set readings = {site.assessors} in the "
        f"brief and make the form again, or assessors = {r.readings} for the site; every assessor's rating is a line of its own."
        for r in _by_panel(session, brief)
        if r.readings != site.assessors
    ]


def _head(what: str, session: Session, brief: Brief, site: Site, count: int) -> Markup:
    pieces = f"{count} pieces"
    return head(
        what,
        session.session,
        brief.title or "Trial compound",
        ["Codes only: who tests does not see the key"],
        [pieces, site.name],
    )


def _reading_row(piece: Any, k: int, readings: int, responses: Sequence[Any]) -> str:
    first = k == 1
    span = f" rowspan='{readings}'" if readings > 1 else ""
    left = (
        f"<td class='n small'{span}>{piece.place}</td><td class='big'{span}>{piece.code}</td>"
        if first
        else ""
    )
    cells = "".join(box() if k <= r.readings else box(kind="shut") for r in responses)
    seen = f"<td class='box'{span}></td>" if first else ""
    return f"<tr class='{'group' if first else ''}'>{left}<td class='small'>{k} of {readings}</td>{cells}{seen}</tr>"


def panel_sheets(session: Session, brief: Brief, site: Site) -> Iterator[Markup]:
    """Yield the sheet of each assessor: codes in the order to rate them."""
    scaled = _by_panel(session, brief)
    rated = scaled or list(brief.responses)
    for assessor, rows in session.panel.groupby("assessor", sort=True):
        lines = (
            f"<tr><td class='n small'>{p.place}</td><td class='big'>{p.code}</td>{box() * len(rated)}{box()}</tr>"
            for p in rows.itertuples()
        )
        yield sheet(
            _head(f"Panel, assessor {assessor}", session, brief, site, len(rows)),
            read_first(),
            notes([
                *site.test_notes,
                "Rate in this order. Do not go back, do not compare with others until all have finished.",
                *map(_scale_note, scaled),
            ]),
            fields(("Name or number", 40), ("Date, time", 34)),
            *(fields(*_ends(r)) for r in scaled),
            table([session.session, "code", *map(_named, rated), "remark"], lines, "n", [9, 26, *[0] * len(rated), 46]),
            reminders(cautions_for(_materials(brief), stage="test", children=site.children), session.session),
        )  # fmt: skip


def key_sheets(sessions: Iterable[Session], brief: Brief, site: Site) -> Iterator[Markup]:
    """Yield the key of each session, for the one who enters results and not for those who test."""
    for session in sessions:
        rows = (
            f"<tr><td class='n small'>{p.place}</td><td class='big'>{p.code}</td><td class='big'>{escape(p.sample)}</td></tr>"
            for p in session.order.itertuples()
        )
        yield sheet(
            head("Key", session.session, brief.title or "Trial compound", ["Keep from those who test"], [f"{len(session.order)} pieces", site.name]),
            notes([
                *session.notes,
                *(["The panel rates the codes of the first reference and of the trials."] if len(session.panel) else []),
                *_panel_notes(session, brief, site),
            ]),
            table([session.session, "code", "piece"], rows, "n", [10, 40, 0]),
            fields(("Kept by", 40), ("Opened on", 34)),
        )  # fmt: skip


def sheets(sessions: Iterable[Session], brief: Brief, site: Site) -> Iterator[Markup]:
    """Yield the sheet of each session, and those of its panel."""
    for session in sessions:
        yield session_sheet(session, brief, site)
        yield from panel_sheets(session, brief, site)
