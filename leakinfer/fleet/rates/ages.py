"""How the hazard of a part runs over the age bands."""

from __future__ import annotations

from typing import Any


def band_hazards(weibull: Any, edges: Any, reference_years: float) -> Any:
    """(..., bands): mean hazard in each band over the mean hazard of the first ``reference_years``.

    From the cumulative hazard (age / reference)^weibull. ``weibull`` (...,), ``edges`` (bands + 1,) years, arrays of
    numpy or of a library with its operators.
    """
    grown = (edges / reference_years) ** weibull[..., None]
    return reference_years * (grown[..., 1:] - grown[..., :-1]) / (edges[1:] - edges[:-1])
