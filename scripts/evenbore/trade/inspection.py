"""What is customarily inspected on each kind of instrument, as data: `inspection.yaml`."""

from dataclasses import dataclass
from functools import cache
from pathlib import Path

import yaml

from evenbore.trade.families import Family


@dataclass(frozen=True)
class Item:
    """One thing to inspect: its name as in the inspection sheet, the kinds of bore it is found on, what to look at."""

    item: str
    of: list[str]
    look: str


@cache
def all_items() -> tuple[Item, ...]:
    """Every item, in order."""
    return tuple(Item(**row) for row in yaml.safe_load(Path(__file__).with_suffix(".yaml").read_text("utf-8")))


def items_of(family: Family) -> list[Item]:
    """The items of one family."""
    return [item for item in all_items() if family.bore in item.of]


def not_inspected(family: Family, inspected: list[str]) -> list[str]:
    """The family's items that are not among the names `inspected`, whatever their case."""
    done = {name.strip().casefold() for name in inspected}
    return [item.item for item in items_of(family) if item.item not in done]
