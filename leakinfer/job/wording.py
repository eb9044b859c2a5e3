"""How numbers are written in sentences, from the reasons of a plan to the pages."""


def percent(share: float) -> str:
    """``12%``; what is nearly nothing or nearly sure is not rounded to it."""
    if 0 < share < 0.005:
        return "<1%"
    if 0.995 < share < 1:
        return ">99%"
    return f"{share:.0%}"
