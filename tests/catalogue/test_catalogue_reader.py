"""A wrong file is refused in one line that names the file, the key and what was expected."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from leakinfer.catalogue.reader import load_catalogue
from leakinfer.errors import InputError
from leakinfer.reading import shipped

FILES = (
    "components.toml",
    "exposures.toml",
    "shared.toml",
    "methods.toml",
    "settings.toml",
    "setups.toml",
    "repairs.toml",
    "advice.toml",
)

Edit = Callable[[str, str, str], Path]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A copy of the shipped files."""
    for name in FILES:
        shutil.copy(shipped("priors", name), tmp_path / name)
    return tmp_path


@pytest.fixture
def edit(folder: Path) -> Edit:
    """Replace the first occurrence of a text in one file; the text must be there."""

    def replace(name: str, old: str, new: str) -> Path:
        text = (folder / name).read_text(encoding="utf-8")
        assert old in text
        (folder / name).write_text(text.replace(old, new, 1), encoding="utf-8")
        return folder

    return replace


def refusal(folder: Path) -> str:
    """The line with which the folder is refused."""
    with pytest.raises(InputError) as caught:
        load_catalogue(folder)
    line = str(caught.value)
    assert "\n" not in line
    return line


CORE = "hazard = { mean = 0.002, gamma_shape = 4.0"
SLOW = 'outcome = "slow_foam", rate50 = 3.2e-5, slope = 1.5, false_alarm = 0.01'
AIR = "air = { still = 1.0, breeze = 6.0, wind = 20.0 }"

