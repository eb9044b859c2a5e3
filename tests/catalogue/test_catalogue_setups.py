"""Set-ups and methods as shipped: what the trade and its safety rules ask for stands in them."""

from __future__ import annotations

import re

import pytest

from leakinfer.catalogue.model import Method, SetUp
from leakinfer.catalogue.reader import load_catalogue

CATALOGUE = load_catalogue()
SETUPS, METHODS = CATALOGUE.setups, CATALOGUE.methods
GAS_CONSTANT = 8.314462618  # J/mol K, SI definition
YEAR = 365.25 * 86400.0  # s
R410A = 0.072585  # kg/mol (CoolProp)


def grams_a_year(flow: float) -> float:
    """Pa m3/s of R-410A at 20 C as g/yr, ideal gas."""
    return flow * R410A * YEAR / (GAS_CONSTANT * 293.15) * 1000


def said(part: SetUp | Method) -> str:
    """All that a person reads of it."""
    return " ".join((part.how, *part.cautions))


def reached(begin: str, without: str = "") -> set[str]:
    """States that can be reached by set-ups, leaving one of them out."""
    found = {begin}
    for _ in SETUPS:
        steps = [setup for setup in SETUPS.values() if setup.id != without and set(setup.from_states) & found]
        found |= {setup.to for setup in steps if setup.to is not None}
    return found


# --- set-ups


@pytest.mark.parametrize("begin", ["running", "standing", "flat", "nitrogen", "tracer", "vacuum"])
def test_every_state_can_be_reached_from_every_other(begin: str) -> None:
    assert reached(begin) == {"running", "standing", "flat", "nitrogen", "tracer", "vacuum"}


@pytest.mark.parametrize("without", ["recover"])
def test_a_charged_system_gets_no_test_gas_unless_it_is_emptied(without: str) -> None:
    """Nitrogen on top of a charge spoils it, and what is let off then must be recovered (no venting: 40 CFR 82.154)."""
    assert reached("standing", without) == {"running", "standing"}


def test_emptying_and_cutting_are_intrusive_and_nothing_else() -> None:
    """The customer is asked before the charge comes out or the pipe is cut; a flat system has no such step left."""
    intrusive = {name for name, setup in SETUPS.items() if setup.tier == "intrusive"}
    assert intrusive == {"recover", "isolate_cut"}
    assert {name for name, setup in SETUPS.items() if setup.empties} == {"recover"}
    assert {name for name, setup in SETUPS.items() if setup.opens_circuit} == {"isolate_cut"}


def test_stopping_and_starting_need_no_hose() -> None:
    for name in ("stop", "start"):
        assert (SETUPS[name].tier, SETUPS[name].tools, SETUPS[name].gauges) == ("quick", (), False)


@pytest.mark.parametrize(
    ("name", "low", "high"),
    [
        ("recover", 35, 60),  # 20 to 45 and 15 to set up
        ("fill_nitrogen", 10, 25),
        ("shroud", 5, 10),
        ("isolate_cut", 30, 90),
    ],
)
def test_minutes_lie_in_the_range_that_technicians_tell(name: str, low: float, high: float) -> None:
    """Ranges from memory."""
    assert low <= SETUPS[name].minutes <= high


def test_evacuating_and_recharging_take_one_to_two_hours() -> None:
    """60 to 120 minutes together with the test, from memory."""
    total = sum(SETUPS[name].minutes + SETUPS[name].wait_minutes for name in ("evacuate", "recharge"))
    assert 60 <= total <= 120


def test_dye_runs_for_hours_before_it_is_looked_for() -> None:
    """About three hours (trade training slide)."""
    assert SETUPS["dye"].wait_minutes == 180.0
    assert METHODS["dye_look"].needs == ("dye",)


@pytest.mark.parametrize("name", [name for name, setup in SETUPS.items() if setup.to in ("nitrogen", "tracer")])
def test_every_filling_names_what_keeps_people_alive(name: str) -> None:
    """ASHRAE 15 interim action of 1997: dry inert gas, pressure limiter, relief and gauge; no oxygen, no air."""
    text = " ".join(SETUPS[name].cautions)
    for part in (
        "regulator with a relief valve and a gauge",
        "Never oxygen, never compressed air",
        "lowest rating connected",
        "Stand clear while the pressure rises",
        "Power locked off",
        "ventilate",
    ):
        assert part in text
    assert "step" in SETUPS[name].how


