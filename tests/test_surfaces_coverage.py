"""Intervals come true: reduced here, in full with ``-m slow`` (hours) or ``python -m tests.coverage_surfaces``."""

from __future__ import annotations

import os

import pytest

from tests.coverage_surfaces import BANK, INSIDE, inside_row, outside_row

JOBS = os.cpu_count() or 1


def check(row, low, high):
    slack = 3.5 * row["mean_error"]  # Monte Carlo error of the share itself
    assert low - slack <= row["mean"] <= high + slack, row


@pytest.mark.parametrize("cell", ["20 batches of 1", "7 batches of 3"])
def test_coverage_in_short(cell):
    row = inside_row(cell, 40)
    check(row, 0.93, 0.97)
    assert row["width"] < 1.5
    assert row["slab"] > 0.85


def test_few_batches_that_differ_much_in_short():
    check(inside_row("4 batches of 3, large batch error", 150), 0.93, 1.0)


def test_truths_outside_the_family_in_short():
    shares = [outside_row(truth, "auto", 1)["mean"] for truth in ("saturating", "sigmoid", "arrhenius")]
    assert sum(shares) / 3 > 0.85


@pytest.mark.slow
@pytest.mark.parametrize("cell", INSIDE)
def test_coverage(cell):
    row = inside_row(cell, 4000, JOBS)
    batches = INSIDE[cell][0]
    few = batches <= 7
    check(row, 0.93, 1.0 if few else 0.97)
    assert 0.93 <= row["slab"] <= (0.98 if few else 0.97)
    # an exact interval between b batches has the median width 1.83 (b = 4), 1.44 (b = 5), 1.22 (b = 7): no narrower
    assert row["width"] <= {4: 1.9, 5: 1.5}.get(batches, 1.3 if few else 1.25)


@pytest.mark.slow
@pytest.mark.parametrize("truth", BANK)
def test_truths_outside_the_family(truth):
    for kind in ("auto", "averaged", "selected"):
        row = outside_row(truth, kind, 100, JOBS)
        print(row)
        assert kind == "selected" or row["mean"] >= 0.92
