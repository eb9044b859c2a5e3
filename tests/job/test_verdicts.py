"""A reading's verdict and a hold's time against closed forms of the ideal gas and Poiseuille's law."""

from __future__ import annotations

import math
from typing import Any

import pytest
from msgspec import structs

from leakinfer.circuit.conditions import Condition
from leakinfer.job.finding import Finding, Gathered, Hold, Rise
from leakinfer.job.job import Job
from leakinfer.job.verdicts import Verdict, hold_times, seen_in, verdict_of
from leakinfer.physics.hold import usual_plan

from .small import shipped_job

MATTERS = 26.0
KPA, VOLUME = 1600.0, 6.5
NITROGEN = Condition("nitrogen", "still", 24.0, 22.0, test_kpa=KPA)
VACUUM = Condition("vacuum", "still", 24.0, 22.0)
STANDING = Condition("standing", "still", 24.0, 22.0)

# Handbook values: R-410A at 22 C: dew pressure 1,524 kPa, 72.6 g/mol, vapour viscosity 13.2 uPa s (tables give 12.7 to
# 13.5, from memory: hence a tenth below); nitrogen 17.7 uPa s, air 18.3 uPa s at 22 C (from memory).
DEW, VISCOSITY, MOLAR = 1.524e6, 13.2e-6, 0.0726
AIR = 1.01325e5
YEAR = 365.25 * 86400


def job(**facts: Any) -> Job:
    return shipped_job("ducted_split", volume_l=VOLUME, **facts)


def held(end_kpa: float, hours: float = 24.0, matters: float = MATTERS, **more: float) -> Verdict:
    finding = Finding(
        "hold_day", "whole", "held", NITROGEN, hold=Hold(KPA, end_kpa, 24.0, 24.0, hours, volume_l=VOLUME, **more)
    )
    found = verdict_of(job(), finding, matters)
    assert found is not None
    return found


def grams(moles_a_second: float, gas_viscosity: float, upstream: float, downstream: float) -> float:
    """Laminar flow goes with the difference of squared pressures over viscosity (EN 1779 annex, from memory)."""
    times = gas_viscosity / VISCOSITY * (DEW**2 - AIR**2) / (upstream**2 - downstream**2)
    return moles_a_second * times * MOLAR * 1000 * YEAR


def test_a_drop_is_a_loss_in_grams() -> None:
    """Ideal gas: n = dp V / (R T) over a day."""
    moles = 25e3 * VOLUME * 1e-3 / (8.314 * 297.15) / 86400
    found = held(KPA - 25.0, resolution_kpa=0.1, accuracy_kpa=0.1)
    assert found.word == "leaks"
    assert found.g_per_year == pytest.approx(grams(moles, 17.7e-6, KPA * 1e3 + AIR, AIR), rel=0.1)
    assert found.standing_c == 22.0


def test_a_day_with_a_van_s_gauge_cannot_tell_and_a_fine_one_clears() -> None:
    coarse = held(KPA)
    assert coarse.word == "cannot_tell"
    assert coarse.g_per_year == pytest.approx(0.0, abs=1e-6)
    assert coarse.tight_to_g_per_year is not None
    assert coarse.tight_to_g_per_year > MATTERS
    assert coarse.hours is not None
    assert coarse.hours > 24
    long = held(KPA, hours=1900.0, resolution_kpa=0.1, accuracy_kpa=0.1, matters=60.0)
    assert long.word == "tight"
    assert long.tight_to_g_per_year is not None
    assert MATTERS < long.tight_to_g_per_year < 60.0


def test_the_time_that_is_named_is_the_time_that_clears() -> None:
    """At the hours that are named the hold just shows the loss: seen_in is the inverse of hold_times."""
    hours = held(KPA).hours
    assert hours is not None
    plan = usual_plan(KPA, 24.0, hours, VOLUME)
    assert seen_in(job(), plan, 22.0) == pytest.approx(MATTERS, rel=1e-6)
    times = hold_times(job(), plan, [100.0, MATTERS, 1e-6], 22.0)
    assert [loss for loss, _ in times] == [1e-6, MATTERS, 100.0]
    assert times[0][1] is None
    assert times[1][1] == pytest.approx(hours)


