"""Identities that hold for any exact engine, whatever the numbers."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import product

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from leakinfer.inference import (
    AmountTest,
    Item,
    LevelTest,
    Model,
    Observation,
    Posterior,
    SampledPosterior,
    Switch,
    SwitchTest,
    Table,
    information,
    local_test,
    solve,
    split_amounts,
)

from .checks import CLOSE, SEEDS, steady
from .enumeration import Mask, Test, mutual_information, outcome_probabilities, solve_by_enumeration
from .random_models import (
    Shape,
    distributions,
    random_groups,
    random_kind,
    random_model,
    random_observations,
    random_test,
)

Groups = Sequence[dict[str, Mask]]


def random_job(seed: int) -> tuple[np.random.Generator, Model, Groups]:
    """A small model with up to four observations, and groups of its items."""
    rng = np.random.default_rng(seed)
    model = random_model(rng, Shape(int(rng.integers(1, 6)), worlds=2_000))
    return rng, random_observations(rng, model, int(rng.integers(0, 5))), random_groups(rng, model)


def bits(model: Model, test: Test, groups: Groups) -> float:
    """Information on the full target."""
    return float(information(solve(model), test, groups, max_leaking=len(groups)).bits)


def mean_bits_after(model: Model, first: Test, then: Test, groups: Groups) -> float:
    """Information of ``then``, averaged over the outcomes of ``first``."""
    chances = information(solve(model), first, groups, max_leaking=len(groups)).outcomes
    outcomes = [place for place in range(first.outcomes) if chances[place] > 0]
    return float(sum(chances[at] * bits(model.observing(Observation(first, at)), then, groups) for at in outcomes))


@steady(40)
@given(seed=SEEDS)
def test_chain_rule(seed: int) -> None:
    """I(x;Y1,Y2) = I(x;Y1) + I(x;Y2|Y1) = I(x;Y2) + I(x;Y1|Y2); the left side by enumeration."""
    rng, model, groups = random_job(seed)
    one, two = (random_test(rng, model, random_kind(rng, model)) for _ in range(2))
    right = solve_by_enumeration(model)
    both = np.einsum("wa,wb->wab", *(outcome_probabilities(right.worlds, test) for test in (one, two)))
    pair = right.posterior[:, None] * both.reshape(right.posterior.size, -1)
    together = mutual_information(right.target(groups, len(groups)), pair)
    assert abs(bits(model, one, groups) + mean_bits_after(model, one, two, groups) - together) <= CLOSE
    assert abs(bits(model, two, groups) + mean_bits_after(model, two, one, groups) - together) <= CLOSE


@steady(60)
@given(seed=SEEDS, most=st.sampled_from([1, 2, 5]))
def test_information_is_not_negative_nor_more_than_the_outcome_holds(seed: int, most: int) -> None:
    rng, model, groups = random_job(seed)
    found = information(solve(model), random_test(rng, model, random_kind(rng, model)), groups, max_leaking=most)
    some = found.outcomes[found.outcomes > 0]
    assert -1e-12 <= found.bits <= -(some * np.log2(some)).sum() + 1e-12
    assert found.gap >= 0
    assert abs(found.outcomes.sum() - 1) <= CLOSE


def deaf_tests(rng: np.random.Generator, model: Model) -> list[Test]:
    """Tests whose outcome does not depend on any state."""
    level, cell = distributions(rng, 3), distributions(rng, 4)
    states = {item.name: item.states for item in model.items}
    same = {name: Table(np.tile(level, (count, 1))) for name, count in states.items()}
    spread = {name: Table(np.tile(cell, (count, 1))) for name, count in states.items()}
    return [
        LevelTest(distributions(rng, 3), same),
        LevelTest(np.array([0.0, 0.0, 1.0]), same),
        AmountTest(spread, distributions(rng, 4, 2)),
        local_test(model.items[0].name, np.tile(level, (model.items[0].states, 1))),
        SwitchTest("apart", distributions(rng, 2, 3)),
    ]


@steady(25)
@given(seed=SEEDS)
def test_a_test_that_cannot_tell_has_no_information(seed: int) -> None:
    rng, model, groups = random_job(seed)
    model = Model(model.items, (*model.switches, Switch("apart", np.array([0.4, 0.6]))), model.observations)
    for test in deaf_tests(rng, model):
        assert abs(bits(model, test, groups)) <= 1e-12


def test_a_test_of_other_independent_items_has_no_information() -> None:
    items = tuple(Item(f"item{place}", np.array([0.8, 0.15, 0.05])) for place in range(4))
    test = LevelTest(np.array([0.9, 0.1]), {"item2": Table(np.array([[1.0, 0.0], [0.5, 0.5], [0.1, 0.9]]))})
    mask = np.array([False, True, True])
    assert abs(bits(Model(items), test, [{"item0": mask, "item3": mask}, {"item1": mask}])) <= 1e-12


@pytest.mark.parametrize("chance", [0.0, 1.0])
def test_certain_items_have_no_entropy(chance: float) -> None:
    """0 log 0: a perfect test of an item whose state is known tells nothing, and nothing becomes NaN."""
    items = (Item("known", np.array([1 - chance, chance])), Item("open", np.array([0.7, 0.3])))
    mask = np.array([False, True])
    for name, most in (("known", 1), ("known", 2), ("open", 2)):
        found = information(solve(Model(items)), local_test(name, np.eye(2)), [{"known": mask}], max_leaking=most)
        assert found.bits == pytest.approx(0, abs=1e-15)
        assert found.gap == pytest.approx(0, abs=1e-15)
        assert found.outcomes[1] == pytest.approx(chance if name == "known" else 0.3, abs=1e-15)


def reordered(model: Model, rng: np.random.Generator) -> Model:
    """The same model with its items, switches and observations in another order, and every scope too."""
    items = tuple(model.items[place] for place in rng.permutation(len(model.items)))
    switches = tuple(model.switches[place] for place in rng.permutation(len(model.switches)))
    seen = [Observation(shuffled(one.test, rng), one.outcome) for one in model.observations]
    return Model(items, switches, tuple(seen[place] for place in rng.permutation(len(seen))))


def shuffled(test: Test, rng: np.random.Generator) -> Test:
    """The same test with its scope in another order."""
    if isinstance(test, SwitchTest):
        return test
    names = [test.scope[place] for place in rng.permutation(len(test.scope))]
    if isinstance(test, LevelTest):
        return LevelTest(test.background, {name: test.emit[name] for name in names})
    return AmountTest({name: test.spread[name] for name in names}, test.likelihood)


@steady(60)
@given(seed=SEEDS)
def test_order_of_items_switches_and_findings_does_not_matter(seed: int) -> None:
    rng, model, groups = random_job(seed)
    other = reordered(model, rng)
    one, two = solve(model), solve(other)
    assert abs(one.log_evidence - two.log_evidence) <= CLOSE
    for item in model.items:
        np.testing.assert_allclose(one.marginal(item.name), two.marginal(item.name), rtol=0, atol=CLOSE)
    test = random_test(rng, model, random_kind(rng, model))
    found = information(one, test, groups, max_leaking=1)
    again = information(two, shuffled(test, rng), groups[::-1], max_leaking=1)
    assert abs(found.bits - again.bits) <= CLOSE
    np.testing.assert_allclose(found.outcomes, again.outcomes, rtol=0, atol=CLOSE)


@steady(40)
@given(seed=SEEDS)
def test_evidence_is_the_product_of_predicted_outcomes(seed: int) -> None:
    """P(y1, ..., yn) = P(y1) P(y2 | y1) ...: `information` predicts what `solve` then finds."""
    rng, model, groups = random_job(seed)
    before = solve(model)
    test = random_test(rng, model, random_kind(rng, model))
    predicted = information(before, test, groups, max_leaking=2).outcomes
    for outcome in np.flatnonzero(predicted > 1e-12):
        after = solve(model.observing(Observation(test, int(outcome))))
        assert after.log_evidence - before.log_evidence == pytest.approx(np.log(predicted[outcome]), abs=1e-7)


@steady(30)
@given(seed=SEEDS, outcome=st.integers(0, 2))
def test_any_of_with_one_item_is_a_local_test(seed: int, outcome: int) -> None:
    """Background and emission of one item fold into one likelihood table by hand."""
    rng, model, groups = random_job(seed)
    item = next((one for one in model.items if one.count == 1), None)
    if item is None:
        item = Item("single", np.array([0.6, 0.3, 0.1]))
        model = Model((*model.items, item), model.switches, model.observations)
    background, rows = rng.dirichlet(np.ones(3)), rng.dirichlet(np.ones(3), item.states)
    at_most = background.cumsum() * rows.cumsum(axis=1)
    any_of = LevelTest(background, {item.name: Table(rows)})
    local = local_test(item.name, np.maximum(np.diff(at_most, axis=1, prepend=0), 0))
    assert abs(bits(model, any_of, groups) - bits(model, local, groups)) <= CLOSE
    one, two = (solve(model.observing(Observation(test, outcome))) for test in (any_of, local))
    assert abs(one.log_evidence - two.log_evidence) <= CLOSE
    for other in model.items:
        np.testing.assert_allclose(one.marginal(other.name), two.marginal(other.name), rtol=0, atol=CLOSE)


def split_counts(model: Model) -> tuple[Model, dict[str, list[str]]]:
    """The same model with every counted item as items of count 1, and the new names by the old one."""
    members = {item.name: [f"{item.name}/{copy}" for copy in range(item.count)] for item in model.items}
    items = [Item(name, item.prior, item.switches) for item in model.items for name in members[item.name]]
    seen = [Observation(split_test(one.test, members), one.outcome) for one in model.observations]
    return Model(tuple(items), model.switches, tuple(seen)), members


def split_test(test: Test, members: dict[str, list[str]]) -> Test:
    """The same test of the split model."""
    if isinstance(test, SwitchTest):
        return test
    if isinstance(test, LevelTest):
        return LevelTest(test.background, {new: test.emit[old] for old in test.scope for new in members[old]})
    return AmountTest({new: test.spread[old] for old in test.scope for new in members[old]}, test.likelihood)


@steady(50)
@given(seed=SEEDS, most=st.sampled_from([1, 2, 5]))
def test_a_counted_item_equals_its_members(seed: int, most: int) -> None:
    rng, model, groups = random_job(seed)
    apart, members = split_counts(model)
    one, two = solve(model), solve(apart)
    assert abs(one.log_evidence - two.log_evidence) <= CLOSE
    for old, new in members.items():
        mask = np.arange(one.marginal(old).size) > 0
        for name in new:
            np.testing.assert_allclose(one.marginal(old), two.marginal(name), rtol=0, atol=CLOSE)
        none = two.probability_none(dict.fromkeys(new, mask))
        assert abs(1 - one.any_copy(old, mask) - none) <= CLOSE
    test = random_test(rng, model, random_kind(rng, model))
    split_groups = [{new: mask for old, mask in group.items() for new in members[old]} for group in groups]
    whole = information(one, test, groups, max_leaking=most)
    parts = information(two, split_test(test, members), split_groups, max_leaking=most)
    assert abs(whole.bits - parts.bits) <= CLOSE
    np.testing.assert_allclose(whole.outcomes, parts.outcomes, rtol=0, atol=CLOSE)


def target_entropy(found: Posterior | SampledPosterior, units: Groups, most: int) -> float:
    """Entropy in bits of "which units leak, or more than ``most``", from P(no leak in a set of units) alone."""
    sets = list(product((False, True), repeat=len(units)))
    none = {
        off: found.probability_none({k: v for u, no in zip(units, off, strict=True) if no for k, v in u.items()})
        for off in sets
    }
    chances: dict[tuple[bool, ...] | None, float] = {}
    for on in sets:  # P(exactly these) by inclusion and exclusion over what else might be off
        offs = [off for off in sets if all(a or b for a, b in zip(on, off, strict=True))]
        exact = sum((-1) ** (sum(off) + sum(on) - len(units)) * none[off] for off in offs)
        label = on if sum(on) <= most else None
        chances[label] = chances.get(label, 0.0) + exact
    return float(-sum(chance * np.log2(chance) for chance in chances.values() if chance > 1e-15))


@pytest.mark.parametrize("most", [1, 2, 3])
@pytest.mark.parametrize("seed", range(2))
def test_information_is_the_entropy_that_observing_removes(seed: int, most: int) -> None:
    """On 60 items, too many to enumerate: I = H(x) - sum P(y) H(x | y), x = which of three repair units leak.

    Both sides come from the engine, by different roads: `information` once, `solve` for each outcome.
    """
    rng = np.random.default_rng(seed)
    model = sixty_items(rng)
    scopes = [(9, 10, 11, 40), (3, 18, 19), (55, 56)]
    units = [{f"item{n}": np.array([False, False, True]) for n in scope} for scope in scopes]
    spread = Table(split_amounts([0.0, 0.8, 5.0], 1.0, 15))
    amount = AmountTest({f"item{n}": spread for n in (8, 9, 41, 55)}, rng.dirichlet([1, 1], 15))
    for test in (probe(rng, range(7, 20)), probe(rng, (2, 10, 35, 59)), amount):
        found = information(solve(model), test, units, max_leaking=most)
        expected = target_entropy(solve(model), units, most)
        for outcome, chance in enumerate(found.outcomes):
            after = solve(model.observing(Observation(test, outcome)))
            expected -= chance * target_entropy(after, units, most)
        assert abs(found.bits - expected) <= CLOSE


def sixty_items(rng: np.random.Generator) -> Model:
    """60 items with rare leaks of two sizes, some counted, after a loss, two overlapping responses and a silence."""
    leak = rng.uniform(0.002, 0.06, (60, 2))
    priors = np.concatenate([1 - leak.sum(-1, keepdims=True), leak], -1)
    items = tuple(Item(f"item{n}", prior, count=1 + n % 3 // 2) for n, prior in enumerate(priors))
    spread = Table(split_amounts([0.0, 0.8, 5.0], 1.0, 15))
    likelihood = np.exp(-0.5 * ((np.arange(15) - 6) / 1.5) ** 2)[:, None]
    loss = Observation(AmountTest({item.name: spread for item in items}, likelihood), 0)
    seen = [Observation(probe(rng, range(first, first + 14)), outcome) for first, outcome in ((3, 1), (12, 1), (30, 0))]
    return Model(items, (), (loss, *seen))


@steady(40)
@given(seed=SEEDS)
def test_items_kept_together_change_no_answer(seed: int) -> None:
    rng, model, groups = random_job(seed)
    names = [item.name for item in model.items]
    together = [rng.permutation(names)[: int(rng.integers(1, len(names) + 1))].tolist() for _ in range(2)]
    one, two = solve(model), solve(model, together)
    assert abs(one.log_evidence - two.log_evidence) <= CLOSE
    for name in names:
        np.testing.assert_allclose(one.marginal(name), two.marginal(name), rtol=0, atol=CLOSE)
    test = random_test(rng, model, random_kind(rng, model))
    assert abs(information(one, test, groups, 1).bits - information(two, test, groups, 1).bits) <= CLOSE


def probe(rng: np.random.Generator, scope: Sequence[int]) -> LevelTest:
    """A binary any-of test of three-state items with a false alarm of 3 %."""
    seen = np.sort(rng.uniform(0.2, 0.95, (len(scope), 2)), axis=1)
    rows = [np.array([[1.0, 0.0], [1 - low, low], [1 - high, high]]) for low, high in seen]
    return LevelTest(np.array([0.97, 0.03]), {f"item{n}": Table(row) for n, row in zip(scope, rows, strict=True)})
