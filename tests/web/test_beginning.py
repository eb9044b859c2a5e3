"""What jobs of the page begin with: priors that a fleet gave, systems of one's own."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from leakinfer.catalogue.learned import write_learned
from leakinfer.circuit.reader import load_system
from leakinfer.cli import main
from leakinfer.errors import InputError
from leakinfer.reading import shipped
from leakinfer.session.beginning import Beginning, beginning_with
from leakinfer.session.jobfile import opened
from leakinfer.store import Shelf
from leakinfer.web.app import make_app
from leakinfer.web.doors import Doors
from tests.cli.helpers import answer
from tests.report.fleet.example import example, untrusted
from tests.web.helpers import Person, events_of

FLEET = "riors learned from a fleet of 1,204 systems"


def own_system(folder: Path, id_: str = "cellar_store", file: str = "cellar.toml") -> Path:
    """An invented system: the shipped walk-in cooler under another id and name, with one place called otherwise."""
    shipped_one = load_system("walk_in_cooler")
    text = (shipped("priors", "systems") / "walk_in_cooler.toml").read_text("utf-8")
    for old, new in (
        ('id = "walk_in_cooler"', f'id = "{id_}"'),
        (f'name = "{shipped_one.name}"', 'name = "Cellar store"'),
        (f'name = "{shipped_one.sites[0].name}"', 'name = "nut behind the cellar window"'),
    ):
        assert old in text
        text = text.replace(old, new, 1)
    path = folder / file
    path.write_text(text, "utf-8")
    return path


def learned(folder: Path) -> Path:
    path = folder / "learned.toml"
    write_learned(example(), path)
    return path


def person(shelf: Path, beginning: Beginning) -> Person:
    return Person(make_app(Shelf.open(shelf), Doors(), beginning))


def test_a_job_begins_with_the_learned_priors_as_by_the_command(
    shelf: Path, tmp_path_factory: pytest.TempPathFactory
) -> None:
    apart = tmp_path_factory.mktemp("priors")
    file = learned(apart)
    page = person(shelf, beginning_with((), file, untrusted=False))
    assert "P" + FLEET in page.get("/new/ducted_split").words
    job_id = page.begin(age="11")
    assert "p" + FLEET in page.get(f"/job/{job_id}").words
    answer("new", apart / "a.job", "--system", "ducted_split", "--age", "11 years", "--priors", file)
    first, same = events_of(shelf, job_id)[0].body, events_of(apart, "a")[0].body
    assert first["priors_file"] == same["priors_file"] == str(file)
    assert first["priors"] == same["priors"]
    with opened(shelf / f"{job_id}.job") as ours, opened(apart / "a.job") as theirs:
        assert ours.job.catalogue == theirs.job.catalogue


def test_without_them_a_job_begins_with_the_shipped_ones(shelf: Path) -> None:
    page = person(shelf, Beginning())
    assert FLEET not in page.get("/new/ducted_split").words
    assert "priors_file" not in events_of(shelf, page.begin())[0].body


def test_what_a_fleet_learned_that_is_not_trusted_is_taken_only_if_allowed(shelf: Path, tmp_path: Path) -> None:
    file = tmp_path / "doubtful.toml"
    write_learned(untrusted(), file)
    with pytest.raises(InputError, match="not trusted"):
        beginning_with((), file, untrusted=False)
    page = person(shelf, beginning_with((), file, untrusted=True))
    assert events_of(shelf, page.begin())[0].body["priors_untrusted"] is True


def test_a_system_of_ones_own_is_offered_first_and_begun(shelf: Path, tmp_path_factory: pytest.TempPathFactory) -> None:
    apart = tmp_path_factory.mktemp("systems")
    page = person(shelf, beginning_with([own_system(apart)], None, untrusted=False))
    links = [link for link in page.get("/new").links if link.startswith("/new/")]
    assert links[0] == "/new/cellar_store"
    assert len(links) == len(set(links)) == 6
    job_id = page.begin("cellar_store")
    with opened(shelf / f"{job_id}.job") as held:
        assert held.job.system.name == "Cellar store"
    assert "nut behind the cellar window" in page.get(f"/job/{job_id}/places").words.lower()
    person(shelf, Beginning()).get("/new/cellar_store", 404)


def test_a_taken_or_odd_id_is_refused(tmp_path: Path) -> None:
    file = own_system(tmp_path)
    with pytest.raises(InputError, match="there is a system 'cellar_store' already"):
        beginning_with([file, file], None, untrusted=False)
    with pytest.raises(InputError, match="there is a system 'walk_in_cooler' already"):
        beginning_with([own_system(tmp_path, "walk_in_cooler")], None, untrusted=False)
    with pytest.raises(InputError, match=r"odd.toml: id: 'a/b' is not an id; allowed: a-z, 0-9 and _"):
        beginning_with([own_system(tmp_path, "a/b", "odd.toml")], None, untrusted=False)


def test_the_command_refuses_before_it_serves(tmp_path: Path) -> None:
    for given, says in (
        (("--system", str(tmp_path / "none.toml")), "none.toml"),
        (("--priors", str(tmp_path / "none.toml")), "none.toml"),
        (("--system", "ducted_split"), "there is a system 'ducted_split' already; allowed: another id"),
    ):
        result = CliRunner().invoke(main, ["serve", str(tmp_path), *given])
        assert result.exit_code == 2
        assert says in result.stderr
        assert len(result.stderr.strip().splitlines()) == 1
