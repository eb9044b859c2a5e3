"""Repairs, advice and settings as shipped: what the trade and its safety rules ask for stands in them."""

from __future__ import annotations

import re

import pytest

from leakinfer.catalogue.reader import load_catalogue

CATALOGUE = load_catalogue()
SETUPS, METHODS, REPAIRS, ADVICE = CATALOGUE.setups, CATALOGUE.methods, CATALOGUE.repairs, CATALOGUE.advice

OPENING = sorted(name for name, repair in REPAIRS.items() if repair.opens_circuit and name != "elsewhere")
ESSENTIAL = {
    "valve_core": ("under pressure only with the core tool", "after recovery"),
    "cap_brass_seal": ("rubber", "hand tight", "No hardening sealant"),
    "cap_plastic": ("brass cap with a rubber ring", "hand tight", "No hardening sealant"),
    "cap_hex_metal": ("torque", "metal on metal", "second", "No hardening sealant"),
    "service_valve_body": ("wet rags", "nitrogen flowing"),
    "service_valve_stem": ("Never back a stem out past its stop",),
    "brazed_joint": ("ipe the oil away", "nitrogen flowing"),
    "flare": ("new one", "torque wrench", "second spanner", "more torque"),
    "return_bend": ("coil is changed",),
    "fin_tube": ("Replace the coil as a whole where formicary attack is likely",),
    "coil_header": ("condemns the coil",),
    "distributor": ("small tube",),
    "capillary": ("pad between", "same bore and length"),
    "metering_device": ("two spanners", "wet rags"),
    "drier_liquid": ("One liquid drier only", "do not sweat it out"),
    "drier_suction": ("taken out again", "72 hours", "R-410A"),
    "switch_brazed": ("Replaced, never bridged",),
    "switch_screwed": ("Replaced, never bridged", "core under it", "recover first"),
    "compressor_shell": ("No brazing or filler on the shell",),
    "shell_underside": ("Litter cleared", "never patched"),
    "terminal_feedthrough": ("blow out", "Recover before the cover comes off"),
    "stub": ("braze it",),
    "accumulator": ("not patched",),
    "receiver": ("Never weld or patch a pressure vessel",),
    "sight_glass": ("No sealant",),
    "relief_valve": ("Never plug, cap or reset",),
    "solenoid_valve": ("closed valve bursts the pipe",),
    "reversing_valve": ("wet rags",),
    "tube_run": ("tied with a pad between and never to the discharge line",),
    "line_set": ("wires, gas pipes",),
    "case_coil": ("foam burns",),
    "flange_gasket": ("far bolts first",),
    "shaft_seal": ("coupling barred",),
    "oil_line": ("Hot oil",),
    "ball_valve": ("second spanner",),
    "elsewhere": ("No leak sealant in the circuit",),
}


def repair_text(name: str) -> str:
    """All that a person reads of a repair."""
    repair = REPAIRS[name]
    return " ".join((repair.repair, repair.verify, repair.prevent, *repair.cautions))


@pytest.mark.parametrize("name", sorted(CATALOGUE.components))
def test_every_repair_names_what_matters_most_there(name: str) -> None:
    """Common practice, no source."""
    for part in ESSENTIAL[name]:
        assert part in repair_text(name)


@pytest.mark.parametrize("name", OPENING)
def test_what_opens_the_circuit_is_recovered_first(name: str) -> None:
    """No venting: 40 CFR 82.154."""
    cautions = " ".join(REPAIRS[name].cautions)
    assert "ecovered first" in cautions
    assert "Flammable refrigerant" in cautions


@pytest.mark.parametrize("name", [name for name in OPENING if "braz" in REPAIRS[name].repair.lower()])
def test_brazing_repairs_warn_of_nitrogen_fumes_oil_and_fire(name: str) -> None:
    """Fluorocarbons break down to acids when heated (ASHRAE and EPA guidance, from memory)."""
    cautions = " ".join(REPAIRS[name].cautions)
    for part in ("nitrogen flowing", "acid", "ventilate"):
        assert part in cautions
    if name != "terminal_feedthrough":
        assert "oil away before any flame" in cautions
        assert "extinguisher" in cautions


