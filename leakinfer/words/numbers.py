"""Chances, minutes and leak rates as people read them."""

from __future__ import annotations


def percent(share: float) -> str:
    """``12%``; what is nearly nothing or nearly sure is not rounded to it."""
    if 0 < share < 0.005:
        return "<1%"
    if 0.995 < share < 1:
        return ">99%"
    return f"{share:.0%}"


def minutes(amount: float) -> str:
    """Whole minutes, from an hour on ``1 h 15``."""
    whole = max(1, round(amount))
    return f"{whole} min" if whole < 60 else f"{whole // 60} h {whole % 60:02d}"


def rate(amount: float, unit: str = "g/yr") -> str:
    """``350 g/yr``, two figures."""
    figures = float(f"{amount:.2g}")
    return f"{figures:,.0f} {unit}" if figures >= 10 else f"{figures:g} {unit}"
