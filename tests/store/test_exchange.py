"""A job goes out as one JSON file and comes back the same; what was changed on the way is refused in one line."""

from __future__ import annotations

import copy
import hashlib
import json
import math
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as some

from leakinfer.errors import InputError
from leakinfer.store import (
    Journal,
    Shelf,
    create,
    export_json,
    export_text,
    import_json,
    parse_export,
    write_export,
)

from .helpers import contents, quick_folder

JSON = some.recursive(
    some.none() | some.booleans() | some.integers() | some.floats(allow_nan=False, allow_infinity=False) | some.text(),
    lambda inner: some.lists(inner, max_size=4) | some.dictionaries(some.text(), inner, max_size=4),
    max_leaves=12,
)
BODIES = some.dictionaries(some.text(), JSON, max_size=4)


@pytest.fixture
def folder() -> Iterator[Path]:
    with quick_folder() as quick:
        yield quick


@pytest.fixture(scope="module")
def exported() -> dict[str, Any]:
    """A job with an undo, tokens and texts of all kinds."""
    with quick_folder() as quick, create(quick / "job", {"title": "Loft"}, who="Ada", token="new") as journal:
        journal.append("finding", {"n": 1, "at": ["λ", -0.0, 1.0, 2**70]}, who="Bö", expected_last=1, token="tap 1")
        journal.undo_last("Ada", token="tap 2")
        journal.append("note", {"text": 'a "b"\n\u2028'}, who="", expected_last=3)
        return export_json(journal)


def rechained(data: dict[str, Any]) -> dict[str, Any]:
    """The data with checksums that fit them, reckoned as the head of ``exchange.py`` tells, with hashlib and json."""
    made = copy.deepcopy(data)
    previous = bytes(32)
    for event in made["events"]:
        body = json.dumps(event["body"], ensure_ascii=False, sort_keys=True, separators=(",", ":"))
        content = [event["number"], event["kind"], body, event["when"], event["who"]]
        content += [] if event["token"] is None else [event["token"]]
        previous = hashlib.sha256(previous + json.dumps(content).encode("ascii")).digest()
        event["checksum"] = previous.hex()
    made["seal"] = previous.hex()
    return made


def refused(data: Any, folder: Path) -> str:
    """The one line with which an import is refused; no file may appear."""
    before = contents(folder)
    with pytest.raises(InputError) as error:
        import_json(data, folder / "new.job", where="file.json")
    assert contents(folder) == before
    line = str(error.value)
    assert "\n" not in line
    assert line.startswith("file.json: ")
    return line


def test_the_file_says_what_its_description_says(exported: dict[str, Any]) -> None:
    assert rechained(exported) == exported
    assert set(exported) == {"format", "version", "events", "seal"}
    assert (exported["format"], exported["version"]) == ("leakinfer job", 1)
    assert [event["number"] for event in exported["events"]] == [1, 2, 3, 4]
    assert [event["token"] for event in exported["events"]] == ["new", "tap 1", "tap 2", None]
    assert exported["events"][2]["body"] == {"number": 2}


def test_it_comes_back_the_same(exported: dict[str, Any], folder: Path) -> None:
    write_export(exported, folder / "job.json")
    assert (folder / "job.json").read_text("utf-8") == export_text(exported)
    back = parse_export((folder / "job.json").read_text("utf-8"), "job.json")
    path = import_json(back, folder / "new.job")
    assert sorted(contents(folder)) == ["job.json", "new.job"]
    with Journal.open(path) as journal:
        assert export_json(journal) == exported
        assert (
            journal.append(
                "finding", {"n": 1, "at": ["λ", -0.0, 1.0, 2**70]}, who="Bö", expected_last=None, token="tap 1"
            ).number
            == 2
        )
        assert journal.append("note", {}, who="Ada", expected_last=4).number == 5


