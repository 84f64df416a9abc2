"""The skin of a parked wing: known tables, a root finder, a closed budget of heat, and what a crew would recognise."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq

from tests.physics.wing import after, weather, wing
from watcher.physics.longwave import STEFAN_BOLTZMANN_W_M2K4
from watcher.physics.surface import (
    CLEAN_ALBEDO,
    DRY_BAY,
    FROSTED_ALBEDO,
    LOWER_SKIN_W_M2K,
    TANK_FULL,
    TANK_PART,
    Forcing,
    Surface,
    Uncertain,
    advance,
    exchange,
    is_active_frost,
    is_deposit,
    is_frozen_residual,
    step,
)
from watcher.physics.transfer import heat_transfer_w_m2k, vapour_transfer_kg_m2shpa
from watcher.physics.vapour import frost_point_c, over_ice_hpa, over_water_hpa

MINUTE, HOUR = 60.0, 3600.0


@pytest.mark.parametrize(
    ("wind_ms", "cloud", "expected"),
    [
        (0, 0, -6.8), (1, 0, -5.7), (2.6, 0, -4.0), (5.1, 0, -2.7), (7.7, 0, -2.1),
        (1, 0.3, -4.0), (1, 0.6, -2.3), (1, 0.9, -0.57),
    ],
)  # fmt: skip
def test_a_dry_bay_below_air_temperature_by_wind_and_cloud(wind_ms, cloud, expected):
    """Figures of an independent first program for air 2 °C, dew point -8 °C; within a quarter of a kelvin."""
    skin = after(wing(2.0), weather(2.0, -8.0, wind_ms, cloud), 12).skin_c[0]
    assert skin - 2.0 == pytest.approx(expected, abs=0.25)


@pytest.mark.parametrize(("emissivity", "expected"), [(0.9, -5.7), (0.5, -3.6), (0.1, -0.9)])
def test_bare_metal_hardly_cools(emissivity, expected):
    """Same program, 1 m/s."""
    skin = after(wing(2.0), weather(2.0, -8.0), 12, emissivity=emissivity).skin_c[0]
    assert skin - 2.0 == pytest.approx(expected, abs=0.25)


@pytest.mark.parametrize(
    ("part", "fuel_c", "skins_c", "deposit_g_m2"),
    [
        (TANK_FULL, 10, (4.3, 0.7, -1.7), 0),
        (TANK_FULL, 0, (-1.5, -2.2, -2.6), 53),
        (TANK_FULL, -15, (-9.2, -5.6, -3.6), 510),
        (TANK_PART, 10, (-2.2, -2.9, -3.2), 130),
        (TANK_PART, -15, (-4.8, -4.0, -3.5), 298),
    ],
)
def test_fuel_warms_or_chills_the_skin_for_hours(part, fuel_c, skins_c, deposit_g_m2):
    """Same program: air 0 °C, dew point -2 °C, clear, 2 m/s; skin after 2, 6 and 12 hours, deposit after 12."""
    air = weather(0.0, -2.0, 2.0)
    two = after(wing(0.0, fuel_c=fuel_c), air, 2, part)
    six = after(two, air, 4, part)
    twelve = after(six, air, 6, part)
    assert [s.skin_c[0] for s in (two, six, twelve)] == pytest.approx(skins_c, abs=0.2)
    assert 1000 * twelve.deposit_kg_m2[0] == pytest.approx(deposit_g_m2, rel=0.1, abs=1)


def test_a_night_grows_two_hundred_grams_of_frost():
    """Same program: clear, air -2 °C, dew point -3 °C: 200 to 240 g/m2 in ten hours."""
    assert 0.2 < after(wing(-2.0), weather(-2.0, -3.0), 10).deposit_kg_m2[0] < 0.24


@pytest.mark.parametrize("air_c", [-25.0, -3.0, 4.0, 15.0])
@pytest.mark.parametrize("spread", [0.0, 2.0, 10.0])
@pytest.mark.parametrize("deposit", [0.0, 1e4])
def test_the_rest_state_is_that_of_a_root_finder(air_c, spread, deposit):
    """scipy's Brent on the balance written out once more; a thick deposit may leave at will, a dry skin has none."""
    forcing = weather(air_c, air_c - spread, 1.5, 0.2, pressure_hpa=950.0)
    transfer = float(heat_transfer_w_m2k(air_c, 1.5, 950.0))
    vapour_transfer = float(vapour_transfer_kg_m2shpa(transfer, 950.0))

    def balance(skin_c):
        if skin_c <= 0:
            latent = 2.834e6 * vapour_transfer * float(forcing.vapour_hpa - over_ice_hpa(skin_c))
        else:
            latent = 2.501e6 * vapour_transfer * float(forcing.vapour_hpa - over_water_hpa(skin_c))
        radiation = 0.9 * (float(forcing.longwave_w_m2) - STEFAN_BOLTZMANN_W_M2K4 * (skin_c + 273.15) ** 4)
        return radiation + (transfer + 3.3) * (air_c - skin_c) + (latent if deposit else max(latent, 0))

    expected = brentq(balance, -90, 40)
    if deposit and expected > 0:
        expected = 0.0
    surface = wing(air_c, deposit)
    for _ in range(3):
        surface = advance(surface, forcing, DRY_BAY, 1e5)
    assert surface.skin_c[0] == pytest.approx(expected, abs=0.02)