WRONG = {
    "wrong type": (
        "components.toml",
        CORE,
        'hazard = { mean = "often", gamma_shape = 4.0',
        ("component[0].hazard.mean", "float"),
    ),
    "negative hazard": (
        "components.toml",
        CORE,
        "hazard = { mean = -0.004, gamma_shape = 4.0",
        ("component[0].hazard.mean", "> 0"),
    ),
    "infinite hazard": (
        "components.toml",
        CORE,
        "hazard = { mean = inf, gamma_shape = 4.0",
        ("component[0].hazard.mean", "finite"),
    ),
    "no number": ("components.toml", CORE, "hazard = { mean = nan, gamma_shape = 4.0", ("component[0].hazard.mean",)),
    "wrong unit": ("components.toml", "1/component-year", "1/year", ("component[0].hazard.unit",)),
    "missing key": ("components.toml", 'name = "valve core"\n', "", ("component[0]", "name")),
    "unknown key": ("components.toml", "port = true", "prot = true", ("component[0]", "prot")),
    "unknown table": ("shared.toml", "[[shared]]", "[[sharde]]", ("sharde",)),
    "id twice": ("components.toml", 'id = "flare"', 'id = "valve_core"', ("'valve_core' is used twice",)),
    "id with a space": ("components.toml", 'id = "flare"', 'id = "flare joint"', ("flare joint", "letters")),
    "probability 1.3": (
        "exposures.toml",
        "sensitivity = 0.9",
        "sensitivity = 1.3",
        ("exposure[0].look.sensitivity", "<= 1"),
    ),
    "how it is known": ("exposures.toml", 'known = "judgement"', 'known = "certain"', ("exposure[0].ratio.known",)),
    "class of a shared unknown": ("shared.toml", '"flare"', '"flair"', ("workmanship.classes", "'flair'", "flare")),
    "class of a shared unknown twice": ("shared.toml", '"flare"', '"brazed_joint"', ("workmanship.classes", "twice")),
    "class of a technique": ("methods.toml", "\nflare = {", "\nflair = {", ("probe_point.techniques.flair", "flare")),
    "impossible without a reason": (
        "methods.toml",
        'spoils = "Fins cover the tube, nobody sees it bubble; solution in the pack only blocks it."',
        'spoils = ""',
        ("bubbles.techniques.fin_tube", "reason"),
    ),
    "rate50 falls": ("methods.toml", SLOW, SLOW.replace("3.2e-5", "3.2"), ("bubbles.grades.fast_bubbles", "rate50")),
    "false alarms rise": (
        "methods.toml",
        SLOW,
        SLOW.replace("0.01", "0.00001"),
        ("bubbles.grades.fast_bubbles", "false_alarm"),
    ),
    "slopes cross": (
        "methods.toml",
        SLOW,
        SLOW.replace("slope = 1.5", "slope = 3.0"),
        ("bubbles.grades.fast_bubbles", "slope"),
    ),
    "outcome twice": ("methods.toml", 'silent = "none"', 'silent = "slow_foam"', ("bubbles.grades", "'slow_foam'")),
    "no grade": (
        "methods.toml",
        'grades = [{ outcome = "response", rate50 = 5.0, slope = 2.0, false_alarm = 0.03 }]',
        "grades = []",
        ("probe_point.grades",),
    ),
    "unknown air": ("methods.toml", AIR, AIR.replace("breeze", "gale"), ("method[0].air", "gale")),
    "air missing": ("methods.toml", AIR, "air = { still = 1.0 }", ("probe_point.air", "still, breeze and wind")),
    "air does not rise": ("methods.toml", AIR, AIR.replace("20.0", "2.0"), ("probe_point.air", "rise")),
    "no state": ("methods.toml", 'states = ["standing"]', "states = []", ("weigh_charge.states",)),
    "unknown state": ("methods.toml", 'states = ["standing"]', 'states = ["asleep"]', ("method[6].states", "asleep")),
    "total without error": (
        "methods.toml",
        "relative_error = 0.03\nabsolute_error_g = 40.0\n",
        "",
        ("weigh_charge", "error"),
    ),
    "cause below the false alarm": (
        "methods.toml",
        'from foam insulation", false_alarm = 0.25',
        'from foam insulation", false_alarm = 0.0',
        ("probe_point.false_causes.foam", "0.03"),
    ),
    "sizes upside down": ("settings.toml", "greatest = 3.0e-4", "greatest = 1.0e-10", ("sizes", "above least")),
    "too fine a grid": ("settings.toml", "per_decade = 4", "per_decade = 40", ("sizes.per_decade", "<= 12")),
    "number twice": ("settings.toml", 'id = "charge_low"', 'id = "surprise_probability"', ("'surprise_probability'",)),
    "broken TOML": ("methods.toml", "[[method]]", "[[method]", ("line", "TOML 1.0")),
    "same key twice": ("settings.toml", "least = 1.0e-9", "least = 1.0e-9\nleast = 1.0e-8", ("line", "TOML 1.0")),
}


START = 'from_states = ["standing"]\nto = "running"\n'
HELD = 'states = ["nitrogen", "tracer"]\nhow'
SOME = '{ outcome = "gas", rate50 = 10.0, slope = 2.0, false_alarm = 0.05 }'
ROSE = '{ outcome = "rose", rate50 = 2.8e-4, slope = 3.0, false_alarm = 0.2 }'
FELL = '{ outcome = "fell", rate50 = 2.0e-2, slope = 3.0, false_alarm = 0.02 }'

