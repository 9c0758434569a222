"""The library's rooms: imports go one way, from left to right of ROOMS, and a room's door is no place for code."""

import ast

import pytest

ROOMS = [
    "facts", "files", "trade", "recording", "notes", "process", "study", "statistics", "setups", "judge", "compare",
    "findings", "plan", "report", "figures", "page", "publication", "tickets", "run",
]  # fmt: skip
LIBRARY = "scripts/evenbore"


def imported_rooms(source):
    """The rooms of the library that a module's source imports."""
    names = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            names += [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "a relative import"
            names += [f"{node.module}.{alias.name}" for alias in node.names]
    parts = [name.split(".") for name in names]
    return {name[1] for name in parts if name[0] == "evenbore" and len(name) > 1 and name[1] in ROOMS}


def allowed(room):
    """The rooms that a room may import."""
    return {*ROOMS[: ROOMS.index(room) + 1]}


@pytest.mark.parametrize("room", ROOMS)
def test_a_room_imports_only_from_those_before_it(repo, room):
    modules = sorted((repo / LIBRARY / room).rglob("*.py"))
    assert modules
    against = {(path.name, other) for path in modules for other in imported_rooms(path.read_bytes()) - allowed(room)}
    assert against == set()


def test_every_folder_of_modules_is_a_room(repo):
    assert {path.parent.name for path in (repo / LIBRARY).glob("*/*.py")} == {*ROOMS}


def is_constant(node):
    """Whether a statement is a text (a docstring) or gives a capital name to a value without defining or importing."""
    if isinstance(node, ast.Expr):
        return isinstance(node.value, ast.Constant)
    targets = node.targets if isinstance(node, ast.Assign) else []
    return bool(targets) and all(isinstance(one, ast.Name) and one.id.isupper() for one in targets)


def test_a_rooms_door_holds_its_docstring_and_constants_alone(repo):
    for path in sorted((repo / LIBRARY).glob("*/__init__.py")):
        tree = ast.parse(path.read_bytes())
        assert ast.get_docstring(tree), path
        assert all(is_constant(node) for node in tree.body), path


@pytest.mark.parametrize(
    ("source", "rooms"),
    [
        ("from evenbore.page.build import write_page", {"page"}),
        ("from evenbore import publication", {"publication"}),
        ("def late():\n    import evenbore.run.cli", {"run"}),
        ("from evenbore import __version__\nimport numpy", set()),
    ],
)
def test_imports_are_seen(source, rooms):
    assert imported_rooms(source) == rooms
