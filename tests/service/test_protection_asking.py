"""From what a person gives of a treated aircraft to the protection that is begun."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.treatment.aircraft import at, report, shipped, treated
from watcher.service.planning import Treatments, load_treatments
from watcher.service.protection_asking import Asked, wanted
from watcher.treatment.clocks import clocks
from watcher.treatment.kinds import Flaps
from watcher.treatment.protection import Protection, with_end_of_treatment
from watcher.treatment.protection_words import figures_words
from watcher.web.protections_form import Wish, wish_of


def with_flaps(flaps: Flaps | None) -> Treatments:
    shipped_ones = load_treatments(None)
    fleet = shipped_ones.fleet
    jet = replace(fleet.profiles["medium-jet"], flaps_during_treatment=flaps)
    return replace(shipped_ones, fleet=replace(fleet, profiles={"medium-jet": jet}))


def asked(treatments: Treatments, profile: str | None = "medium-jet", *, flaps_set: bool = False) -> Protection:
    given = Asked("XNOR", "HL-101", "Type IV", "0512Z", mix="100/0", profile=profile, flaps_set=flaps_set)
    return wanted(given, treatments, at(7))


def minutes_of(protection: Protection) -> int | None:
    begun = treated(report(-12), flaps_set=protection.flaps_set)
    return clocks(begun, shipped(), at(7)).lower_min


def test_flaps_that_no_profile_tells_of_are_not_taken_for_the_better_case() -> None:
    whole = minutes_of(asked(with_flaps(Flaps.RETRACTED)))
    assert whole is not None
    for flaps in (None, Flaps.EXTENDED):
        assert minutes_of(asked(with_flaps(flaps))) == whole * 76 // 100


@pytest.mark.parametrize(("profile", "flaps_set", "said"), [(None, False, "in"), (None, True, "out")])
def test_without_a_profile_the_words_say_how_the_flaps_were_taken(
    profile: str | None, flaps_set: bool, said: str
) -> None:
    found = asked(load_treatments(None), profile, flaps_set=flaps_set)
    words = figures_words(found, clocks(treated(), shipped(), at(7)))
    assert f"flaps and slats taken as {said} during the treatment" in words


def test_one_begun_again_gets_no_profile_that_would_add_flaps() -> None:
    treatments = with_flaps(None)
    flaps_in = replace(asked(treatments), flaps_set=False)
    assert wish_of(flaps_in, treatments.fleet, at(8)).given["profile"] == ""
    assert wish_of(asked(treatments), treatments.fleet, at(8)).given["profile"] == "medium-jet"


@pytest.mark.parametrize(("seconds", "least"), [(0.0, 0), (50.0, 50), (50.75, 51)])
def test_one_begun_again_keeps_the_seconds_of_the_end_of_its_treatment(seconds: float, least: int) -> None:
    treatments = load_treatments(None)
    first = with_end_of_treatment(asked(treatments), at(6 + seconds / 60))
    wish = wish_of(first, treatments.fleet, at(8))
    again = wanted(Wish({**wish.given, "fluid": "Type IV"}).asked, treatments, at(8))
    assert again.treatment_ended_at == at(6 + least / 60)
    one, other = clocks(first, shipped(), at(8)), clocks(again, shipped(), at(8))
    assert one.engine_bleed_wait_ends is not None
    assert other.engine_bleed_wait_ends == one.engine_bleed_wait_ends