@pytest.mark.parametrize("part", [*SETUPS.values(), *METHODS.values()], ids=lambda part: part.id)
def test_oxygen_and_compressed_air_are_named_to_forbid_them_only(part: SetUp | Method) -> None:
    for sentence in re.split(r"[.;]\s", said(part)):
        if re.search(r"oxygen|compressed air", sentence, re.IGNORECASE):
            assert re.search(r"\bnever\b", sentence, re.IGNORECASE)


@pytest.mark.parametrize("name", [name for name, setup in SETUPS.items() if "brazing_kit" in setup.tools])
def test_brazing_warns_of_charge_nitrogen_fumes_fire_and_flammables(name: str) -> None:
    text = " ".join(SETUPS[name].cautions)
    for part in ("Refrigerant out first", "nitrogen flowing", "acid", "extinguisher", "Flammable refrigerant", "codes"):
        assert part in text


@pytest.mark.parametrize("name", sorted(SETUPS))
def test_every_set_up_says_how_and_warns(name: str) -> None:
    setup = SETUPS[name]
    assert 1 <= len(re.findall(r"[.](?:\s|$)", setup.how)) <= 3
    assert setup.cautions


def test_refrigerant_is_recovered_not_vented() -> None:
    """40 CFR 82.154."""
    assert "never vent" in " ".join(SETUPS["recover"].cautions)
    assert "80 %" in " ".join(SETUPS["recover"].cautions)
    assert "do not vent" in " ".join(SETUPS["let_off"].cautions)


def test_every_tool_is_asked_for_somewhere() -> None:
    asked = {tool for setup in SETUPS.values() for tool in setup.tools}
    asked |= {tool for method in METHODS.values() for tool in method.tools}
    assert asked == set(CATALOGUE.tools)


# --- methods


def test_tiers_follow_hoses_and_the_charge() -> None:
    """Quick: no hoses, few minutes; intrusive: the charge comes out."""
    by_tier = {tier: {m.id for m in METHODS.values() if m.tier == tier} for tier in ("quick", "standard", "intrusive")}
    assert by_tier["quick"] == {"probe_point", "probe_sweep", "oil_look", "oil_point", "look", "ear_point"}
    assert by_tier["intrusive"] == {"weigh_charge"}
    assert not any(METHODS[name].gauges or METHODS[name].wait_minutes for name in by_tier["quick"])


@pytest.mark.parametrize("name", sorted(METHODS))
def test_a_refrigerant_probe_or_meter_is_not_offered_without_refrigerant(name: str) -> None:
    method = METHODS[name]
    if {"probe", "gas_meter", "dye_lamp", "scales"} & set(method.tools):
        assert set(method.states) <= {"running", "standing"}


def test_only_what_works_under_test_gas_is_offered_there() -> None:
    lasting = {name for name, method in METHODS.items() if method.lasting or method.kind == "exposure"}
    assert lasting == {"oil_look", "oil_point", "look", "dye_look"}
    gas = {
        state: {name for name, m in METHODS.items() if state in m.states} - lasting for state in ("nitrogen", "tracer")
    }
    holds = {"hold_hour", "hold_day"}
    assert gas["nitrogen"] == holds | {"bubbles", "ear_point"}
    assert gas["tracer"] == holds | {"bubbles", "ear_point", "tracer_point", "tracer_sweep"}
    vacuum = {name for name, method in METHODS.items() if "vacuum" in method.states} - lasting
    assert vacuum == {"vacuum_hold"}
    assert not {name for name, method in METHODS.items() if "flat" in method.states} - lasting


