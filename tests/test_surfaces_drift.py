"""Drift removed by a reference."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from formlab.errors import FitError
from formlab.surfaces import remove_drift


def sessions(shift, noise=0.01, seed=0):
    rng = np.random.default_rng(seed)
    rows = []
    for s, d in enumerate(shift):
        rows += [("REF", f"S{s}", 10 + d + rng.normal(0, noise)) for _ in range(3)]
        rows += [(f"T{s}{k}", f"S{s}", 20 + k + d + rng.normal(0, noise)) for k in range(4)]
    return pd.DataFrame(rows, columns=["trial", "session", "y"])


def test_shift_of_a_session_goes_away():
    out, table = remove_drift(sessions([-2.0, 0.0, 2.0]), "REF", ["y"])
    assert "REF" not in set(out["trial"]) and list(out.columns) == ["trial", "session", "y"]
    assert_allclose(out["y"], np.tile([20.0, 21, 22, 23], 3), atol=0.06)
    assert_allclose(table["applied"], [-2, 0, 2], atol=0.05)


def test_noise_is_not_corrected():
    frame = sessions([0.0, 0.0, 0.0], noise=1.0, seed=3)
    out, table = remove_drift(frame, "REF", ["y"])
    assert (table["applied"].abs() <= table["difference"].abs() + 1e-12).all()
    assert table["applied"].abs().sum() < 0.5 * table["difference"].abs().sum()


def test_factor():
    frame = sessions([0.0, 0.0])
    frame["y"] *= np.where(frame["session"] == "S1", 1.5, 1.0)
    out, _ = remove_drift(frame, "REF", ["y"], relative=True)
    means = out.groupby("session")["y"].mean()
    assert_allclose(means["S1"], means["S0"], rtol=0.01)


def test_refusals():
    frame = sessions([0.0, 0.0])
    with pytest.raises(FitError) as caught:
        remove_drift(frame[~((frame["trial"] == "REF") & (frame["session"] == "S1"))], "REF", ["y"])
    assert str(caught.value) == (
        "session 'S1' has readings of 'y' but none of the reference 'REF'; read it in every one, or leave that one out."
    )
    with pytest.raises(FitError) as caught:
        remove_drift(frame, "standard", ["y"])
    assert (
        str(caught.value)
        == "No row has trial 'standard'; give the name of the reference eraser or control batch."
    )


def test_a_factor_needs_readings_above_zero():
    frame = sessions([0.0, 0.0])
    frame.loc[frame["trial"].eq("REF").idxmax(), "y"] = 0.0
    with pytest.raises(FitError) as caught:
        remove_drift(frame, "REF", ["y"], relative=True)
    assert str(caught.value) == (
        "The reference 'REF' reads 0 for 'y'; a factor needs readings above zero. Correct by a difference instead: "
        "relative=False."
    )


def test_readings_set_aside_tell_nothing_of_the_drift():
    frame = sessions([-2.0, 2.0]).assign(status="ok")
    odd = frame["trial"].eq("REF").idxmax()
    frame.loc[odd, ["y", "status"]] = [90.0, "set aside"]
    _, table = remove_drift(frame, "REF", ["y"])
    assert_allclose(table["applied"], [-2, 2], atol=0.05)
    assert list(table["readings"]) == [2, 3]
