"""The examples in the docstrings come out as they are printed there."""

import doctest
import importlib


def test_examples_in_docstrings(repo):
    scripts = repo / "scripts"
    files = [path for path in (scripts / "evenbore").rglob("*.py") if ">>> " in path.read_text(encoding="utf-8")]
    names = [".".join(path.relative_to(scripts).with_suffix("").parts) for path in sorted(files)]
    results = {name: doctest.testmod(importlib.import_module(name)) for name in names}
    assert {name: result.failed for name, result in results.items() if result.failed} == {}
    assert all(result.attempted for result in results.values())
    assert {"evenbore.facts.measures", "evenbore.trade.pitch"} <= set(results)
