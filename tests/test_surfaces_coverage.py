"""Intervals come true: reduced here, in full with ``-m slow`` (hours) or ``python -m tests.coverage_surfaces``."""

from __future__ import annotations

import os

import pytest

from tests.coverage_surfaces import INSIDE, inside_table, outside_table


def check(row, low, high):
    slack = 3.5 * row["mean_error"]  # Monte Carlo error of the share itself
    assert low - slack <= row["mean"] <= high + slack, row.to_dict()


@pytest.mark.parametrize("cell", ["20 batches of 1", "7 batches of 3"])
def test_coverage_in_short(cell):
    row = inside_table(40, names=[cell]).iloc[0]
    check(row, 0.93, 0.97)
    assert row["width"] < 1.5
    assert row["slab"] > 0.85


def test_truths_outside_the_family_in_short():
    table = outside_table(2, kinds=("auto",))
    assert table["mean"].mean() > 0.85


@pytest.mark.slow
@pytest.mark.parametrize("cell", INSIDE)
def test_coverage(cell):
    row = inside_table(4000, jobs=os.cpu_count() or 1, names=[cell]).iloc[0]
    few = INSIDE[cell][0] <= 7
    check(row, 0.93, 1.0 if few else 0.97)
    assert 0.93 <= row["slab"] <= (0.98 if few else 0.97)
    assert row["width"] <= 1.25


@pytest.mark.slow
def test_truths_outside_the_family():
    table = outside_table(100, jobs=os.cpu_count() or 1).set_index(["truth", "kind"])
    print(table.to_string())
    auto = table.xs("auto", level="kind")
    assert (auto["mean"] >= 0.92).all()
