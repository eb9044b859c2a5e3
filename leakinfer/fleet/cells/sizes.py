"""From a measured loss to the size of the hole, and to its bin: the same for cells, trials and invented fleets."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from leakinfer.errors import InputError
from leakinfer.fleet.cells.model import NO_SIZE
from leakinfer.physics.flow import leak_rate
from leakinfer.physics.properties import Fluid, load_properties
from leakinfer.physics.units import ATMOSPHERE, celsius_to_kelvin, kg_s_to_g_per_year

Array: TypeAlias = NDArray[np.float64]
LEAST_SIZE, GREATEST_SIZE = 1e-15, 1e3  # Pa m3/s: far beyond any hole of a cooling system; all losses lie within
POINTS = 433  # 24 a decade; the inverse is polished from there
POLISHES = 4
ON_THE_EDGE = 1e-9  # of a bin: sizes come out of an inverse and so miss an edge by rounding


def loss_of_size(sizes: ArrayLike, refrigerant: str, celsius: float) -> Array:
    """g/yr that holes of these sizes (Pa m3/s) lose, same shape: saturated vapour, standing at ``celsius``.

    Raises:
        InputError: no such refrigerant, or a temperature outside its table.
    """
    fluid = load_properties().fluid(refrigerant, "refrigerant")
    kelvin = celsius_to_kelvin(celsius)
    rate = leak_rate(sizes, fluid, fluid.dew_pressure(kelvin), ATMOSPHERE, kelvin, "vapour")
    return kg_s_to_g_per_year(1.0) * rate


def size_of_loss(g_per_year: ArrayLike, refrigerant: ArrayLike | Sequence[str], celsius: float) -> Array:
    """(n,): sizes in Pa m3/s of holes that lose so much; not a number where nothing tells.

    Inverse of :func:`loss_of_size`. ``refrigerant``: (n,) names in any spelling. Not a number: no loss above zero, or a
    refrigerant that is not listed or does not condense.
    """
    loss = np.asarray(g_per_year, dtype=float)
    names, place = np.unique(np.asarray(refrigerant, dtype=str), return_inverse=True)
    sizes = np.full(loss.shape, np.nan)
    for number, name in enumerate(names):
        some = (place.reshape(loss.shape) == number) & (loss > 0) & np.isfinite(loss)
        if listed(str(name)) and some.any():
            sizes[some] = _inverse(loss[some], str(name), celsius)
    return sizes


def size_bin(sizes: ArrayLike, per_decade: int) -> NDArray[np.int64]:
    """Bins of sizes in Pa m3/s, same shape: bin n begins at 10^(n / per_decade); NO_SIZE where it is not a number."""
    given = np.asarray(sizes, dtype=float)
    known = np.isfinite(given) & (given > 0)
    bins = np.floor(np.log10(np.where(known, given, 1.0)) * per_decade + ON_THE_EDGE)
    return np.where(known, bins, NO_SIZE).astype(np.int64)


@lru_cache(maxsize=256)
def listed(refrigerant: str) -> Fluid | None:
    """The refrigerant of that name in any spelling, or nothing."""
    try:
        fluid = load_properties().fluid(refrigerant)
    except InputError:
        return None
    return fluid if fluid.condenses else None


def _inverse(loss: Array, refrigerant: str, celsius: float) -> Array:
    """Sizes of losses above zero, in logarithms, in which the curve is nearly straight."""
    sizes, losses = _curve(refrigerant, celsius)
    wanted = np.log(loss)
    found = np.interp(wanted, losses, sizes)
    slope = np.interp(wanted, losses, np.gradient(sizes, losses))
    for _ in range(POLISHES):
        found = found + slope * (wanted - np.log(loss_of_size(np.exp(found), refrigerant, celsius)))
    return np.exp(found)


@lru_cache(maxsize=256)
def _curve(refrigerant: str, celsius: float) -> tuple[Array, Array]:
    """(POINTS,) logarithms of sizes and of what they lose."""
    sizes = np.geomspace(LEAST_SIZE, GREATEST_SIZE, POINTS)
    return np.log(sizes), np.log(loss_of_size(sizes, refrigerant, celsius))
