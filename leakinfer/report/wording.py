"""Numbers as people read them who study a page; what a technician reads has ``leakinfer.words.numbers``."""

from __future__ import annotations


def figures(number: float, count: int = 2) -> str:
    """A number with ``count`` significant figures and no exponent, unless it is very small."""
    if number == 0:
        return "0"
    if abs(number) < 1e-4:
        return f"{number:.{count - 1}e}"
    shown = float(f"{number:.{count}g}")
    text = f"{number:#.{count}g}" if abs(shown) < 10 ** (count - 1) else f"{shown:,.0f}"
    return text.rstrip(".")


def percent(share: float) -> str:
    """``62 %``; small shares with two figures, none rounded to nothing or all."""
    if share <= 0 or share >= 1:
        return f"{share * 100:.0f} %"
    shown = figures(share * 100) if share < 0.1 else f"{share * 100:.0f}"
    return "above 99 %" if shown == "100" else f"{shown} %"


def of_many(*shares: float) -> tuple[str, ...]:
    """Shares counted out of the same number: ``3`` and ``62 of 100``, or of 1,000 where one of them is small."""
    least = min((share for share in shares if share > 0), default=1.0)
    whole = 100 if least >= 0.02 else 1000 if least >= 0.002 else 10_000
    *first, last = (f"{share * whole:,.0f}" for share in shares)
    return (*first, f"{last} of {whole:,}")


def capital(text: str) -> str:
    """A first letter for the begin of a sentence or a row; ``R-410A`` and the like stay."""
    return text[:1].upper() + text[1:]
