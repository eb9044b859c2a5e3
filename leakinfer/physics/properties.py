"""Fluid properties, read from ``priors/properties.json`` and interpolated. Pa absolute and K throughout."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Annotated, TypeAlias

import msgspec
import numpy as np
from msgspec import Meta, Struct
from numpy.typing import NDArray

from leakinfer.errors import InputError
from leakinfer.physics.refrigerants import proper_name
from leakinfer.physics.units import ZERO_CELSIUS
from leakinfer.reading import checked, read_text, shipped

Array: TypeAlias = NDArray[np.float64]
Column = Annotated[tuple[float, ...], Meta(min_length=2)]
EDGE = 1e-6  # relative; a temperature converted from F may miss the table's end by rounding


class GasColumns(Struct, frozen=True):
    """Viscosity (Pa s) of the gas at low pressure over temperature (K)."""

    temperature: Column
    viscosity: Column
    viscosity_error: float


class SaturationColumns(Struct, frozen=True):
    """Saturation over temperature (K); Pa absolute, kg/m3, Pa s."""

    temperature: Column
    bubble_pressure: Column
    dew_pressure: Column
    liquid_density: Column
    vapour_density: Column
    liquid_viscosity: Column
    viscosity_error: float


class CompressibilityTable(Struct, frozen=True):
    """Real-gas factor; ``factor`` has shape (temperature, pressure)."""

    temperature: Column
    pressure: Column
    factor: tuple[Column, ...]


class FluidColumns(Struct, frozen=True):
    """All columns of one fluid."""

    aliases: tuple[str, ...]
    molar_mass: float
    heat_capacity_ratio: float
    gas: GasColumns
    viscosity_source: str
    saturation: SaturationColumns | None = None
    compressibility: CompressibilityTable | None = None


class WaterColumns(Struct, frozen=True):
    """Vapour pressure of water (Pa absolute) over temperature (K)."""

    temperature: Column
    pressure: Column


class PropertyFile(Struct, frozen=True):
    """The whole file, with what made it."""

    command: str
    coolprop: str
    source: str
    units: dict[str, str]
    fluids: dict[str, FluidColumns]
    water_saturation: WaterColumns


@dataclass(frozen=True, eq=False)
class Fluid:
    """One refrigerant or test gas.

    ``molar_mass`` kg/mol; ``heat_capacity_ratio`` of the ideal gas at 20 C; viscosity errors are relative standard
    deviations. Every method refuses a temperature outside its table with the range (InputError).
    """

    name: str
    columns: FluidColumns

    @property
    def molar_mass(self) -> float:
        """Molar mass, kg/mol."""
        return self.columns.molar_mass

    @property
    def heat_capacity_ratio(self) -> float:
        """Ratio of heat capacities of the ideal gas at 20 C."""
        return self.columns.heat_capacity_ratio

    @property
    def condenses(self) -> bool:
        """True for a refrigerant: it has saturation columns."""
        return self.columns.saturation is not None

    @property
    def vapour_viscosity_error(self) -> float:
        """Relative standard deviation of :meth:`vapour_viscosity`."""
        return self.columns.gas.viscosity_error

    @property
    def liquid_viscosity_error(self) -> float:
        """Relative standard deviation of :meth:`liquid_viscosity`."""
        return self._saturation().viscosity_error

    def temperature_range(self) -> tuple[float, float]:
        """Coldest and hottest temperature of the saturation columns, of the gas columns for a test gas; K."""
        grid = self.columns.saturation.temperature if self.columns.saturation else self.columns.gas.temperature
        return grid[0], grid[-1]

    def bubble_pressure(self, temperature_k: float) -> float:
        """Pressure at which the liquid begins to boil: that of a vessel holding mostly liquid. Pa absolute."""
        table = self._saturation()
        return self._log_pressure(temperature_k, table.temperature, table.bubble_pressure)

    def dew_pressure(self, temperature_k: float) -> float:
        """Pressure at which the vapour begins to condense: the highest with vapour only. Pa absolute."""
        table = self._saturation()
        return self._log_pressure(temperature_k, table.temperature, table.dew_pressure)

    def vapour_density(self, temperature_k: float) -> float:
        """Density of the saturated vapour, kg/m3."""
        table = self._saturation()
        return self._linear(temperature_k, table.temperature, table.vapour_density)

    def liquid_density(self, temperature_k: float) -> float:
        """Density of the saturated liquid, kg/m3."""
        table = self._saturation()
        return self._linear(temperature_k, table.temperature, table.liquid_density)

    def vapour_viscosity(self, temperature_k: float) -> float:
        """Viscosity of the gas at low pressure, Pa s; saturated R-410A's is 6 % higher at 21 C, 19 % at 50 C."""
        table = self.columns.gas
        return self._linear(temperature_k, table.temperature, table.viscosity)

    def liquid_viscosity(self, temperature_k: float) -> float:
        """Viscosity of the saturated liquid, Pa s."""
        table = self._saturation()
        return self._linear(temperature_k, table.temperature, table.liquid_viscosity)

    def compressibility(self, temperature_k: float, pressure_pa: float) -> float:
        """Real-gas factor Z = p V / (n R T); nitrogen only.

        Raises:
            InputError: another fluid, or outside the table.
        """
        table = self.columns.compressibility
        if table is None:
            raise InputError(f"no compressibility is tabulated for {self.name}", allowed="nitrogen")
        self._check_temperature(temperature_k, table.temperature)
        low, high = table.pressure[0], table.pressure[-1]
        if not low <= pressure_pa <= high * (1 + EDGE):
            what = f"pressure {pressure_pa / 1e5:g} bar absolute is outside the table of {self.name}"
            raise InputError(what, allowed=f"{low / 1e5:g} to {high / 1e5:g} bar absolute")
        above = min(max(bisect_left(table.temperature, temperature_k), 1), len(table.temperature) - 1)
        rows = slice(above - 1, above + 1)  # the two temperatures around it
        across = [float(np.interp(pressure_pa, table.pressure, row)) for row in table.factor[rows]]
        return float(np.interp(temperature_k, table.temperature[rows], across))

    def _saturation(self) -> SaturationColumns:
        if self.columns.saturation is None:
            raise InputError(f"{self.name} does not condense at working temperatures", allowed="a refrigerant")
        return self.columns.saturation

    def _check_temperature(self, temperature_k: float, grid: Column) -> None:
        low, high = grid[0], grid[-1]
        if not low * (1 - EDGE) <= temperature_k <= high * (1 + EDGE):
            what = f"temperature {temperature_k - ZERO_CELSIUS:.1f} C is outside the table of {self.name}"
            raise InputError(what, allowed=f"{low - ZERO_CELSIUS:.1f} to {high - ZERO_CELSIUS:.1f} C")

    def _linear(self, temperature_k: float, grid: Column, column: Column) -> float:
        self._check_temperature(temperature_k, grid)
        return float(np.interp(temperature_k, grid, column))

    def _log_pressure(self, temperature_k: float, grid: Column, column: Column) -> float:
        """Linear in ln(pressure) over 1/T, nearly a straight line by Clausius and Clapeyron."""
        self._check_temperature(temperature_k, grid)
        inverse = -1.0 / np.asarray(grid)
        return float(np.exp(np.interp(-1.0 / temperature_k, inverse, np.log(column))))


