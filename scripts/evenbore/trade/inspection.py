"""What is customarily inspected on each kind of instrument, as data: `inspection.yaml`."""

from functools import cache
from pathlib import Path

import yaml


@cache
def inspection_items() -> dict[str, list[str]]:
    """Every item, in order -> the kinds of bore that have it."""
    items: dict[str, list[str]] = yaml.safe_load(Path(__file__).with_suffix(".yaml").read_text("utf-8"))
    return items


def not_inspected(bore: str, inspected: list[str]) -> list[str]:
    """The items of instruments of this bore that are not among the names `inspected`, whatever their case."""
    done = {name.strip().casefold() for name in inspected}
    return [item for item, bores in inspection_items().items() if bore in bores and item not in done]
