"""The what-if panel: move a formula about in its region and see what it would do."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from formlab.errors import FormlabError

if TYPE_CHECKING:
    import pandas as pd

    from formlab.brief import Brief

__all__ = ["panel"]


def panel(
    brief: Brief,
    surfaces: Any,
    prices: pd.DataFrame | None = None,
    suggestion: Any = None,
    *,
    ledger: Any = None,
    draws: int = 1000,
    seed: int = 0,
) -> Any:
    """Return a panel to move a formula about in its region and see at once what it would do.

    Every ingredient and setting that varies has a control; the formula stays allowed whatever is moved. In phr a
    control goes as far as the limits leave it; where ingredients share a total the others give way. Shown are the
    predictions with intervals against targets, the three conformance figures, and costs against today's.

    Parameters
    ----------
    brief : Brief
    surfaces : Surfaces
        From `formlab.fit`, of the same brief, with every response.
    prices : DataFrame, optional
        Scenarios: indexed by ingredient, one column each (currency per kg), as ``series.prices()`` returns them.
    suggestion : Suggestion, optional
        The formula to begin with; today's where left out, else the centre of the region.
    ledger : Ledger, optional
        How past promises came out (`formlab.suggest.ledger_of`): it lowers what is claimed, and more is required of a
        suggestion, as in `formlab.suggest`.
    draws : int
        Joint draws behind each probability: with 1,000 its standard error is at most 0.016.
    seed : int

    Returns
    -------
    Panel
        A widget; its `state` holds the formula and answers without widgets too.

    Raises
    ------
    FormlabError
        If ipywidgets is not there, or a response was not fitted.

    Examples
    --------
    >>> import formlab as fl
    >>> series = fl.open_series("demo_trials/ink_wedge")
    >>> surfaces = fl.fit(series.brief, series.trials(), kind="least squares", seed=1)
    >>> shown = panel(series.brief, surfaces)
    >>> shown.state.move("silica", 12.0)
    ''
    >>> float(shown.state.formula["silica"].iloc[0])
    12.0
    """
    try:
        from formlab.panel.widgets import Panel
    except ImportError as error:
        raise FormlabError(
            f"The panel needs ipywidgets ({error}). Install it with: pip install 'formlab[lab]'."
        ) from error
    from formlab.panel.whatif import WhatIf

    return Panel(WhatIf(brief, surfaces, prices, suggestion, ledger=ledger, draws=draws, seed=seed))
