"""The learned priors file: reading, writing, what it changes when it is laid over a catalogue, what is refused."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path
from typing import Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace

from leakinfer.catalogue.checking import check_catalogue
from leakinfer.catalogue.laying import provenance_words, replaced, require_trusted, with_learned
from leakinfer.catalogue.learned import (
    LearnedPriors,
    LearnedSystem,
    Moved,
    is_learned,
    learned_text,
    read_learned,
    write_learned,
)
from leakinfer.catalogue.model import Catalogue
from leakinfer.catalogue.toml_text import FIGURES, toml_text
from leakinfer.errors import InputError
from leakinfer.reading import shipped
from tests.report.fleet.example import CATALOGUE, LEFT_OUT, example, moved, untrusted

LEARNED = example()
PLAIN: dict[str, Any] = msgspec.to_builtins(CATALOGUE)


def laid(learned: LearnedPriors = LEARNED, system: str = "walk_in_cooler") -> Catalogue:
    return with_learned(CATALOGUE, learned, system)


def changed(before: Any, after: Any, spot: str = "") -> set[str]:
    """Places in plain data at which two catalogues differ."""
    if isinstance(before, dict) and isinstance(after, dict):
        assert before.keys() == after.keys()
        return {place for key in before for place in changed(before[key], after[key], f"{spot}.{key}".lstrip("."))}
    if isinstance(before, (list, tuple)):
        assert len(before) == len(after)
        pairs = enumerate(zip(before, after, strict=True))
        return {place for number, pair in pairs for place in changed(*pair, f"{spot}[{number}]")}
    return set() if before == after else {spot}


def expected_changes() -> set[str]:
    """What the file may change, worked out from its words and not by laying it over."""
    spots = {"digest"}
    for part in LEARNED.component:
        at = f"components.{part.id}"
        spots |= {f"{at}.hazard.{name}" for name in ("mean", "gamma_shape", "source", "known")}
        spots |= {f"{at}.age.{name}" for name in ("weibull", "source", "known")}
        spots |= {f"{at}.size.{name}" for name in ("median", "log_sd", "source", "known")}
    for around in LEARNED.exposure:
        spots |= {f"exposures.{around.id}.ratio.{name}" for name in ("median", "log_sd", "source", "known")}
        spots |= {f"exposures.{around.id}.prevalence.{name}" for name in ("value", "source", "known")}
    for unknown in LEARNED.shared:
        spots |= {f"shared.{unknown.id}.{name}" for name in ("log_sd", "source", "known")}
    for way in LEARNED.method:
        at, now = f"methods.{way.id}", CATALOGUE.methods[way.id]
        spots |= {f"{at}.{name}" for name in ("lapse", "unreachable", "source", "known")}
        spots |= {f"{at}.grades[{n}].{name}" for n in range(len(now.grades)) for name in ("rate50", "false_alarm")}
        spots |= {f"{at}.false_causes[{n}].false_alarm" for n in range(len(now.false_causes))}
        spots |= {f"{at}.techniques.{kind}.unreachable" for kind in now.techniques}
    return spots


def test_laying_over_changes_nothing_but_what_it_says() -> None:
    found = changed(PLAIN, msgspec.to_builtins(laid()))
    assert found <= expected_changes()
    assert {spot for spot in found if spot.startswith("components.")} > {"components.flare.hazard.mean"}
    assert not any(f"components.{name}." in spot for name in LEFT_OUT for spot in found)


def test_every_learned_number_arrives_with_its_origin() -> None:
    now = laid()
    for part in LEARNED.component:
        kind = now.components[part.id]
        got = (kind.hazard.mean, kind.hazard.gamma_shape, kind.age.weibull, kind.size.median, kind.size.log_sd)
        told = (part.mean, part.gamma_shape, part.weibull, part.size_median, part.size_log_sd)
        assert got == tuple(moved.value for moved in told)
        for table in (kind.hazard, kind.age, kind.size):
            assert table.known == "learned"
            source: str = table.source
            assert all(word in source for word in ("1,204 systems", "2026-11-25", LEARNED.provenance.data[:12]))
    for around in LEARNED.exposure:
        seen = now.exposures[around.id]
        got_around = (seen.ratio.median, seen.ratio.log_sd, seen.prevalence.value)
        assert got_around == (around.ratio.value, around.log_sd.value, around.prevalence.value)
        assert (seen.ratio.known, seen.prevalence.known) == ("learned", "learned")
    assert now.shared["workmanship"].log_sd == LEARNED.shared[0].log_sd.value
    for way in LEARNED.method:
        method = now.methods[way.id]
        assert method.grades[0].rate50 == pytest.approx(way.rate50.value, rel=1e-12)
        assert (method.lapse, method.unreachable) == (way.lapse.value, way.unreachable.value)
        assert method.grades[0].false_alarm == pytest.approx(way.false_alarm.value, rel=1e-12)
        assert CATALOGUE.methods[way.id].source in method.source


def test_a_type_of_system_multiplies_the_means_alone() -> None:
    other, mine = laid(system="ducted_split"), laid(system="ductless_split")
    factors = {part.id: part.factor.value for part in LEARNED.system}
    for name in (part.id for part in LEARNED.component):
        times = mine.components[name].hazard.mean / other.components[name].hazard.mean
        assert times == pytest.approx(factors["ductless_split"] / factors["ducted_split"], rel=1e-12)
        assert mine.components[name].size.median == other.components[name].size.median
    assert "for ductless_split" in mine.components["flare"].hazard.source
    assert mine.components[LEFT_OUT[0]] == CATALOGUE.components[LEFT_OUT[0]]
    assert mine.components["flare"].age == other.components["flare"].age


def test_later_grades_classes_and_false_causes_follow_the_first_grade() -> None:
    before, after = CATALOGUE.methods["bubbles"], laid().methods["bubbles"]
    assert len(before.grades) > 1
    for old, new in zip(before.grades, after.grades, strict=True):
        assert new.rate50 / after.grades[0].rate50 == pytest.approx(old.rate50 / before.grades[0].rate50, rel=1e-12)
        share = old.false_alarm / before.grades[0].false_alarm
        assert new.false_alarm / after.grades[0].false_alarm == pytest.approx(share, rel=1e-12)
        assert new.slope == old.slope
    old_probe, new_probe = CATALOGUE.methods["probe_point"], laid().methods["probe_point"]
    hidden = old_probe.techniques["valve_core"].unreachable
    assert hidden is not None
    scale = new_probe.unreachable / old_probe.unreachable
    assert new_probe.techniques["valve_core"].unreachable == pytest.approx(hidden * scale, rel=1e-12)
    loud = replace(LEARNED.method[0], false_alarm=moved(old_probe.grades[0].false_alarm, 8.0))
    causes = laid(replace(LEARNED, method=(loud,))).methods["probe_point"].false_causes
    assert min(cause.false_alarm for cause in causes) == loud.false_alarm.value


shares = st.floats(0.0, 1.0)
positive = st.floats(1e-9, 1e6)


@given(positive, positive, shares, shares, shares, positive)
def test_what_was_laid_over_is_still_a_sound_catalogue(
    rate50: float, mean: float, lapse: float, hidden: float, alarm: float, ratio: float
) -> None:
    def to(number: Moved, value: float) -> Moved:
        return Moved(value, value, value, number.shipped)

    ways = tuple(
        replace(way, rate50=to(way.rate50, rate50), lapse=to(way.lapse, lapse), unreachable=to(way.unreachable, hidden),
                false_alarm=to(way.false_alarm, alarm))
        for way in LEARNED.method
    )  # fmt: skip
    parts = tuple(replace(part, mean=to(part.mean, mean)) for part in LEARNED.component)
    around = tuple(replace(part, ratio=to(part.ratio, ratio)) for part in LEARNED.exposure)
    now = laid(replace(LEARNED, method=ways, component=parts, exposure=around))
    check_catalogue(now, Path("priors"))
    again = msgspec.convert(msgspec.to_builtins(now.methods), type=dict[str, type(now.methods["bubbles"])])  # type: ignore[misc]
    assert again == now.methods


def test_the_digest_tells_files_and_systems_apart() -> None:
    one = LEARNED.component[0]
    nearly = replace(one, mean=replace(one.mean, value=one.mean.value * 1.0001))
    other = replace(LEARNED, component=(nearly, *LEARNED.component[1:]))
    digests = [CATALOGUE.digest, laid().digest, laid(other).digest, laid(system="ducted_split").digest]
    assert len(set(digests)) == len(digests)
    assert laid().digest == laid().digest


def test_a_file_is_read_as_it_was_written(tmp_path: Path) -> None:
    path = tmp_path / "learned.toml"
    write_learned(LEARNED, path)
    found = read_learned(path)
    flat, back = msgspec.to_builtins(LEARNED), msgspec.to_builtins(found)
    assert changed(_rounded(flat), back) == set()
    assert learned_text(found) == path.read_text("utf-8")
    assert [left.name for left in tmp_path.iterdir()] == ["learned.toml"]
    assert is_learned(path)
    assert not is_learned(shipped("priors", "systems", "ducted_split.toml"))


def _rounded(value: Any) -> Any:
    """Numbers with six figures, as the ``g`` format of Python gives them."""
    if isinstance(value, float):
        return float(f"{value:.{FIGURES}g}")
    if isinstance(value, dict):
        return {key: _rounded(part) for key, part in value.items()}
    return [_rounded(part) for part in value] if isinstance(value, (list, tuple)) else value


def test_the_file_says_what_it_is_and_is_short() -> None:
    text = learned_text(LEARNED)
    assert text.startswith("# Learned priors")
    assert "leakinfer new" in text.split("[provenance]")[0]
    assert max(map(len, text.splitlines())) <= 160
    assert 'id = "flare"' in text


def test_whole_numbers_and_names_of_any_letters_are_written() -> None:
    odd = replace(LEARNED.installer[0], id='a "b" \\ c\td\x7f é 漢')
    one = msgspec.structs.replace(LEARNED.system[0], factor=Moved(1, 1, 1, 1))
    learned = replace(LEARNED, installer=(odd,), system=(one,), level=None, placed=None, check=(), exposure=())
    found = msgspec.convert(tomllib.loads(learned_text(learned)), LearnedPriors)
    assert found.installer[0].id == odd.id
    assert (found.system[0].factor, found.level, found.exposure) == (one.factor, None, ())


names = st.text(min_size=1).filter(lambda text: not any("\ud800" <= letter <= "\udfff" for letter in text))
numbers = st.floats(allow_nan=False, allow_infinity=False).map(lambda number: float(f"{number:.6g}"))
plain = st.one_of(names, st.booleans(), st.integers(-(2**63), 2**63 - 1), numbers.filter(math.isfinite))
tables = st.dictionaries(
    names, st.one_of(plain, st.lists(plain, max_size=3), st.dictionaries(names, plain)), max_size=4
)


@given(st.dictionaries(names, st.one_of(plain, tables, st.lists(tables, min_size=1, max_size=3)), max_size=5))
def test_any_plain_content_comes_back_from_its_text(content: dict[str, Any]) -> None:
    """Against the reader of the standard library (TOML 1.0)."""
    assert tomllib.loads(toml_text(content, {}, ["of any kind"])) == content


def refused(learned: LearnedPriors, tmp_path: Path) -> str:
    """The line with which a file is refused, on writing and on reading; nothing is written."""
    path = tmp_path / "learned.toml"
    with pytest.raises(InputError) as error:
        write_learned(learned, path)
    assert not path.exists()
    path.write_text(learned_text(learned), "utf-8")
    with pytest.raises(InputError) as again:
        read_learned(path)
    assert str(again.value) == str(error.value)
    return str(error.value)


BAD = [
    ("component", "mean", Moved(0.0, 0.0, 1.0, 1.0), "component.valve_core.mean: value 0; allowed: above 0"),
    ("component", "mean", Moved(math.inf, 1.0, 2.0, 1.0), "inf is not a usable number"),
    ("component", "weibull", Moved(21.0, 1.0, 22.0, 1.0), "component.valve_core.weibull: value 21; allowed: up to 20"),
    ("component", "found_at_search", Moved(1.1, 0.5, 1.2, 0.8), "found_at_search: value 1.1; allowed: 0 to 1"),
    ("component", "size_log_sd", Moved(1.0, 2.0, 1.5, 1.0), "size_log_sd: low 2; allowed: up to high, 1.5"),
    ("exposure", "ratio", Moved(1.0, -1.0, 1.5, 1.0), "exposure.wet_suction_line.ratio: low -1; allowed: above 0"),
    ("exposure", "log_sd", Moved(-0.1, -0.1, 1.5, 1.0), "log_sd: value -0.1; allowed: 0 or above"),
    ("shared", "log_sd", Moved(0.0, 0.0, 0.0, 1.0), "shared.workmanship.log_sd: value 0; allowed: above 0"),
    ("method", "lapse", Moved(0.5, 0.1, 1.5, 0.05), "method.probe_point.lapse: high 1.5; allowed: 0 to 1"),
    ("installer", "factor", Moved(1.0, 1.0, 1.0, -1.0), "installer.Crew A & B.factor: shipped -1; allowed: above 0"),
]


@pytest.mark.parametrize(("table", "name", "number", "line"), BAD)
def test_numbers_out_of_range_are_refused(table: str, name: str, number: Moved, line: str, tmp_path: Path) -> None:
    first, *rest = getattr(LEARNED, table)
    bad = replace(LEARNED, **{table: (replace(first, **{name: number}), *rest)})
    assert line in refused(bad, tmp_path)


def test_an_id_counts_once(tmp_path: Path) -> None:
    twice = replace(LEARNED, system=(*LEARNED.system, LEARNED.system[0]))
    assert "system: id 'ducted_split' is used twice" in refused(twice, tmp_path)


@pytest.mark.parametrize("table", ["component", "exposure", "shared", "method"])
def test_names_that_the_catalogue_does_not_know_are_refused(table: str) -> None:
    first, *rest = getattr(LEARNED, table)
    strange = replace(LEARNED, **{table: (replace(first, id="warp_core"), *rest)})
    with pytest.raises(InputError, match=rf"^f\.toml: {table}: unknown [a-z ]+ 'warp_core'; allowed: "):
        with_learned(CATALOGUE, strange, "ducted_split", "f.toml")


def test_a_type_that_only_the_fleet_knows_is_no_fault() -> None:
    own = replace(LEARNED, system=(LearnedSystem("our_own", moved(1.0, 3.0)),))
    assert laid(own, "our_own").components["flare"].hazard.mean == pytest.approx(
        3.0 * laid(own, "ducted_split").components["flare"].hazard.mean, rel=1e-12
    )


def test_other_shipped_priors_are_taken_while_their_numbers_are_the_same() -> None:
    elsewhere = replace(LEARNED, provenance=replace(LEARNED.provenance, shipped="0" * 64))
    assert laid(elsewhere).components == laid().components
    flare = CATALOGUE.components["flare"]
    newer = replace(flare, hazard=replace(flare.hazard, mean=flare.hazard.mean * 1.01))
    catalogue = replace(CATALOGUE, components=CATALOGUE.components | {"flare": newer})
    with pytest.raises(InputError, match=r"^learned priors: component\.flare\.mean: replaces 0\.0\d+, but the priors"):
        with_learned(catalogue, LEARNED, "ducted_split")


def test_each_replaced_number_is_compared_with_the_catalogue() -> None:
    spots = [number.spot for number in replaced(CATALOGUE, LEARNED)]
    counts = (len(LEARNED.component), len(LEARNED.exposure), len(LEARNED.shared), len(LEARNED.method))
    assert len(spots) == len(set(spots)) == 5 * counts[0] + 2 * counts[1] + counts[2] + 4 * counts[3]
    assert all(number.moved.shipped == pytest.approx(number.now) for number in replaced(CATALOGUE, LEARNED))


def test_what_is_not_trusted_says_why() -> None:
    require_trusted(LEARNED.provenance, "f.toml", "")
    bad = untrusted().provenance
    with pytest.raises(InputError, match=r"^f\.toml: learned priors are not trusted: R-hat 1\.240 .*; allowed: other$"):
        require_trusted(bad, "f.toml", "other")
    assert provenance_words(bad).endswith(", not trusted)")
    assert "not trusted" not in provenance_words(LEARNED.provenance)