@dataclass(frozen=True, eq=False)
class Properties:
    """The property file as fluids. ``aliases``: proper name -> other names."""

    file: PropertyFile
    fluids: Mapping[str, Fluid]
    aliases: Mapping[str, tuple[str, ...]]

    def fluid(self, name: str, where: str = "fluid") -> Fluid:
        """The fluid of that name in any spelling (``R-410A``, ``r410a``, ``N2``).

        Raises:
            InputError: unknown name; lists the fluids.
        """
        return self.fluids.get(name) or self.fluids[proper_name(name, self.aliases, where)]

    def water_vapour_pressure(self, temperature_k: float) -> float:
        """Vapour pressure of liquid water, Pa absolute: where a vacuum stalls while water boils off.

        Raises:
            InputError: outside 0 to 70 C.
        """
        table = self.file.water_saturation
        low, high = table.temperature[0] - 0.01, table.temperature[-1]
        if not low * (1 - EDGE) <= temperature_k <= high * (1 + EDGE):
            what = f"temperature {temperature_k - ZERO_CELSIUS:.1f} C is outside the table of water"
            raise InputError(what, allowed="0 to 70 C")
        inverse = -1.0 / np.asarray(table.temperature)
        return float(np.exp(np.interp(-1.0 / temperature_k, inverse, np.log(table.pressure))))


@lru_cache(maxsize=1)
def load_properties() -> Properties:
    """The shipped properties; read once.

    Raises:
        InputError: the file is missing or wrong.
    """
    path = shipped("priors", "properties.json")
    try:
        data = msgspec.json.decode(read_text(path))
    except msgspec.DecodeError as error:
        raise InputError(str(error), where=str(path), allowed="JSON") from error
    file = checked(data, PropertyFile, where=str(path))
    fluids = {name: Fluid(name, columns) for name, columns in file.fluids.items()}
    return Properties(file, fluids, {name: columns.aliases for name, columns in file.fluids.items()})
