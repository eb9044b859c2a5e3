"""Chances, minutes and leak rates as people read them."""

from __future__ import annotations

from leakinfer.job.wording import percent as percent  # the planner writes it too


def minutes(amount: float) -> str:
    """Whole minutes, from an hour on ``1 h 15``."""
    whole = max(1, round(amount))
    return f"{whole} min" if whole < 60 else f"{whole // 60} h {whole % 60:02d}"


def rate(amount: float, unit: str = "g/yr") -> str:
    """``350 g/yr``, two figures."""
    figures = float(f"{amount:.2g}")
    return f"{figures:,.0f} {unit}" if figures >= 10 else f"{figures:g} {unit}"
