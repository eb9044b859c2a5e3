"""``notes`` and ``advice``."""

from __future__ import annotations

from pathlib import Path

import pytest

from leakinfer.job.advice import advice_for
from tests.job.small import CATALOGUE, shipped_job

from .helpers import answer, begun, page, refusal

NOTE_KEYS = {
    *("site", "name", "component", "repair", "verify", "prevent", "minutes", "opens_circuit", "fails", "cautions"),
    *("source", "known"),
}


def test_notes_of_every_site_of_every_system(tmp_path: Path) -> None:
    for system in ("ducted_split", "walk_in_cooler"):
        path = begun(tmp_path, name=f"{system}.job", system=system)
        for site in {s.component: s for s in shipped_job(system).sites}.values():
            told = answer("notes", path, site.id)
            assert set(told) == NOTE_KEYS
            assert told["component"] == site.component
            assert told["repair"] == CATALOGUE.repairs[site.component].repair
            assert told["verify"]


def test_the_screen_of_notes_begins_with_the_cautions(tmp_path: Path) -> None:
    path = begun(tmp_path)
    shown = page("notes", path, "suction_port_core")
    flat = " ".join(shown.split())
    order = [
        flat.index(words) for words in ("bare, it shoots out", "repair Seat it first", "prove it", "lasts", "fail")
    ]
    assert order == sorted(order)
    assert "Flammable" not in shown


def test_fire_is_warned_of_first_where_it_can_burn(tmp_path: Path) -> None:
    """R-32 is of safety class A2L (ISO 817, ASHRAE 34; from memory)."""
    told = answer("notes", begun(tmp_path, "--refrigerant", "R-32"), "suction_port_core")
    assert told["cautions"][0].startswith("Flammable")


def test_advice_is_that_of_the_job(tmp_path: Path) -> None:
    path = begun(tmp_path, "--seen", "litter_at_compressor", "--noticed", "oil_left_behind")
    told = answer("advice", path)["advice"]
    job = shipped_job("ducted_split", circumstances={"litter_at_compressor": True}, seen=("oil_left_behind",))
    assert [entry["advice"] for entry in told] == [entry.id for entry in advice_for(job)]
    assert {"leaf_litter", "oil_left_behind"} <= {entry["advice"] for entry in told}
    assert all(set(e) == {"advice", "name", "text", "cautions", "source", "known"} for e in told)
    shown = page("advice", path)
    assert "oil left from earlier work" in shown
    assert "relief_lifted" in shown  # what may still be told
    assert "oil_left_behind" not in shown.split("If you see it")[1]


@pytest.mark.parametrize("site", ["attic_joint", "indoor_coil"])
def test_an_unknown_site_is_refused(tmp_path: Path, site: str) -> None:
    assert "unknown site" in refusal("notes", begun(tmp_path), site)