def test_listening_hears_large_leaks_only() -> None:
    """General table of leak test methods: ultrasonic 1e-1, acoustic 1e-3 mbar l/s (en.wikipedia.org, Tracer-gas leak
    testing; 1 mbar l/s is 0.1 Pa m3/s), and about 1,500 g/yr of R-410A (judgement)."""
    rate50 = METHODS["ear_point"].grades[0].rate50
    assert 1e-4 < rate50 < 1e-2
    assert grams_a_year(rate50) == pytest.approx(1500, rel=0.01)
    assert rate50 > METHODS["bubbles"].grades[-1].rate50


def test_trace_gas_finds_smaller_holes_than_the_refrigerant_probe() -> None:
    """Hydrogen sniffer 1e-6 mbar l/s, that is 1e-7 Pa m3/s (same table); a person does about ten times worse (Zimmerle
    et al. 2020). The refrigerant probe's 5 g/yr of R-410A are 5.3e-6 Pa m3/s."""
    for trace, usual in (("tracer_point", "probe_point"), ("tracer_sweep", "probe_sweep")):
        rate50 = METHODS[trace].grades[0].rate50
        assert rate50 > 1e-7
        assert grams_a_year(rate50) < METHODS[usual].grades[0].rate50 / 3
    assert METHODS["tracer_point"].grades[0].rate50 == pytest.approx(1e-6)
    assert METHODS["tracer_sweep"].reach_of == "tracer_point"


def test_trace_gas_is_looked_for_above_and_refrigerant_below() -> None:
    """Molar masses: 5 % hydrogen in nitrogen 26.7, air 29.0, refrigerants 44 and more (g/mol)."""
    assert 0.05 * 2.016 + 0.95 * 28.013 < 28.965 < 44.1
    for name in ("tracer_point", "tracer_sweep"):
        assert "rises" in METHODS[name].how
    assert "sinks" in METHODS["probe_point"].how


def test_a_shroud_helps_where_wind_carries_gas_away() -> None:
    """A breeze hides a leak from a probe, a shroud brings it back. Common practice, no source."""
    aided = {name for name, method in METHODS.items() if "shroud" in method.aided_by}
    assert aided == {"probe_sweep", "tracer_sweep"}
    assert all(METHODS[name].air["wind"] > 1 for name in aided)
    assert METHODS["gather"].needs == ("shroud",)


def test_holds_wait_as_the_trade_does() -> None:
    """An hour on a residential split; 24 hours: US federal specification UFGS 15182; 20 min of vacuum: installers."""
    waits = {name: method.wait_minutes for name, method in METHODS.items() if method.kind == "hold"}
    assert waits == {"hold_hour": 60.0, "hold_day": 24 * 60.0, "vacuum_hold": 20.0}


def test_formal_rates_of_holds_are_those_of_their_notes() -> None:
    """pV over time: 7 kPa in 10 l in an hour and in a day; 500 microns (0.133322 Pa each) in 20 minutes in 5 l."""
    assert METHODS["hold_hour"].grades[0].rate50 == pytest.approx(7000 * 0.010 / 3600, rel=0.05)
    assert METHODS["hold_day"].grades[0].rate50 == pytest.approx(7000 * 0.010 / 86400, rel=0.05)
    assert METHODS["vacuum_hold"].grades[0].rate50 == pytest.approx(500 * 0.133322 * 0.005 / 1200, rel=0.05)


def test_a_vacuum_hold_tells_moisture_from_a_leak() -> None:
    """Vapour pressure of water at 20 C: 2.339 kPa (steam tables, from memory), 17,550 microns."""
    text = METHODS["vacuum_hold"].how + METHODS["vacuum_hold"].source
    assert "moisture" in text
    microns = float(re.search(r"([0-9,]+) microns \(2.34", text)[1].replace(",", ""))  # type: ignore[index]
    assert microns * 0.133322 == pytest.approx(2339, rel=0.005)


def test_nothing_that_sparks_is_used_to_look() -> None:
    """Halide torches see chlorine only, and burn: none is listed (IEC 60335-2-40 forbids them with flammables)."""
    assert not any(method.ignites for method in METHODS.values())


def test_hands_go_in_only_where_the_way_in_is_named() -> None:
    for method in METHODS.values():
        if method.hands_in:
            assert "ower locked off" in said(method) or "lock the power off" in said(method)
