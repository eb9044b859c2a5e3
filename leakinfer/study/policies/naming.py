"""Policies by name: those that come with the program, functions of one's own, checklists of one's own."""

from __future__ import annotations

import importlib
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType
from typing import cast

from leakinfer.errors import InputError
from leakinfer.reading import known
from leakinfer.study.model import Policy
from leakinfer.study.policies.checklists import read_checklists
from leakinfer.study.policies.rules import RANDOM, RULES, Rule

WHERE = "policies"


def _shipped() -> dict[str, Policy]:
    rules: dict[str, Policy] = {rule.name: rule for rule in RULES}
    return {**rules, **read_checklists(), RANDOM.name: RANDOM}


POLICIES: Mapping[str, Policy] = MappingProxyType(_shipped())
"""By name, in the order in which they are told: the program's, other scores, fixed lists, chance."""


def policy(name: str) -> Policy:
    """A policy by its name, by ``module:function`` or by ``FILE.toml:id``.

    A function takes a situation and gives the place of the next test among its options, or None to end; an object with
    a ``name`` and a method ``choose`` is taken as it is.

    Raises:
        InputError: nothing of that name; with the names that there are.

    Example:
        >>> from leakinfer import policy
        >>> policy("most_likely").tells
        'the likeliest repair unit first, by its best test'
    """
    if name in POLICIES:
        return POLICIES[name]
    where, colon, part = name.rpartition(":")
    if not colon or not where or not part:
        known(name, POLICIES, what="policy", where=WHERE)
    return _from_file(Path(where), part) if where.endswith(".toml") else _from_module(name, where, part)


def _from_file(path: Path, part: str) -> Policy:
    """A checklist of one's own."""
    lists = read_checklists(path)
    return replace(lists[known(part, lists, what="checklist", where=str(path))], name=f"{path}:{part}")


def _from_module(name: str, module: str, part: str) -> Policy:
    """A function or policy of one's own."""
    try:
        found = getattr(importlib.import_module(module), part, None)
    except ImportError as error:
        raise InputError(f"cannot import '{module}' ({error})", where=f"{WHERE}: {name}") from error
    if hasattr(found, "choose") and isinstance(getattr(found, "name", None), str):
        return cast(Policy, found)
    if not callable(found):
        raise InputError(f"no function or policy '{part}' in '{module}'", where=f"{WHERE}: {name}")
    return Rule(name, f"of one's own: {name}", found)
