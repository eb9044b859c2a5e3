"""Readings of ``record``: the outcome is worked out, the verdict is said in words, slips are refused."""

from __future__ import annotations

from pathlib import Path

import pytest

from .helpers import answer, begun, page, refusal

PSI = 6.894757293168361  # kPa, by its definition
MICRON = 0.133322387415  # Pa: a thousandth of a conventional millimetre of mercury (BS 350)

HOLD = ("--start", "232psi", "--end", "229psi", "--start-temp", "75F", "--end-temp", "70F", "--hours", "24")
RISE = ("--start", "500 micron", "--end", "900 micron", "--minutes", "20", "--temp", "70F")
GATHERED = ("--volume", "40 l", "--minutes", "30", "--start-ppm", "0", "--end-ppm", "12")


@pytest.fixture
def job(tmp_path: Path) -> Path:
    return begun(tmp_path, "--age", "11 years", "--loss", "0.9 kg", "--over", "18 months", "--state", "flat")


def test_a_hold_is_read_and_judged(job: Path) -> None:
    told = answer("record", job, "hold_day", "whole", "--state", "nitrogen", *HOLD)
    hold = told["finding"]["hold"]
    assert hold["start_kpa"] == pytest.approx(232 * PSI)
    assert hold["end_kpa"] == pytest.approx(229 * PSI)
    assert (hold["start_c"], hold["end_c"]) == (pytest.approx(43 / 1.8), pytest.approx(38 / 1.8))
    assert hold["hours"] == 24.0
    assert told["finding"]["condition"]["test_kpa"] == hold["start_kpa"]
    assert told["finding"]["outcome"] == "held"
    assert set(told["verdict"]) == {
        *("word", "g_per_year", "tight_to_g_per_year", "matters_g_per_year", "standing_c", "hours"),
    }
    assert told["verdict"]["word"] == "cannot_tell"
    assert told["verdict"]["tight_to_g_per_year"] > told["verdict"]["matters_g_per_year"]


def test_the_verdict_is_said_in_words(job: Path) -> None:
    one = ("--state", "nitrogen", "--start", "232psi", "--start-temp", "75F", "--end-temp", "75F")
    said = " ".join(page("record", job, "hold_day", "whole", *one, "--end", "232psi", "--hours", "24").split())
    assert "Cannot tell yet" in said
    assert "it must last" in said
    said = " ".join(page("record", job, "hold_day", "whole", *one, "--end", "190psi", "--hours", "24 h").split())
    assert "Leaks: as much as about" in said
    assert "of R-410A at rest at 22 C" in said
    fine = ("--resolution", "0.01psi", "--accuracy", "0.01psi", "--hours", "1900")
    page("fact", job, "matters=200 g/yr")
    said = " ".join(page("record", job, "hold_day", "whole", *one, "--end", "232psi", *fine).split())
    assert "Tight to" in said
    assert "from 200 g/yr on it matters" in said


def test_a_part_that_is_shut_off_is_held_alone(job: Path) -> None:
    page("fact", job, "state=nitrogen", "test=232psi", "isolated=outdoor_unit")
    told = answer("record", job, "hold_day", "outdoor_unit", *HOLD)
    assert told["finding"]["condition"]["sections"] == ["outdoor_high_side", "compressor"]
    assert "outdoor_unit" in refusal("record", job, "hold_day", "whole", *HOLD)
    other = answer("record", job, "hold_day", "lines_and_coil", *HOLD)
    assert other["finding"]["condition"]["sections"] == ["liquid_line", "suction_line", "indoor"]
    assert answer("record", job, "hold_day", "whole", *HOLD, "--isolated", "whole")["finding"]["target"] == "whole"


def test_a_vacuum_takes_its_only_state(job: Path) -> None:
    middle = ("--middle", "890 micron", "--middle-minutes", "10 min")
    told = answer("record", job, "vacuum_hold", "whole", *RISE, *middle)
    rise = told["finding"]["rise"]
    assert rise["start_pa"] == pytest.approx(500 * MICRON)
    assert rise["middle_pa"] == pytest.approx(890 * MICRON)
    assert (rise["minutes"], rise["middle_minutes"]) == (20.0, 10.0)
    assert rise["temperature_c"] == pytest.approx(38 / 1.8)
    assert told["finding"]["condition"]["state"] == "vacuum"
    assert told["finding"]["outcome"] == "rose"
    assert told["verdict"]["word"] == "moisture"
    page("undo", job)
    said = " ".join(page("record", job, "vacuum_hold", "whole", *RISE, *middle).split())
    assert "Moisture explains the rise" in said
    assert "500 to 900 micron in 20 min" in said