WRONG |= {
    "tool twice": ("setups.toml", 'id = "scales"', 'id = "probe"', (": tool", "'probe' is used twice")),
    "set-up twice": ("setups.toml", 'id = "start"', 'id = "stop"', (": setup", "'stop' is used twice")),
    "tool of a set-up": ("setups.toml", '"recovery_unit", "scales"]', '"bucket"]', ("recover.tools", "'bucket'")),
    "tool of a set-up twice": ("setups.toml", '"recovery_unit", "scales"]', '"gauges"]', ("recover.tools", "twice")),
    "state without a way to it": ("setups.toml", START, 'to = "running"\n', ("start", "only to given", "neither")),
    "way to no state": ("setups.toml", START, 'from_states = ["standing"]\n', ("start", "only from_states given")),
    "way to itself": ("setups.toml", START, START.replace("running", "standing"), ("start.from_states", "itself")),
    "way from a state twice": ("setups.toml", '["flat", "vacuum"]', '["flat", "flat"]', ("fill_nitrogen", "twice")),
    "unknown state of a set-up": ("setups.toml", START, START.replace("running", "asleep"), ("setup[1].to", "asleep")),
    "an aid that empties": ("setups.toml", "place_each = true", "empties = true", ("shroud", "an aid that empties")),
    "work without minutes": ("setups.toml", "minutes = 10.0", "minutes = 0.0", ("setup[0].minutes", "> 0")),
    "unknown tier": ("setups.toml", 'tier = "quick"', 'tier = "cheap"', ("setup[0].tier", "cheap")),
    "tool of a method": ("methods.toml", 'tools = ["probe"]', 'tools = ["nose"]', ("probe_point.tools", "'nose'")),
    "need that is no aid": (
        "methods.toml",
        'needs = ["dye"]',
        'needs = ["recover"]',
        ("dye_look.needs", "shroud, dye"),
    ),
    "need twice": ("methods.toml", 'needs = ["dye"]', 'needs = ["dye", "dye"]', ("dye_look.needs", "twice")),
    "help that is no aid": (
        "methods.toml",
        'aided_by = ["shroud"]',
        'aided_by = ["evacuate"]',
        ("probe_sweep.aided_by", "'evacuate'"),
    ),
    "reach of nothing": (
        "methods.toml",
        'reach_of = "tracer_point"',
        'reach_of = "trace_point"',
        ("tracer_sweep.reach_of", "tracer_point"),
    ),
    "hold while running": ("methods.toml", HELD, HELD.replace("tracer", "running"), ("hold_hour.states", "or vacuum")),
    "hold in gas and vacuum": ("methods.toml", HELD, HELD.replace("tracer", "vacuum"), ("hold_hour.", "or vacuum")),
    "hold with two grades": (
        "methods.toml",
        FELL,
        f'{FELL}, {{ outcome = "fell_fast", rate50 = 1.0, slope = 3.0, false_alarm = 0.01 }}',
        ("hold_hour.grades", "2 grades", "1, for kind hold"),
    ),
    "vacuum with two grades": (
        "methods.toml",
        ROSE,
        f'{ROSE}, {{ outcome = "rose_fast", rate50 = 1.0, slope = 3.0, false_alarm = 0.1 }}',
        ("vacuum_hold.grades", "2 grades", "1, for kind hold"),
    ),
    "gather with two grades": (
        "methods.toml",
        SOME,
        f'{SOME}, {{ outcome = "much_gas", rate50 = 100.0, slope = 2.0, false_alarm = 0.01 }}',
        ("gather.grades", "2 grades", "1, for kind gather"),
    ),
    "repair of nothing": ("repairs.toml", '"fin_tube"', '"fin_tub"', ("'fin_tub'", "fin_tube")),
    "two repairs of one class": ("repairs.toml", '"fin_tube"', '"flare"', ("'flare' is used twice",)),
    "repair that always fails and more": ("repairs.toml", "fails = 0.05", "fails = 1.5", ("repair[0].fails", "<= 1")),
    "advice twice": ("advice.toml", 'id = "leaf_litter"', 'id = "plastic_cap"', ("'plastic_cap' is used twice",)),
    "advice on no circumstance": (
        "advice.toml",
        'exposures = ["leaf_litter"]',
        'exposures = ["leafs"]',
        ("leaf_litter.exposures", "'leafs'"),
    ),
    "advice on no part": (
        "advice.toml",
        'components = ["drier_liquid"]',
        'components = ["dryer_liquid"]',
        ("two_liquid_driers.components", "drier_liquid"),
    ),
    "advice that never applies": ("advice.toml", "told = true", "told = false", ("pressure_switch_bypassed", "never")),
    "advice from none of a part": ("advice.toml", "least = 2", "least = 0", ("advice[0].least", ">= 1")),
}