@pytest.mark.parametrize("name", sorted(set(REPAIRS) - {"elsewhere"}))
def test_a_repair_is_proved_and_its_oil_wiped_away(name: str) -> None:
    verify = REPAIRS[name].verify
    assert re.search(r"[Pp]robe|[Bb]ubbles", verify)
    assert "Wipe oil and dye away" in verify


def test_repairs_fail_as_seldom_as_callbacks_allow() -> None:
    """Callbacks within a year 5 to 15 %, all causes together (from memory): a repair fails in 3 to 20 %."""
    assert all(0.03 <= repair.fails <= 0.2 for repair in REPAIRS.values())
    assert REPAIRS["elsewhere"].fails == max(repair.fails for repair in REPAIRS.values())


def test_caps_and_cores_do_not_need_the_charge_out() -> None:
    """Common practice, no source: a cap, a core with its tool, a packing nut."""
    closed = {name for name, repair in REPAIRS.items() if not repair.opens_circuit}
    assert {"valve_core", "cap_brass_seal", "cap_plastic", "cap_hex_metal", "service_valve_stem"} <= closed
    assert {"brazed_joint", "flare", "fin_tube", "drier_liquid", "compressor_shell"}.isdisjoint(closed)


def test_every_repair_and_advice_says_where_it_comes_from() -> None:
    sources = [repair.source for repair in REPAIRS.values()] + [advice.source for advice in ADVICE.values()]
    assert all(re.search(r"judgement|common practice", source) for source in sources)


def test_flammable_cautions_stand_first_in_their_line() -> None:
    """They are shown for refrigerants that burn only, which is told by the first word."""
    lines = [line for setup in SETUPS.values() for line in setup.cautions]
    lines += [line for method in METHODS.values() for line in method.cautions]
    lines += [line for repair in REPAIRS.values() for line in repair.cautions]
    lines += [line for advice in ADVICE.values() for line in advice.cautions]
    assert sum(line.startswith("Flammable") for line in lines) > 40
    assert not [line for line in lines if "lammable refrigerant" in line and not line.startswith("Flammable")]


# --- advice


def test_two_liquid_driers_are_advice() -> None:
    advice = ADVICE["two_liquid_driers"]
    assert (advice.components, advice.least, advice.exposures, advice.told) == (("drier_liquid",), 2, (), False)


def test_a_suction_drier_left_in_is_advice() -> None:
    """72 hours on R-410A: common practice, no source."""
    advice = ADVICE["suction_drier_left_in"]
    assert (advice.components, advice.least) == (("drier_suction",), 1)
    assert "72 hours" in advice.text


def test_what_no_component_shows_is_told_by_a_person() -> None:
    told = {name for name, advice in ADVICE.items() if advice.told}
    assert {"pressure_switch_bypassed", "oil_left_behind", "sealant_in_circuit"} <= told
    assert "Do not leave the system running" in ADVICE["pressure_switch_bypassed"].text


@pytest.mark.parametrize(
    ("name", "exposure"),
    [
        ("wire_rubbing", "wire_rubbing"),
        ("leaf_litter", "leaf_litter"),
        ("cap_missing", "cap_missing"),
        ("cap_without_seal", "cap_seal_lost"),
        ("coastal_air", "coastal_air"),
    ],
)
def test_circumstances_bring_advice(name: str, exposure: str) -> None:
    assert exposure in ADVICE[name].exposures


def test_all_but_a_recent_service_bring_advice() -> None:
    covered = {exposure for advice in ADVICE.values() for exposure in advice.exposures}
    assert set(CATALOGUE.exposures) - covered == {"recent_service"}


@pytest.mark.parametrize("name", sorted(ADVICE))
def test_advice_says_what_to_do_and_warns(name: str) -> None:
    assert ADVICE[name].text.endswith(".")
    assert ADVICE[name].cautions


# --- settings


def test_settings_of_holds_and_waits() -> None:
    """7 l at about 3 kg on a residential split (from memory)."""
    numbers = CATALOGUE.numbers
    assert 3.0 * numbers["inner_volume_l_per_kg"] == pytest.approx(7.0, rel=0.1)
    assert 0 < numbers["waiting_share"] < 1