def _stored_j_m2(surface, part):
    frozen = surface.film_kg_m2 * (surface.skin_c <= 0) if surface.frozen_kg_m2 is None else surface.frozen_kg_m2
    fuel = 0.0 if surface.fuel_c is None else part.fuel_capacity_j_m2k * surface.fuel_c
    return part.heat_capacity_j_m2k * surface.skin_c + fuel + 3.34e5 * (surface.film_kg_m2 - frozen)


@pytest.mark.parametrize("part", [DRY_BAY, TANK_FULL, TANK_PART], ids=lambda part: part.name)
@pytest.mark.parametrize("dt_s", [1.0, MINUTE, 10 * MINUTE, HOUR, 24 * HOUR])
def test_the_budget_of_heat_closes(part, dt_s):
    """What is stored more is what came in, over frost, dew, melt, freezing and drying: conservation of energy."""
    draw = np.random.default_rng(7)
    n = 20_000
    air = draw.uniform(-30, 20, n)
    forcing = weather(
        air,
        air - draw.uniform(0, 12, n),
        draw.choice([0, 1, 3, 8, 20], n),
        draw.uniform(0, 1, n),
        np.where(draw.random(n) < 0.5, 0, draw.uniform(0, 500, n)),
        draw.uniform(700, 1040, n),
    )
    before = Surface(
        air + draw.uniform(-10, 8, n),
        np.where(draw.random(n) < 0.5, 0, draw.uniform(0, 0.3, n)),
        np.where(draw.random(n) < 0.6, 0, draw.uniform(0, 0.06, n)),
        None if part is DRY_BAY else air + draw.uniform(-15, 15, n),
    )
    later = advance(before, forcing, part, dt_s)
    skin = later.skin_c
    transfer = heat_transfer_w_m2k(air, forcing.wind_ms, forcing.pressure_hpa)
    albedo = np.where(is_deposit(before), FROSTED_ALBEDO, CLEAN_ALBEDO)
    incoming = 0.9 * (forcing.longwave_w_m2 - STEFAN_BOLTZMANN_W_M2K4 * (skin + 273.15) ** 4)
    incoming += transfer * (air - skin) + (1 - albedo) * forcing.shortwave_w_m2
    incoming += 3.3 * (air - skin) if later.fuel_c is None else LOWER_SKIN_W_M2K * (air - later.fuel_c)
    settled = later.deposit_kg_m2 + later.film_kg_m2 - before.deposit_kg_m2 - before.film_kg_m2
    missing = np.abs((_stored_j_m2(later, part) - _stored_j_m2(before, part) - 2.8345e6 * settled) / dt_s - incoming)
    none_ran_off = later.film_kg_m2 < 0.0999
    assert np.quantile(missing[none_ran_off], 0.99) < 0.3
    assert missing[none_ran_off].max() < 5


