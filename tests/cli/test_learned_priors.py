"""A file of learned priors in a job, and the page on it."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest
from msgspec.structs import replace

from leakinfer.catalogue.learned import LearnedPriors, Moved, write_learned
from leakinfer.circuit.reader import load_system
from leakinfer.reading import shipped
from tests.report.fleet.example import CATALOGUE, example, untrusted

from .helpers import answer, begun, page, refusal, run

FLEET = "priors learned from a fleet of 1,204 systems, 2014-03-02 to 2026-10-30 (fitted 2026-11-25"
AGE = 11.0


def written(folder: Path, learned: LearnedPriors | None = None, name: str = "learned.toml") -> Path:
    path = folder / name
    write_learned(learned or example(), path)
    return path


def job_with(folder: Path, *more: str, system: str = "ducted_split") -> Path:
    return begun(folder, "--age", f"{AGE:g} years", "--priors", str(written(folder)), *more, system=system)


def chances(path: Path, *more: str | Path) -> dict[str, float]:
    return {site["site"]: site["leak_probability"] for site in answer("sites", path, *more)["sites"]}


def plain_sites(system: str) -> list[Any]:
    """Single sites on which nothing but the class and the age bears: their prior has a closed form."""
    found = load_system(system)
    touched = {site for circumstance in found.circumstances for site in circumstance.sites}
    shared = {kind for unknown in CATALOGUE.shared.values() for kind in unknown.classes}
    return [
        site
        for site in found.sites
        if site.count == 1 and not site.exposures and site.id not in touched and site.component not in shared
    ]


def test_the_prior_of_a_site_is_that_of_the_learned_numbers(tmp_path: Path) -> None:
    """By hand from the file: 1 - (1 + e / a)^-a, with e = mean x factor x 10 x (age / 10)^weibull (gamma-Poisson)."""
    path = job_with(tmp_path, system="ductless_split")
    file = tomllib.loads((tmp_path / "learned.toml").read_text("utf-8"))
    classes = {part["id"]: part for part in file["component"]}
    factor = next(part["factor"]["value"] for part in file["system"] if part["id"] == "ductless_split")
    got, compared = chances(path), 0
    for site in plain_sites("ductless_split"):
        if site.component in classes:
            part, compared = classes[site.component], compared + 1
            shape = part["gamma_shape"]["value"]
            expected = part["mean"]["value"] * factor * 10.0 * (AGE / 10.0) ** part["weibull"]["value"]
            assert got[site.id] == pytest.approx(1 - (1 + expected / shape) ** -shape, rel=1e-9)
    assert compared >= 2


def test_a_class_that_the_file_does_not_name_keeps_its_prior(tmp_path: Path) -> None:
    """The same closed form with the shipped numbers, without the factor of the type of system."""
    site = plain_sites("ductless_split")[0]
    kept, learned = CATALOGUE.components[site.component], example()
    few = replace(learned, component=tuple(part for part in learned.component if part.id != kept.id))
    options = ("--priors", str(written(tmp_path, few)), "--age", f"{AGE:g} years")
    got = chances(begun(tmp_path, *options, system="ductless_split"))
    shape = kept.hazard.gamma_shape
    expected = kept.hazard.mean * 10.0 * (AGE / 10.0) ** kept.age.weibull
    assert got[site.id] == pytest.approx(1 - (1 + expected / shape) ** -shape, rel=1e-9)


def test_next_and_why_tell_of_the_fleet_in_one_line(tmp_path: Path) -> None:
    path = job_with(tmp_path)
    for command in (("next", path), ("why", path, "liquid_port_core")):
        notices = answer(*command)["notices"]
        assert len(notices) == 1
        assert notices[0].startswith(FLEET)
        shown = page(*command, columns=100)
        assert " ".join(shown.split()).count(FLEET) == 1
    sources = answer("why", path, "liquid_port_core")["notes"]
    assert any("learned from 1,204 systems" in source for source in sources)
    assert answer("next", begun(tmp_path, name="plain.job"))["notices"] == []


def test_new_and_fact_tell_of_the_fleet(tmp_path: Path) -> None:
    file = written(tmp_path)
    told = answer("new", tmp_path / "a.job", "--system", "ducted_split", "--priors", file)
    assert told["notices"][0].startswith(FLEET)
    assert FLEET in " ".join(page("fact", tmp_path / "a.job", "air=wind", columns=100).split())


def test_a_system_that_the_fleet_does_not_have_is_told(tmp_path: Path) -> None:
    notices = answer("next", job_with(tmp_path, system="heat_pump"))["notices"]
    assert notices[0].endswith("; it tells of no heat_pump")
    rack = begun(tmp_path, "--priors", str(tmp_path / "learned.toml"), system="rack_store:60", name="rack.job")
    assert answer("sites", rack)["notices"][0].endswith("; it tells of no rack_store")


def test_a_moved_file_is_refused_and_a_changed_one_is_told(tmp_path: Path) -> None:
    path = job_with(tmp_path)
    before = chances(path)
    file = tmp_path / "learned.toml"
    away = file.rename(tmp_path / "elsewhere.toml")
    line = refusal("next", path)
    assert line == f"leakinfer: {file}: the learned priors of this job are not there; allowed: --priors FILE|FOLDER"
    assert [notice[: len(FLEET)] for notice in answer("sites", path, "--priors", away)["notices"]] == [FLEET]
    assert chances(path, "--priors", away) == before
    assert len(answer("next", path, "--priors", shipped("priors"))["notices"]) == 1
    text = away.read_text("utf-8")
    file.write_text(text.replace("leaks = 60", "leaks = 61"), "utf-8")
    assert "not those that this job began with" in answer("next", path)["notices"][1]


def test_a_file_that_is_not_trusted_needs_a_word(tmp_path: Path) -> None:
    file = written(tmp_path, untrusted(), "bad.toml")
    path, options = tmp_path / "a.job", ("--system", "ducted_split", "--priors", file)
    line = refusal("new", path, *options)
    assert "bad.toml: learned priors are not trusted: R-hat 1.240" in line
    assert "--untrusted" in line
    assert not path.exists()
    page("new", path, *options, "--untrusted")
    notices = answer("next", path)["notices"]
    assert notices[0].startswith(FLEET)
    assert ", not trusted)" in notices[0]
    assert notices[1].startswith("these learned priors are not trusted: R-hat 1.240")
    other = begun(tmp_path, name="other.job")
    assert "not trusted" in refusal("next", other, "--priors", file)


def test_a_trusted_file_that_becomes_untrusted_is_refused(tmp_path: Path) -> None:
    path = job_with(tmp_path)
    write_learned(untrusted(), tmp_path / "learned.toml")
    assert "not trusted" in refusal("next", path)


def test_a_wrong_file_is_refused_in_one_line(tmp_path: Path) -> None:
    first = example().component[0]
    strange = replace(example(), component=(replace(first, mean=Moved(1.0, 1.0, 1.0, first.mean.shipped * 1.1)),))
    for name, learned, words in (
        ("strange.toml", replace(example(), component=(replace(first, id="warp_core"),)), "unknown component class"),
        ("other.toml", strange, "component.valve_core.mean: replaces"),
    ):
        file = written(tmp_path, learned, name)
        assert words in refusal("new", tmp_path / "a.job", "--system", "ducted_split", "--priors", file)
        assert words in run("check", file).stderr
    system = shipped("priors", "systems", "heat_pump.toml")
    for path, words in (
        (system, "heat_pump.toml: holds no learned priors"),
        ("none.toml", "none.toml: cannot be read"),
    ):
        assert words in refusal("new", tmp_path / "a.job", "--system", "ducted_split", "--priors", path)
    assert not (tmp_path / "a.job").exists()


def test_check_tells_learned_priors_from_a_system(tmp_path: Path) -> None:
    good, bad = written(tmp_path), written(tmp_path, untrusted(), "bad.toml")
    shown = page("check", good, bad, shipped("priors", "systems", "heat_pump.toml"), columns=200).splitlines()
    assert [line.split("(")[1].split(":")[0] for line in shown] == ["learned priors", "learned priors", "system"]
    assert "not trusted" in shown[1]
    assert "not trusted" not in shown[0]
    broken = tmp_path / "broken.toml"
    broken.write_text(good.read_text("utf-8").replace("seed = 7", "seed = seven"), "utf-8")
    found = run("check", broken)
    assert (found.exit_code, found.stderr.count("broken.toml: Invalid value")) == (2, 1)


def test_methods_shows_the_learned_numbers(tmp_path: Path) -> None:
    file = written(tmp_path)
    assert "learned from" in page("methods", "bubbles", "--priors", file, columns=100)


def test_the_report_is_written_beside_the_file_or_where_one_says(tmp_path: Path) -> None:
    file, out = written(tmp_path), tmp_path / "pages.html"
    told = answer("fleet", "report", file)
    assert told == {"page": str(tmp_path / "learned.html"), "trusted": True}
    page("fleet", "report", file, "--out", out)
    assert out.read_text("utf-8") == (tmp_path / "learned.html").read_text("utf-8")
    assert out.read_text("utf-8").startswith("<!DOCTYPE html>")


def test_the_report_of_an_untrusted_file_is_written_and_says_so(tmp_path: Path) -> None:
    shown = page("fleet", "report", written(tmp_path, untrusted()))
    assert "not to be trusted" in shown
    assert "Do not act on this page" in (tmp_path / "learned.html").read_text("utf-8")


def test_no_report_on_what_is_no_learned_file(tmp_path: Path) -> None:
    system = shipped("priors", "systems", "heat_pump.toml")
    assert "heat_pump.toml" in refusal("fleet", "report", system, "--out", tmp_path / "page.html")
    assert "nowhere.toml" in refusal("fleet", "report", "nowhere.toml")
    assert "cannot" in refusal("fleet", "report", written(tmp_path), "--out", tmp_path / "none" / "page.html")
    assert not (tmp_path / "page.html").exists()
