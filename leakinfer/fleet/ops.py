"""The few array functions that the formulas need, from numpy or from PyTensor: one text of a formula serves both."""

from __future__ import annotations

import operator
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
    concatenate: Function
    maximum: Function
    erfc: Function
    product: Function  # of a sparse matrix of constants and a vector


@cache
def numpy_ops() -> Ops:
    """Those of numpy."""
    import numpy as np
    from scipy.special import erfc

    return Ops(np.exp, np.log, np.log1p, np.sqrt, np.concatenate, np.maximum, erfc, operator.matmul)


@cache
def tensor_ops() -> Ops:
    """Those of PyTensor."""
    import pytensor.tensor as pt
    from pytensor import sparse

    def product(matrix: Any, vector: Any) -> Any:
        return sparse.dot(sparse.as_sparse_variable(matrix), vector[:, None])[:, 0]

    return Ops(pt.exp, pt.log, pt.log1p, pt.sqrt, pt.concatenate, pt.maximum, pt.erfc, product)