def test_ten_minutes_are_short_enough():
    """Against ten seconds, through a night of frost and a morning of melt on all three parts."""
    for part, fuel_c in ((DRY_BAY, None), (TANK_FULL, -5.0), (TANK_PART, 5.0)):
        coarse, fine = (
            after(
                after(wing(1.0, fuel_c=fuel_c), weather(-1.0, -2.0), 9, part, dt_s),
                weather(2.0, -1.0, 1.6, 0.0, 150.0), 1.5, part, dt_s,
            )
            for dt_s in (600.0, 10.0)
        )  # fmt: skip
        assert coarse.skin_c == pytest.approx(fine.skin_c, abs=0.25)
        assert coarse.deposit_kg_m2 == pytest.approx(fine.deposit_kg_m2, abs=0.012)


def test_single_precision_costs_a_hundredth_of_a_kelvin_and_a_tenth_of_a_gram():
    draw = np.random.default_rng(3)
    air, spread, wind, cloud = (draw.uniform(low, high, 2000) for low, high in ((-8, 5), (0, 5), (0, 6), (0, 1)))
    double = weather(air, air - spread, wind, cloud)
    single = Forcing(*(np.asarray(getattr(double, name), dtype=np.float32) for name in Forcing.__slots__))
    for part, fuel in ((DRY_BAY, None), (TANK_FULL, air + 5)):
        exact = Surface(air, np.zeros(2000), np.zeros(2000), fuel)
        rough = Surface(
            *(None if a is None else a.astype(np.float32) for a in (air, np.zeros(2000), np.zeros(2000), fuel))
        )
        for _ in range(90):
            exact, rough = advance(exact, double, part, 600.0), advance(rough, single, part, 600.0)
        assert rough.skin_c.dtype == rough.deposit_kg_m2.dtype == np.float32
        np.testing.assert_allclose(rough.skin_c, exact.skin_c, atol=0.01)
        # A skin held at exactly 0 °C takes vapour as dew or as frost by a hair's breadth.
        assert np.mean(np.abs(rough.deposit_kg_m2 - exact.deposit_kg_m2) > 1e-4) <= 0.002
        assert np.mean(is_deposit(rough) != is_deposit(exact)) <= 0.001


def test_one_forcing_worked_out_serves_all_parts():
    forcing, unsure = weather(-1.0, -2.0), Uncertain(0.88, 1.1, 0.7, 0.8)
    for part in (DRY_BAY, TANK_FULL):
        whole = advance(wing(0.0, fuel_c=3.0), forcing, part, 600.0, unsure)
        split = step(wing(0.0, fuel_c=3.0), exchange(forcing, unsure), part, 600.0)
        assert whole.skin_c == split.skin_c


def test_a_tank_without_the_temperature_of_its_fuel_is_refused():
    with pytest.raises(ValueError, match="tank_full: there is fuel under the skin"):
        advance(wing(0.0), weather(0.0, -1.0), TANK_FULL, 600.0)


def test_stations_and_members_broadcast_and_what_was_given_stays():
    skin = np.zeros((3, 4))
    before = Surface(skin, np.full((3, 4), 0.02), np.full((3, 4), 0.03))
    forcing = weather(np.array([[-5.0], [0.0], [5.0]]), np.array([[-6.0], [-1.0], [2.0]]), np.linspace(0, 6, 4))
    later = advance(before, forcing, DRY_BAY, 600.0)
    assert later.skin_c.shape == later.deposit_kg_m2.shape == later.film_kg_m2.shape == (3, 4)
    assert (skin == 0).all()
    assert (before.deposit_kg_m2 == 0.02).all()
    assert (before.film_kg_m2 == 0.03).all()