@given(bodies=some.lists(some.tuples(BODIES, some.text(), some.booleans()), max_size=4), first=BODIES)
def test_any_job_comes_back_the_same(bodies: list[tuple[dict[str, Any], str, bool]], first: dict[str, Any]) -> None:
    with quick_folder() as quick, create(quick / "a", first) as journal:
        for number, (body, who, named) in enumerate(bodies):
            journal.append("note", body, who=who, expected_last=None, token=f"tap {number}" if named else None)
        text = export_text(export_json(journal))
        with Journal.open(import_json(parse_export(text, "text"), quick / "b")) as other:
            assert other.rows() == journal.rows()
            assert export_text(export_json(other)) == text


CHANGES: dict[str, Callable[[dict[str, Any]], Any]] = {
    "a body": lambda data: data["events"][1]["body"].update(n=2),
    "1.0 to 1": lambda data: data["events"][1]["body"]["at"].__setitem__(2, 1),
    "a kind": lambda data: data["events"][1].update(kind="note"),
    "a moment": lambda data: data["events"][1].update(when="2026-01-01T00:00:00.000Z"),
    "a person": lambda data: data["events"][1].update(who="Eve"),
    "a token": lambda data: data["events"][1].update(token=None),
    "a checksum": lambda data: data["events"][3].update(checksum="0" * 64),
    "the seal": lambda data: data.update(seal="0" * 64),
    "the last event taken off": lambda data: data["events"].pop(),
    "the first event taken off": lambda data: data["events"].pop(0),
    "an event taken out": lambda data: data["events"].pop(1),
    "events changed round": lambda data: data["events"].reverse(),
    "an event twice": lambda data: data["events"].append(data["events"][3]),
}


@pytest.mark.parametrize("change", CHANGES)
def test_what_was_changed_is_refused(exported: dict[str, Any], folder: Path, change: str) -> None:
    data = copy.deepcopy(exported)
    CHANGES[change](data)
    assert "was changed (" in refused(data, folder)


WRONG: dict[str, Callable[[dict[str, Any]], Any]] = {
    "no events": lambda data: data.update(events=[]),
    "another format": lambda data: data.update(format="recipe"),
    "version 0": lambda data: data.update(version=0),
    "a newer version": lambda data: data.update(version=2),
    "something more": lambda data: data.update(more=1),
    "something more in an event": lambda data: data["events"][0].update(more=1),
    "something missing": lambda data: data["events"][0].pop("token"),
    "a number in words": lambda data: data["events"][0].update(number="1"),
    "a number that is true": lambda data: data["events"][0].update(number=True),
    "a body that is a list": lambda data: data["events"][0].update(body=[]),
    "a blank kind": lambda data: data["events"][0].update(kind=""),
    "no day": lambda data: data["events"][0].update(when="2026-02-30T00:00:00.000Z"),
    "no moment": lambda data: data["events"][0].update(when="yesterday"),
    "a token twice": lambda data: data["events"][1].update(token="new"),
    "a blank token": lambda data: data["events"][1].update(token=""),
    "a long token": lambda data: data["events"][1].update(token="x" * 201),
    "an undo of the first": lambda data: data["events"][2].update(body={"number": 1}),
    "an undo of itself": lambda data: data["events"][2].update(body={"number": 3}),
    "an undo of nothing": lambda data: data["events"][2].update(body={}),
    "an undo first": lambda data: data["events"][0].update(kind="undo"),
    "not a number": lambda data: data["events"][0].update(body={"a": math.nan}),
    "half a character": lambda data: data["events"][0].update(who="\ud800"),
    "half a character in a name": lambda data: data.update({"\ud800": 1}),
}


@pytest.mark.parametrize("wrong", WRONG)
def test_what_is_no_job_is_refused_also_with_checksums_that_fit(
    exported: dict[str, Any], folder: Path, wrong: str
) -> None:
    data = copy.deepcopy(exported)
    WRONG[wrong](data)
    refused(data, folder)
    try:
        sealed = rechained(data)
    except (KeyError, TypeError):
        return  # nothing to reckon checksums of
    refused(sealed, folder)


