"""The few array functions that the formulas need, from numpy or from PyTensor: one text of a formula serves both."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import Any

Function = Callable[..., Any]


@dataclass(frozen=True)
class Ops:
    """Array functions by name."""

    exp: Function
    log: Function
    log1p: Function
    sqrt: Function
    cumsum: Function
    concatenate: Function
    maximum: Function
    erfc: Function


@cache
def numpy_ops() -> Ops:
    """Those of numpy."""
    import numpy as np
    from scipy.special import erfc

    return Ops(np.exp, np.log, np.log1p, np.sqrt, np.cumsum, np.concatenate, np.maximum, erfc)


@cache
def tensor_ops() -> Ops:
    """Those of PyTensor."""
    import pytensor.tensor as pt

    return Ops(pt.exp, pt.log, pt.log1p, pt.sqrt, pt.cumsum, pt.concatenate, pt.maximum, pt.erfc)