def test_a_steady_error_is_halved_by_twice_the_time() -> None:
    """Without weather a drop grows with time and the gauge's error does not; weather only makes it longer."""
    plan = usual_plan(KPA, 24.0, 1.0, VOLUME)
    (_, slow), (_, quick) = hold_times(job(), plan, [1000.0, 2000.0], 22.0)
    assert slow is not None
    assert quick is not None
    assert slow / quick == pytest.approx(2.0, rel=0.05)


def test_air_that_comes_in_is_a_loss_by_the_same_hole() -> None:
    rise = Rise(66.7, 400.0, 20.0, 22.0, volume_l=VOLUME)
    finding = Finding("vacuum_hold", "whole", "rose", VACUUM, rise=rise)
    found = verdict_of(job(), finding, MATTERS)
    assert found is not None
    moles = 333.3 * VOLUME * 1e-3 / (8.314 * 295.15) / 1200
    assert found.g_per_year == pytest.approx(grams(moles, 18.3e-6, AIR, 0.0), rel=0.1)
    assert found.hours is None
    assert found.word in {"leaks", "moisture", "cannot_tell"}


def test_moisture_that_levels_off_is_told_from_air() -> None:
    """A middle reading at nearly the end's height: it has levelled off."""
    levelled = Rise(66.7, 420.0, 30.0, 22.0, 410.0, 12.0, volume_l=VOLUME)
    straight = structs.replace(levelled, middle_pa=66.7 + 353.3 * 12 / 30)
    words = []
    for rise in (levelled, straight):
        found = verdict_of(job(), Finding("vacuum_hold", "whole", "rose", VACUUM, rise=rise), MATTERS)
        assert found is not None
        words.append(found.word)
    assert words[0] == "moisture"
    assert words[1] != "moisture"


def test_gas_under_a_shroud_is_a_loss_as_it_is() -> None:
    """10 ppm of 40 l in half an hour, were nothing to escape: V c p / (R T) moles; the usual shroud loses some."""
    told = Gathered(40.0, 30.0, 0.0, 10.0)
    finding = Finding("gather", "service_valves", "gas", STANDING, gathered=told)
    found = verdict_of(job(), finding, MATTERS)
    assert found is not None
    moles = 40e-3 * 10e-6 * AIR / (8.314 * 297.15) / 1800
    least = moles * MOLAR * 1000 * YEAR
    assert found.g_per_year is not None
    assert least < found.g_per_year < 4 * least
    assert math.isfinite(found.g_per_year)


def test_words_alone_have_no_verdict() -> None:
    assert verdict_of(job(), Finding("hold_day", "whole", "held", NITROGEN), MATTERS) is None


def test_without_a_standing_pressure_only_leak_or_not_is_told() -> None:
    """R-744 above its critical 31 C (Span and Wagner 1996, from memory) has no standing pressure from a temperature."""
    hot = job(refrigerant="R-744", charge_kg=3.0, rating_high_kpa=12000.0, rating_low_kpa=6000.0)
    condition = structs.replace(NITROGEN, outdoor_c=38.0, indoor_c=36.0)
    reading = Hold(KPA, KPA - 300, 24.0, 24.0, 24.0, volume_l=VOLUME)
    finding = Finding("hold_day", "whole", "fell", condition, hold=reading)
    found = verdict_of(hot, finding, MATTERS)
    assert found is not None
    assert (found.word, found.g_per_year, found.hours) == ("leaks", None, None)
    tight = verdict_of(hot, structs.replace(finding, hold=structs.replace(reading, end_kpa=KPA)), MATTERS)
    assert tight is not None
    assert tight.word == "cannot_tell"