def test_a_newer_version_says_so(exported: dict[str, Any], folder: Path) -> None:
    assert "has version 2; allowed: version 1, or a newer leakinfer" in refused({**exported, "version": 2}, folder)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "null",
        "[]",
        "7",
        "{",
        '{"format": NaN}',
        '{"format": Infinity}',
        '{"a": 1, "a": 1}',
        "[" * 100_000,
        '{"a":' * 100_000,
        '{"a": ' + "9" * 5000 + "}",
    ],
    ids=lambda text: text[:20],
)
def test_a_text_that_is_no_json_object_is_refused(text: str) -> None:
    with pytest.raises(InputError, match=r"^file: is not [^\n]*; allowed: a file written by 'leakinfer export'"):
        parse_export(text, "file")


def _paths(data: Any, at: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Where every value of the data is, the whole included."""
    yield at
    inner = data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else ()
    for key, value in inner:
        yield from _paths(value, (*at, key))


def _replaced(data: Any, at: tuple[Any, ...], value: Any) -> Any:
    if not at:
        return value
    made = copy.copy(data)
    made[at[0]] = _replaced(data[at[0]], at[1:], value)
    return made


def outcome(text: str, folder: Path) -> Path | str:
    """The file that an import of that text made, or the line with which it was refused."""
    try:
        return import_json(parse_export(text, "file.json"), folder / "new.job", where="file.json")
    except InputError as error:
        return str(error)


def check_outcome(text: str, exported: dict[str, Any], *, same: bool) -> None:
    """The whole job if the text may say the ``same``, else one line and no file."""
    with quick_folder() as quick:
        found = outcome(text, quick)
        if isinstance(found, Path):
            assert same
            with Journal.open(found) as journal:
                assert json.dumps(export_json(journal)) == json.dumps(exported)
        else:
            assert found.startswith("file.json: ")
            assert "\n" not in found
            assert contents(quick) == {}


@given(data=some.data())
def test_a_job_with_any_value_exchanged_is_refused(exported: dict[str, Any], data: some.DataObject) -> None:
    """Another JSON value anywhere, whatever it is, is seen; a count may be written as 1.0, which is the same number."""
    at = data.draw(some.sampled_from(list(_paths(exported))))
    changed = _replaced(exported, at, data.draw(JSON))
    counts = at[-1:] in (("number",), ("version",)) and "body" not in at
    same = changed == exported if counts else json.dumps(changed) == json.dumps(exported)
    check_outcome(json.dumps(changed), exported, same=same)


@given(data=some.data())
def test_a_file_with_any_characters_exchanged_is_refused(exported: dict[str, Any], data: some.DataObject) -> None:
    """It is refused, or the change lies where JSON has no meaning (space, another way to write the same)."""
    text = export_text(exported)
    start = data.draw(some.integers(0, len(text)))
    end = data.draw(some.integers(start, min(len(text), start + 20)))
    changed = text[:start] + data.draw(some.text(max_size=5)) + text[end:]
    check_outcome(changed, exported, same=True)


def test_import_never_replaces_a_file(exported: dict[str, Any], folder: Path) -> None:
    (folder / "new.job").write_text("my notes")
    with pytest.raises(InputError, match=r"new\.job: exists already; allowed: a new name"):
        import_json(exported, folder / "new.job")
    assert contents(folder) == {"new.job": b"my notes"}
    with pytest.raises(InputError, match="exists already"):
        write_export(exported, folder / "new.job")
    with pytest.raises(InputError, match="missing"):
        write_export(exported, folder / "missing" / "job.json")
    assert contents(folder) == {"new.job": b"my notes"}


def test_on_a_shelf_an_import_is_one_more_job(exported: dict[str, Any], folder: Path) -> None:
    shelf = Shelf.open(folder)
    assert [import_json(exported, shelf) for _ in range(2)] == ["loft", "loft-2"]
    for job in ("loft", "loft-2"):
        with Journal.open(shelf.path(job)) as journal:
            assert export_json(journal) == exported
    with pytest.raises(InputError, match=r"^upload: was changed"):
        import_json({**exported, "seal": "0" * 64}, shelf, where="upload")
    assert sorted(contents(folder)) == ["loft-2.job", "loft.job"]