@pytest.mark.parametrize("kind", [np.float32, np.float64])
def test_a_wing_answers_the_same_alone_and_among_others(kind):
    """To the last bit: cold and dry ones take short cuts only when all in the batch do."""
    draw = np.random.default_rng(11)
    n = 400
    air = draw.uniform(-12, 8, n)
    whole = weather(air, air - draw.uniform(0, 6, n), draw.uniform(0, 8, n), draw.uniform(0, 1, n))
    columns = {name: np.broadcast_to(np.asarray(getattr(whole, name), kind), n).copy() for name in Forcing.__slots__}
    start = {"skin": air - 1, "deposit": draw.uniform(0, 0.1, n), "film": np.where(air > 4, 0.05, 0), "fuel": air + 3}

    def night(rows):
        forcing = Forcing(**{name: column[rows] for name, column in columns.items()})
        surface = Surface(*(values[rows].astype(kind) for values in start.values()))
        for _ in range(12):
            surface = advance(surface, forcing, TANK_PART, 600.0)
        return surface

    together = night(np.arange(n))
    for place in range(0, n, 7):
        alone = night(np.array([place]))
        assert alone.skin_c[0] == together.skin_c[place]
        assert alone.deposit_kg_m2[0] == together.deposit_kg_m2[place]
        assert alone.film_kg_m2[0] == together.film_kg_m2[place]


def test_a_hall_beside_the_stand_keeps_the_skin_warmer():
    open_sky, half, covered = (
        after(wing(0.0), weather(0.0, -5.0), 6, sky_view=view).skin_c[0] for view in (1.0, 0.5, 0.0)
    )
    assert open_sky < half < covered
    assert covered == pytest.approx(0.0, abs=1e-9)


def test_frost_grows_with_air_above_freezing():
    """Air 2 °C, dew point -1 °C, clear and calm: what the usual look at the air temperature misses."""
    surface = after(wing(2.0), weather(2.0, -1.0, 0.5), 3)
    assert is_active_frost(surface, weather(2.0, -1.0)).all()
    assert is_deposit(surface).all()


def test_active_frost_goes_by_the_frost_point_not_the_dew_point():
    """Dew point -8 °C, frost point -7.1 °C: a skin at -7.5 °C takes frost."""
    forcing = weather(0.0, -8.0)
    flags = is_active_frost(wing([-8.5, -7.5, -6.5, 0.5]), forcing)
    assert flags.tolist() == [True, True, False, False]
    assert advance(wing(-7.5), weather(-7.5, -8.0, 20.0, 1.0), DRY_BAY, 60.0).deposit_kg_m2[0] > 0


def test_dew_that_freezes_is_frost_forming():
    """Dew point 1 °C: water settles first, and below 0 °C it freezes."""
    surface = after(wing(4.0), weather(3.0, 1.0, 0.3), 5)
    assert surface.skin_c[0] <= 0
    assert is_active_frost(surface, weather(3.0, 1.0)).all()
    assert is_deposit(surface).all()


def test_rain_left_on_the_wing_freezes_without_any_frost_point():
    """Edge case: wet skin under a clear sky after rain, air 1 °C, dew point -9 °C."""
    surface = after(wing(1.0, film_kg_m2=0.1), weather(1.0, -9.0, 1.0), 2)
    assert not is_active_frost(surface, weather(1.0, -9.0)).any()
    assert is_frozen_residual(surface).all()


def test_wind_and_spread_may_dry_it_first():
    surface = after(wing(8.0, film_kg_m2=0.1), weather(5.0, -5.0, 8.0, 0.5), 4)
    assert surface.film_kg_m2[0] == 0.0
    frozen_later = after(surface, weather(-3.0, -12.0, 8.0, 0.5), 3)
    assert not is_frozen_residual(frozen_later).any()