@pytest.mark.parametrize(("name", "old", "new", "said"), WRONG.values(), ids=WRONG.keys())
def test_a_wrong_file_is_refused(edit: Edit, name: str, old: str, new: str, said: tuple[str, ...]) -> None:
    line = refusal(edit(name, old, new))
    assert line.count(name) == 1
    for part in said:
        assert part in line


@pytest.mark.parametrize("name", FILES)
def test_a_missing_file_is_named(folder: Path, name: str) -> None:
    (folder / name).unlink()
    assert name in refusal(folder)


@pytest.mark.parametrize("name", FILES)
@pytest.mark.parametrize(
    ("content", "said"),
    [(b"", "empty"), (b" \n", "empty"), (b"\xff\xfe\x00", "not a text"), (b"a = 1\x00", "not a text")],
)
def test_an_empty_or_binary_file_is_named(folder: Path, name: str, content: bytes, said: str) -> None:
    (folder / name).write_bytes(content)
    line = refusal(folder)
    assert name in line
    assert said in line


@pytest.mark.parametrize("name", ["components.toml", "methods.toml", "settings.toml", "repairs.toml"])
def test_a_file_of_comments_lacks_its_tables(folder: Path, name: str) -> None:
    (folder / name).write_text("# nothing\n", encoding="utf-8")
    assert name in refusal(folder)


def test_a_folder_may_do_without_exposures_shared_unknowns_and_advice(folder: Path) -> None:
    for name in ("exposures.toml", "shared.toml", "advice.toml"):
        (folder / name).write_text("# none here\n", encoding="utf-8")
    read = load_catalogue(folder)
    assert (read.exposures, read.shared, read.advice) == ({}, {}, {})


def test_every_component_class_needs_a_repair(folder: Path) -> None:
    text = (folder / "repairs.toml").read_text(encoding="utf-8")
    last = text.rindex("[[repair]]")
    (folder / "repairs.toml").write_text(text[:last], encoding="utf-8")
    line = refusal(folder)
    assert "repairs.toml" in line
    assert "no repair for 'elsewhere'" in line


def test_a_repair_without_a_caution_is_refused(folder: Path) -> None:
    text = (folder / "repairs.toml").read_text(encoding="utf-8")
    bare = re.sub(r"cautions = \[\n.*?\n\]", "cautions = []", text, count=1, flags=re.DOTALL)
    (folder / "repairs.toml").write_text(bare, encoding="utf-8")
    line = refusal(folder)
    assert "repairs.toml: valve_core.cautions" in line
    assert "one or more" in line


def test_without_set_ups_the_first_tool_that_a_method_names_is_refused(folder: Path) -> None:
    (folder / "setups.toml").write_text("# none here\n", encoding="utf-8")
    line = refusal(folder)
    assert "probe_point.tools" in line
    assert "unknown tool 'probe'" in line


def test_digest_follows_content_not_layout(edit: Edit, folder: Path) -> None:
    before = load_catalogue().digest
    assert load_catalogue(folder).digest == before
    edit("settings.toml", "[sizes]", "# a note\n[sizes]   ")
    assert load_catalogue(folder).digest == before
    edit("settings.toml", "value = 0.95", "value = 0.96")
    assert load_catalogue(folder).digest != before


def test_digest_follows_every_file(folder: Path) -> None:
    before = load_catalogue(folder).digest
    for name in FILES:
        text = (folder / name).read_text(encoding="utf-8")
        (folder / name).write_text(text.replace('source = "', 'source = "changed: ', 1), encoding="utf-8")
        assert load_catalogue(folder).digest != before
        (folder / name).write_text(text, encoding="utf-8")
    assert load_catalogue(folder).digest == before


def test_the_shipped_catalogue_is_read_once() -> None:
    assert load_catalogue() is load_catalogue()
