"""The set-up: arch, insert, and the layers in every pocket. This is the answer."""

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, order=True)
class Layer:
    """One piece of shim, thickness as measured."""

    shim: str
    thickness_mm: float


Stack = tuple[Layer, ...]  # from the horse outward


def height_mm(stack: Stack) -> float:
    return sum(layer.thickness_mm for layer in stack)


@dataclass(frozen=True)
class Setup:
    """arch, insert: names (None: the saddle has no changeable arch, or there is no insert). stacks: every pocket
    of the pad."""

    arch: str | None
    insert: str | None
    stacks: Mapping[str, Stack]
