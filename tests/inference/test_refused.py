"""What no model can be made of is refused when the value is made, in one line that says what does not fit."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from leakinfer.inference import (
    AmountTest,
    Item,
    LevelTest,
    Model,
    ModelError,
    Observation,
    Switch,
    SwitchTest,
    Table,
    solve,
)

ITEM = Item("item", np.array([0.9, 0.1]))
SWITCH = Switch("switch", np.array([0.5, 0.3, 0.2]))
HALF = np.array([0.5, 0.5])
ROWS = Table(np.array([[0.9, 0.1], [0.2, 0.8]]))
BY_TWO = Table(np.array([ROWS.values, ROWS.values]), ("switch",))  # the switch has three values


def level(**more: Table) -> LevelTest:
    """A test of two levels."""
    return LevelTest(HALF, more)


def named(values: list[list[float]]) -> Observation:
    """A reading of a sum with a name."""
    return Observation(AmountTest({"item": Table(np.array(values))}, np.ones((2, 1)), "loss"), 0)


REFUSED: dict[str, tuple[Callable[[], object], str]] = {
    "a table with an axis too many": (lambda: Table(np.ones((2, 2, 2))), "over 0 switches needs 2 axes"),
    "a table with an axis too few": (lambda: Table(np.ones((2, 2)), ("switch",)), "over 1 switches needs 3 axes"),
    "a table of nothing": (lambda: Table(np.ones((0, 2))), "negative or non-finite"),
    "a table below 0": (lambda: Table(np.array([[1.1, -0.1]])), "negative or non-finite"),
    "a table without a number": (lambda: Table(np.array([[np.nan, 1.0]])), "negative or non-finite"),
    "an endless table": (lambda: Table(np.array([[np.inf, 1.0]])), "negative or non-finite"),
    "a prior of nothing": (lambda: Item("item", np.ones(0)), "prior of item item holds a negative"),
    "a prior that is one number": (lambda: Item("item", np.array(1.0)), "prior of item item holds a negative"),
    "a prior below 0": (lambda: Item("item", np.array([1.1, -0.1])), "prior of item item holds a negative"),
    "a prior without a number": (lambda: Item("item", np.array([np.nan, 1.0])), "prior of item item holds a negative"),
    "a prior of too little": (lambda: Item("item", np.array([0.5, 0.4])), "prior of item item does not sum to 1"),
    "a prior that hangs on nothing": (lambda: Item("item", np.array([HALF, HALF])), "prior of item item needs 1 axes"),
    "no copy": (lambda: Item("item", HALF, count=0), "item item has count 0"),
    "a switch of too much": (lambda: Switch("switch", np.array([0.5, 0.6])), "does not sum to 1"),
    "a background of too little": (lambda: LevelTest(np.array([0.5, 0.4]), {}), "background does not sum to 1"),
    "other levels": (lambda: LevelTest(np.ones(3) / 3, {"item": ROWS}), "levels of item do not fit the background's 3"),
    "levels of too much": (lambda: level(item=Table(np.ones((2, 2)))), "levels of item does not sum to 1"),
    "hidden out of scope": (lambda: LevelTest(HALF, {"item": ROWS}, {"other": 0.1}), "hidden is above 1 or for an"),
    "hidden above 1": (lambda: LevelTest(HALF, {"item": ROWS}, {"item": 1.1}), "hidden is above 1 or for an"),
    "a likelihood of one axis": (lambda: AmountTest({}, np.ones(2)), "of an amount needs axes"),
    "a likelihood below 0": (lambda: AmountTest({}, -np.ones((2, 1))), "of an amount needs axes"),
    "an endless likelihood": (lambda: AmountTest({}, np.full((2, 1), np.inf)), "of an amount needs axes"),
    "other cells": (lambda: AmountTest({"item": ROWS}, np.ones((3, 1))), "cells of item do not fit the likelihood's 3"),
    "cells of too much": (lambda: AmountTest({"item": Table(np.ones((2, 2)))}, np.ones((2, 1))), "cells of item does"),
    "a switch's likelihood of one axis": (lambda: SwitchTest("switch", np.ones(3)), "of a switch needs axes"),
    "a switch's likelihood below 0": (lambda: SwitchTest("switch", -np.ones((3, 1))), "of a switch needs axes"),
    "an outcome that is none": (lambda: Observation(level(item=ROWS), 2), "outcome 2 of a test with 2 outcomes"),
    "an item twice": (lambda: Model((ITEM, ITEM)), "a name is used twice"),
    "a switch twice": (lambda: Model((ITEM,), (SWITCH, SWITCH)), "a name is used twice"),
    "a prior by no switch": (
        lambda: Model((Item("item", np.array([HALF, HALF]), ("switch",)),)),
        "prior of item item: unknown switch switch",
    ),
    "a prior by other values": (
        lambda: Model((Item("item", np.array([HALF, HALF]), ("switch",)),), (SWITCH,)),
        "prior of item item: 2 values for switch switch, it has 3",
    ),
    "a finding at no item": (lambda: Model((ITEM,), (), (Observation(level(other=ROWS), 0),)), "unknown item other"),
    "a finding with other states": (
        lambda: Model((Item("item", np.ones(3) / 3),), (), (Observation(level(item=ROWS), 0),)),
        "a table for item has 2 states, the item 3",
    ),
    "a finding by other values": (
        lambda: Model((ITEM,), (SWITCH,), (Observation(level(item=BY_TWO), 0),)),
        "a table for item: 2 values for switch switch, it has 3",
    ),
    "a look at other values": (
        lambda: Model((ITEM,), (SWITCH,), (Observation(SwitchTest("switch", np.ones((2, 1))), 0),)),
        "a switch test: 2 values for switch switch, it has 3",
    ),
    "two sums of one name": (
        lambda: Model((ITEM,), (), (named([[1, 0], [0.2, 0.8]]), named([[1, 0], [0.3, 0.7]]))),
        "sum loss has two different spreads",
    ),
    "a switch that is nowhere": (lambda: solve(Model((ITEM,))).switch("other"), "unknown switch other"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_what_does_not_fit_is_refused(name: str) -> None:
    make, told = REFUSED[name]
    with pytest.raises(ModelError, match=told):
        make()


def test_what_just_fits_is_taken() -> None:
    """On the limits: a hidden chance of 1, one copy, the last outcome, a name for two readings of one sum."""
    seen = LevelTest(HALF, {"item": ROWS}, {"item": 1.0})
    reading = AmountTest({"item": ROWS}, np.array([[0.4, 0.6], [0.1, 0.9]]), "loss")
    told = (Observation(seen, 1), Observation(reading, 0), Observation(reading, 1))
    found = solve(Model((Item("item", np.array([0.9, 0.1]), count=1),), (SWITCH,), told))
    # by hand: what hides all tells nothing of the item; P(cells) = sum over states
    cells = np.array([0.4 * 0.6, 0.1 * 0.9])
    right = np.array([0.9, 0.1]) * (ROWS.values @ cells)
    np.testing.assert_allclose(found.marginal("item"), right / right.sum(), rtol=0, atol=1e-12)