def test_freezing_water_holds_the_skin_at_zero_until_all_is_ice():
    forcing = weather(-3.0, -8.0, 1.0)
    surface = wing(0.5, film_kg_m2=0.1)
    held = 0
    while surface.frozen_kg_m2 is None or surface.frozen_kg_m2[0] < surface.film_kg_m2[0] - 1e-9:
        surface = advance(surface, forcing, DRY_BAY, 60.0)
        if surface.skin_c[0] == pytest.approx(0.0, abs=1e-9):
            held += 1
        assert surface.skin_c[0] > -0.5 or surface.frozen_kg_m2[0] == pytest.approx(surface.film_kg_m2[0])
    # 0.1 kg x 3.34e5 J/kg at about 110 W/m2 is some five minutes.
    assert 2 <= held <= 12


def test_frost_holds_the_skin_at_zero_until_it_has_melted_and_runs_off_as_water():
    forcing = weather(3.0, 0.0, 1.6, 0.0, 250.0)
    surface, minutes = wing(-1.0, deposit_kg_m2=0.2), 0
    while surface.deposit_kg_m2[0] > 0:
        surface = advance(surface, forcing, DRY_BAY, 60.0)
        minutes += 1
        assert surface.skin_c[0] <= 0 or surface.deposit_kg_m2[0] == 0
        assert minutes < 600
    assert minutes > 15
    assert 0.05 < surface.film_kg_m2[0] <= 0.1
    assert not is_deposit(surface).any()


def test_colder_mornings_melt_later():
    def melted_after(air_at_sunrise_c):
        surface, minutes = wing(air_at_sunrise_c - 4, deposit_kg_m2=0.15), 0
        while is_deposit(surface).any():
            air = air_at_sunrise_c + 1.5 * minutes / 60
            sunlight = 3.0 * minutes
            surface = advance(surface, weather(air, air_at_sunrise_c - 1, 1.6, 0.0, sunlight), DRY_BAY, 600.0)
            minutes += 10
        return minutes

    assert 30 < melted_after(1.0) < melted_after(-2.0) < melted_after(-6.0) < 400


def test_a_treated_wing_frosts_again_within_minutes():
    """Skin clean and at air temperature on a clear calm night: the skin's own time is C / (h + 5), 10 to 20 minutes."""
    surface, minutes = wing(-2.0), 0
    while not is_active_frost(surface, weather(-2.0, -4.0)).any():
        surface = advance(surface, weather(-2.0, -4.0), DRY_BAY, 60.0)
        minutes += 1
        assert minutes < 60
    assert 2 <= minutes <= 30


def test_out_of_the_hangar_warm_fuel_delays_the_frost():
    forcing = weather(-3.0, -4.0, 1.0)

    def first_frost_h(part, fuel_c):
        surface, hours = wing(18.0, fuel_c=fuel_c), 0.0
        while not is_active_frost(surface, forcing).any():
            surface = advance(surface, forcing, part, 600.0)
            hours += 1 / 6
        return hours

    assert first_frost_h(DRY_BAY, None) < first_frost_h(TANK_PART, 18.0) < first_frost_h(TANK_FULL, 18.0)
    assert first_frost_h(DRY_BAY, None) < 1.5


def test_cold_soaked_fuel_frosts_a_full_tank_in_warm_moist_air():
    """Edge case: fuel at -12 °C, air 8 °C, dew point 7 °C, overcast; the dry bay stays clear of ice."""
    forcing = weather(8.0, 7.0, 1.0, 0.95)
    tank, bay = after(wing(8.0, fuel_c=-12.0), forcing, 1, TANK_FULL), after(wing(8.0), forcing, 1)
    assert is_active_frost(tank, forcing).all()
    assert not is_active_frost(bay, forcing).any()


def test_a_black_sky_leaves_the_skin_at_air_temperature():
    surface = after(wing(-6.0), weather(-1.0, -5.0, 2.0, 1.0), 6)
    assert surface.skin_c[0] == pytest.approx(-1.0, abs=1e-6)
    assert frost_point_c(-5.0) < surface.skin_c[0]
