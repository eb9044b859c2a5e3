"""The simulator's world: true systems that may differ from what the belief assumes, and how they answer tests."""

from leakinfer.study.world.truths import AS_BELIEVED, Truth, load_truths, true_catalogue
from leakinfer.study.world.world import Start, World, draw_world

__all__ = ["AS_BELIEVED", "Start", "Truth", "World", "draw_world", "load_truths", "true_catalogue"]
