"""A public name of the library means one thing."""

import ast
from collections import defaultdict

SHARED = {"main"}  # of what is run as a program


def test_no_two_modules_share_a_public_name(repo):
    modules = defaultdict(set)
    library = repo / "scripts" / "evenbore"
    for path in sorted(library.rglob("*.py")):
        for name in public_names(ast.parse(path.read_bytes())):
            modules[name].add(path.relative_to(library).as_posix())
    assert len(modules) > 500
    assert {name: sorted(where) for name, where in modules.items() if len(where) > 1 and name not in SHARED} == {}


def public_names(module: ast.Module) -> set[str]:
    """Names of the classes, functions and constants that a module defines at its top level."""
    names = set()
    for node in module.body:
        if isinstance(node, ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef):
            names.add(node.name)
        elif isinstance(node, ast.AnnAssign):
            names.add(ast.unparse(node.target))
        elif isinstance(node, ast.Assign):
            parts = [part for target in node.targets for part in ast.walk(target)]
            names |= {part.id for part in parts if isinstance(part, ast.Name)}
    return {name for name in names if not name.startswith("_")}