def test_pa_are_as_good_as_microns(job: Path) -> None:
    told = answer("record", job, "vacuum_hold", "whole", "--start", "66.7 Pa", "--end", "70 Pa", *RISE[4:])
    assert told["finding"]["rise"]["start_pa"] == pytest.approx(66.7)
    assert told["finding"]["outcome"] == "held"


def test_gas_under_a_shroud(job: Path) -> None:
    page("fact", job, "state=standing")
    told = answer("record", job, "gather", "service_valves", *GATHERED)
    assert told["finding"]["gathered"] == {"volume_l": 40.0, "minutes": 30.0, "start_ppm": 0.0, "end_ppm": 12.0}
    assert told["finding"]["outcome"] == "gas"
    assert told["verdict"]["word"] == "leaks"
    quiet = answer("record", job, "gather", "outside_run", *GATHERED[:-1], "0 ppm")
    assert quiet["finding"]["outcome"] == "nothing"


def test_an_outcome_may_be_told_beside_its_reading_if_it_fits(job: Path) -> None:
    answer("record", job, "hold_day", "whole", "held", "--state", "nitrogen", *HOLD)
    line = refusal("record", job, "hold_day", "whole", "fell", *HOLD)
    assert "'held', not 'fell'" in line


def test_a_hold_in_words_alone_needs_no_reading(job: Path) -> None:
    more = ("--state", "nitrogen", "--test-pressure", "16 bar")
    told = answer("record", job, "hold_hour", "whole", "held", *more)
    assert "hold" not in told["finding"]
    assert told["verdict"] is None


@pytest.mark.parametrize(
    ("more", "named"),
    [
        (("hold_day", "whole", "--state", "nitrogen", *HOLD[:-2]), "--hours"),
        (("hold_day", "whole", "--state", "nitrogen", *HOLD[:-1], "a day"), "--hours"),
        (("hold_day", "whole", "--state", "nitrogen", *HOLD[:-1], "0"), "hours"),
        (("hold_day", "whole", "--state", "nitrogen", *HOLD[:-1], "1e999"), "hours"),
        (("hold_day", "whole", *HOLD), "state"),  # flat: no test gas in it
        (("hold_day", "whole", "--state", "nitrogen", *HOLD, "--minutes", "20"), "--minutes"),
        (("hold_day", "whole", "--state", "nitrogen", *HOLD, "--test-pressure", "100psi"), "--test-pressure"),
        (("hold_day", "whole", "--state", "nitrogen", "--start", "500 micron", *HOLD[2:]), "--start"),
        (("hold_day", "whole", "--state", "nitrogen", "--start", "800psi", *HOLD[2:]), "rating"),
        (("hold_day", "whole", "--state", "nitrogen", *HOLD[:3], "260psi", *HOLD[4:]), "hold"),  # it rose
        (("hold_day", "whole", "--state", "nitrogen", *HOLD[:7], "200F", *HOLD[8:]), "end"),
        (("hold_day", "whole", "--state", "nitrogen", *HOLD, "--resolution", "0 psi"), "resolution"),
        (("hold_day", "whole", "--state", "nitrogen", *HOLD, "--volume", "7"), "--volume"),
        (("vacuum_hold", "whole", *RISE[:-2]), "--temp"),
        (("vacuum_hold", "whole", *RISE, "--middle", "700 micron"), "middle"),
        (("vacuum_hold", "whole", *RISE[:1], "9 psi", *RISE[2:]), "--start"),
        (("vacuum_hold", "whole", *RISE[:3], "100 micron", *RISE[4:]), "rise"),  # it fell
        (("gather", "service_valves", "--state", "standing", *GATHERED[:-2]), "--end-ppm"),
        (("gather", "service_valves", "--state", "standing", *GATHERED[:-1], "lots"), "--end-ppm"),
        (("gather", "service_valves", "--state", "standing", *GATHERED[:-1], "50000"), "gathered"),
        (("probe_point", "liquid_port_core", "--state", "standing", *HOLD), "--start"),
        (("hold_day", "whole", "--state", "nitrogen"), "outcome"),
    ],
)
def test_a_reading_that_cannot_be_is_refused(job: Path, more: tuple[str, ...], named: str) -> None:
    before = job.read_bytes()
    assert named in refusal("record", job, *more)
    assert job.read_bytes() == before
