"""Targets counted by thresholds must be the same as targets counted on the values themselves."""

import numpy as np
import pytest

from formlab import Region, fit, open_series
from formlab.suggest.conformance import met


@pytest.mark.parametrize("statistic", ["mean", "median"])
@pytest.mark.parametrize("of", ["mean", "typical", "new_batch", "accepted"])
def test_thresholds_count_what_values_count(of, statistic):
    series = open_series("demo_trials/ink_wedge")
    asked = [r.model_copy(update={"statistic": statistic}) for r in series.brief.responses]
    brief = series.brief.model_copy(update={"responses": asked})
    surfaces = fit(brief, series.trials(), kind="least squares", seed=1)
    draws = surfaces.draw(300, seed=1)
    columns = draws.columns(Region(brief).sample(100, 2))
    values = draws.values(columns, of, 3)
    meeting = draws.meeting({part.name: part.target for part in brief.responses}, of, 3)
    np.testing.assert_array_equal(meeting.met(columns), met(brief, values).T)


def test_a_limit_at_a_bound_always_or_never_holds():
    series = open_series("demo_trials/ink_wedge")
    surfaces = fit(series.brief, series.trials(), kind="least squares", seed=1)
    draws = surfaces.draw(50, seed=1)
    columns = draws.columns(Region(series.brief).sample(5, 2))
    assert draws.meeting({"crumble": (0.0, np.inf)}).met(columns).all()  # crumb is bounded below by 0
    assert not draws.meeting({"erasure": (100.0, np.inf)}).met(columns).any()  # and erasing above by 100
