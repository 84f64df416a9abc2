"""Published formulas for the emissivity of the clear sky, beside which the chosen one is measured.

Each takes vapour pressure [hPa] and air temperature [K]. Coefficients are from memory of the papers named, but for
Brutsaert, Clark and Allen, Idso 1981 and Dilley and O'Brien, which were read. Run on the clear nights of a file, this
prints RMSE and bias of each in W/m2.

python -m tests.checks.skies FILE [--position LAT,LON,ELEV_M]
"""

from __future__ import annotations

import json
from collections.abc import Callable

import numpy as np

from tests.checks.longwave import clear_nights
from tests.checks.table import asked, rmse
from watcher.physics.arrays import Array, Values
from watcher.physics.longwave import STEFAN_BOLTZMANN_W_M2K4, clear_sky_emissivity, precipitable_water_cm
from watcher.physics.transfer import KELVIN
from watcher.physics.vapour import dew_point_from_vapour_c


def _berdahl_martin_1984(e_hpa: Values, _air_k: Values) -> Array:
    """Return it without its small terms for the hour and for pressure, which are zero in the mean of a day at 1000 hPa."""
    dew_point = dew_point_from_vapour_c(e_hpa) / 100
    return 0.711 + 0.56 * dew_point + 0.73 * dew_point**2


def _dilley_obrien_1998(e_hpa: Values, air_k: Values) -> Array:
    sky = 59.38 + 113.7 * (air_k / 273.16) ** 6 + 96.96 * np.sqrt(precipitable_water_cm(e_hpa, air_k) * 10 / 25)
    return sky / (STEFAN_BOLTZMANN_W_M2K4 * air_k**4)


SKIES: dict[str, Callable[[Values, Values], Array]] = {
    "Prata 1996": clear_sky_emissivity,
    "Angstrom 1918": lambda e, _: 0.82 - 0.25 * 10 ** (-0.0945 * e),
    "Brunt 1932": lambda e, _: 0.52 + 0.065 * np.sqrt(e),
    "Li, Jiang, Coimbra 2017": lambda e, _: 0.618 + 0.056 * np.sqrt(e),
    "Swinbank 1963": lambda _, t: 9.365e-6 * np.square(t),
    "Idso and Jackson 1969": lambda _, t: 1 - 0.261 * np.exp(-7.77e-4 * (273 - t) ** 2),
    "Brutsaert 1975": lambda e, t: 1.24 * (e / t) ** (1 / 7),
    "Clark and Allen 1978": lambda e, _: 0.787 + 0.764 * np.log((dew_point_from_vapour_c(e) + KELVIN) / 273),
    "Satterlund 1979": lambda e, t: 1.08 * (1 - np.exp(-(e ** (t / 2016)))),
    "Idso 1981": lambda e, t: 0.70 + 5.95e-5 * e * np.exp(1500 / t),
    "Berdahl and Martin 1984": _berdahl_martin_1984,
    "Konzelmann 1994": lambda e, t: 0.23 + 0.484 * (100 * e / t) ** (1 / 8),
    "Dilley and O'Brien 1998": _dilley_obrien_1998,
}


def main() -> None:
    measured, air_k, vapour = clear_nights(*asked("tests.checks.skies"))
    black = STEFAN_BOLTZMANN_W_M2K4 * air_k**4
    errors = {name: sky(vapour, air_k) * black - measured for name, sky in SKIES.items()}
    print(json.dumps({name: [round(rmse(error), 2), round(float(error.mean()), 2)] for name, error in errors.items()}))


if __name__ == "__main__":
    main()
