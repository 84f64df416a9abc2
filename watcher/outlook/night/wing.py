"""One part of the wing through the night, for every member: frost, snow and frozen water on its skin.

References
----------
.. [1] FAA and Transport Canada ground-icing guidance: active frost, frozen precipitation and frozen residual water are
   contamination apart; snow on the wing ends what a frost answer can say.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from watcher.outlook.night.air import Air
from watcher.outlook.night.stand import Rows, Stand
from watcher.physics.arrays import Array
from watcher.physics.surface import Exchange, Part, Surface, is_deposit, is_frozen_residual, step

Mask = npt.NDArray[np.bool_]

_SETTLING_S, _SETTLING_STEPS = 1800.0, 3
# Water that stays on a skin after rain. [kg/m2] Common practice, no source.
_FILM_KG_M2 = 0.1
# What settles on a wing while it snows or rains freezing, and in freezing fog. [kg/(m2 h)] Assumed, light intensity.
_SNOW_KG_M2H, _RIME_KG_M2H = 0.5, 0.005
_GONE_KG_M2 = 1e-6
# What falls when the night begins has fallen for this long at least.
_FELL_BEFORE_S = 600.0


@dataclass(frozen=True, slots=True)
class Seen:
    """The part at one time, stations x members; `skin_c` with the error of the model."""

    skin_c: Array
    active: Mask
    deposit: Mask
    residual: Mask
    covered: Mask


class Wing:
    """One part on all stands of a batch.

    Parameters
    ----------
    part
        What lies under the skin.
    stand
        The aircraft.
    air, acting
        At the first step: the skin begins at rest with it, clean.
    """

    def __init__(self, part: Part, stand: Stand, air: Air, acting: Exchange) -> None:
        self._part, self._stand = part, stand
        fuel = None if part.fuel_capacity_j_m2k is None else stand.fuel_c(air.temp_c).astype(np.float32)
        nothing = np.zeros_like(air.temp_c)
        self._surface = Surface(air.temp_c.copy(), nothing, nothing, fuel)
        for _ in range(_SETTLING_STEPS):
            rested = step(self._surface, acting, part, _SETTLING_S)
            self._surface = Surface(rested.skin_c, nothing, nothing, fuel)
        self._covered = np.zeros(air.temp_c.shape, dtype=np.bool_)
        self._happen(0, air)
        self._fall(air, _FELL_BEFORE_S)

    def advance(self, index: int, air: Air, acting: Exchange, dt_s: float) -> None:
        """Go one step on, to a step of the grid."""
        self._surface = step(self._surface, acting, self._part, dt_s)
        self._fall(air, dt_s)
        if self._covered.any():
            self._covered &= self._surface.deposit_kg_m2 > _GONE_KG_M2
        self._happen(index, air)

    def see(self, index: int, air: Air, error_k: Array) -> Seen:
        """Return what is on the skin at a step; nothing where the aircraft is not there yet."""
        skin = self._surface.skin_c + error_k
        there = (index >= self._stand.present_from)[:, None]
        cold = skin <= 0
        active = cold & (skin <= air.frost_point_c)
        if air.fog is not None:
            active |= cold & air.fog
        residual = is_frozen_residual(replace(self._surface, skin_c=skin))
        if self._covered.any():
            active &= ~self._covered
            residual &= ~self._covered
        return Seen(skin, active & there, is_deposit(self._surface) & there, residual & there, self._covered & there)

    def _fall(self, air: Air, dt_s: float) -> None:
        """Put on the skin what falls, and what fog leaves."""
        if air.fog is None and air.settles is None and air.wets is None:
            return
        deposit, film = self._surface.deposit_kg_m2, self._surface.film_kg_m2
        if air.fog is not None:
            deposit = deposit + (air.fog & (self._surface.skin_c <= 0)) * np.float32(_RIME_KG_M2H * dt_s / 3600)
        if air.settles is not None:
            self._covered |= air.settles
            deposit = deposit + air.settles * np.float32(_SNOW_KG_M2H * dt_s / 3600)
        if air.wets is not None:
            film = np.maximum(film, air.wets * np.float32(_FILM_KG_M2))
        self._surface = replace(self._surface, deposit_kg_m2=deposit, film_kg_m2=film)

    def _happen(self, index: int, air: Air) -> None:
        """Let aircraft be cleaned, parked, fuelled or brought out of the hangar."""
        stand = self._stand
        cleaned, left = stand.cleaned.get(index), stand.left_hangar.get(index)
        if cleaned is not None:
            self._begin(cleaned, air.temp_c)
        if left is not None:
            self._begin(left, stand.hangar_c)
            self._fuel(left, stand.hangar_c)
        fuelled = stand.fuelled.get(index)
        if fuelled is not None:
            self._fuel(fuelled, air.temp_c)

    def _fuel(self, rows: Rows, around_c: Array) -> None:
        if self._surface.fuel_c is not None:
            fuel = self._surface.fuel_c.copy()
            fuel[rows] = self._stand.fuel_c(around_c)[rows]
            self._surface = replace(self._surface, fuel_c=fuel)

    def _begin(self, rows: Rows, skin_c: Array) -> None:
        surface = self._surface
        skin, deposit, film = surface.skin_c.copy(), surface.deposit_kg_m2.copy(), surface.film_kg_m2.copy()
        skin[rows], deposit[rows], film[rows] = skin_c[rows], 0.0, 0.0
        frozen = surface.frozen_kg_m2
        if frozen is not None:
            frozen = frozen.copy()
            frozen[rows] = 0.0
        self._covered[rows] = False
        self._surface = Surface(skin, deposit, film, surface.fuel_c, frozen)
