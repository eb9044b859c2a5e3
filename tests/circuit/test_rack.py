"""The rack store: exact size, zones that grow in proportion, the same store each time."""

from __future__ import annotations

from collections import Counter

import pytest

from leakinfer.circuit.rack import rack_store
from leakinfer.circuit.reader import load_system
from leakinfer.errors import InputError

SIZES = (60, 61, 77, 240, 999, 2000)


@pytest.mark.parametrize("sites", SIZES)
def test_it_has_exactly_the_sites_asked_for(sites: int) -> None:
    system = rack_store(sites)
    assert len(system.sites) == sites
    assert sum(site.id == "elsewhere" for site in system.sites) == 1


@pytest.mark.parametrize("sites", SIZES)
def test_a_zone_has_8_to_16_sites(sites: int) -> None:
    system = rack_store(sites)
    sizes = Counter(site.zone for site in system.sites if site.id != "elsewhere")
    assert min(sizes.values()) >= 8
    assert max(sizes.values()) <= 16
    assert len(sizes) == len(system.zones) - 1


@pytest.mark.parametrize("parts", ["zones", "sites", "units", "sections", "circumstances", "spots", "isolations"])
def test_it_grows_in_proportion(parts: str) -> None:
    """Four times the sites: four times the rest, within the rounding to whole racks and stations."""
    small, large = (len(getattr(rack_store(sites), parts)) for sites in (500, 2000))
    assert large / small == pytest.approx(4, rel=0.1)


@pytest.mark.parametrize("sites", SIZES)
def test_every_kind_of_zone_is_there(sites: int) -> None:
    names = {zone.id.split("_")[-1].rstrip("0123456789") for zone in rack_store(sites).zones}
    assert names == {"receiver", "compressor", "condenser", "station", "lineup", "hidden"}


@pytest.mark.parametrize("sites", SIZES)
def test_each_line_up_hangs_on_the_valves_of_one_station(sites: int) -> None:
    system = rack_store(sites)
    aisles: dict[str, set[str]] = {}
    for site in system.sites:
        if "_lineup" in site.zone:
            circuit = site.section.removesuffix("_liquid").removesuffix("_suction")
            aisles.setdefault(site.place, set()).add(circuit)
    assert all(len(circuits) == 1 for circuits in aisles.values())
    assert len(aisles) == sum("_station" in zone.id for zone in system.zones)


def test_it_is_the_same_each_time() -> None:
    assert rack_store(313) == rack_store(313)


@pytest.mark.parametrize(("name", "sites"), [("rack_store", 240), ("rack_store:60", 60), ("rack_store:2000", 2000)])
def test_it_is_loaded_by_name(name: str, sites: int) -> None:
    assert load_system(name) == rack_store(sites)


@pytest.mark.parametrize("name", ["rack_store:", "rack_store:many", "rack_store:-5", "rack_store:60:3", "rack_store:²"])
def test_a_size_that_is_no_number_is_refused(name: str) -> None:
    with pytest.raises(InputError, match="not a number of sites") as caught:
        load_system(name)
    assert "rack_store:2000" in caught.value.allowed


@pytest.mark.parametrize("name", ["rack_store:59", "rack_store:0"])
def test_too_small_a_store_is_refused(name: str) -> None:
    with pytest.raises(InputError, match="60 or more"):
        load_system(name)


def test_a_full_store_holds_about_what_a_supermarket_does() -> None:
    """A usual US supermarket: about 3,500 lb (US EPA, nepis document P100EXK9), 1 lb = 0.45359237 kg exactly."""
    charge = rack_store(2000).charge
    assert charge.low < 3500 * 0.45359237 < charge.high
    assert charge.typical == pytest.approx(3500 * 0.45359237, rel=0.05)


def test_each_circuit_can_be_shut_off_and_each_rack_in_three() -> None:
    system = rack_store(2000)
    stations = sum("_station" in zone.id for zone in system.zones)
    racks = sum("_receiver" in zone.id for zone in system.zones)
    assert len(system.isolations) == stations + 3 * racks
    assert racks > 1
    for part in system.isolations:
        assert len({section.split("_")[0] for section in part.sections}) == 1  # one rack each


def test_a_circuit_with_more_line_ups_holds_more() -> None:
    system = rack_store(999)
    fed = Counter(zone.place for zone in system.zones if "_lineup" in zone.id)
    shares = {part.id.replace("circuit", "aisle"): part.volume_share for part in system.isolations}
    each = {shares[place] / lineups for place, lineups in fed.items()}
    assert len(set(fed.values())) > 1
    assert max(each) == pytest.approx(min(each), rel=1e-9)
    assert sum(shares.values()) == pytest.approx(1, abs=1e-9)
