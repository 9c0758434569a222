"""The files listed for a step are those that Python really loads for it."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

from evenbore.run import dependencies
from evenbore.run.dependencies import library_files

SCRIPTS = Path(__file__).resolve().parents[3] / "scripts"
STEPS = sorted(path.stem for path in SCRIPTS.glob("*.py") if "snakemake." in path.read_text(encoding="utf-8"))
# One Python for all steps, which forgets the library before each: the libraries of others are loaded once.
LOADED = """
import json, runpy, sys
found = {}
for script in sys.argv[1:]:
    for name in [name for name in sys.modules if name.partition(".")[0] == "evenbore"]:
        del sys.modules[name]
    runpy.run_path(script, run_name="step")
    found[script] = [m.__file__ for name, m in sys.modules.items() if name.partition(".")[0] == "evenbore"]
print(json.dumps(found))
"""


@pytest.fixture(scope="module")
def loaded_by():
    """By step script: the library's files that Python loads for it."""
    scripts = [str(SCRIPTS / f"{step}.py") for step in STEPS]
    done = subprocess.run([sys.executable, "-c", LOADED, *scripts], capture_output=True, text=True, cwd=SCRIPTS)
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


@pytest.mark.parametrize("step", STEPS)
def test_list_covers_what_python_loads(loaded_by, step):
    loaded = {Path(file).resolve().as_posix() for file in loaded_by[str(SCRIPTS / f"{step}.py")]}
    assert loaded
    assert loaded <= set(library_files(step))


def test_everything_that_computes_is_in_the_list_of_all():
    files = set(dependencies.all_files())
    assert {path for step in STEPS for path in library_files(step)} == files
    assert {Path(file).stem for file in files if Path(file).parent == SCRIPTS} == set(STEPS)
    assert not {"cli.py", "workflow.py"} & {Path(file).name for file in files}


def test_list_is_no_longer_than_needed():
    """A step that only measures does not depend on comparing, and the other way round."""
    names = {Path(file).name for file in library_files("measure")}
    assert {"measure.py", "segment.py", "pitch.py", "clarinet_b_flat.yaml"} <= names
    assert not {"criteria.py", "normalise.py", "pairs.py", "sheets.py", "recordings.schema.yaml"} & names
    names = {Path(file).name for file in library_files("assess")}
    assert {"criteria.py", "sheets.py", "recordings.schema.yaml"} <= names
    assert not {"recording", "notes"} & {Path(file).parent.name for file in library_files("assess")}


@pytest.fixture
def tree(tmp_path, monkeypatch):
    """A library with every kind of import; returns a function from a script's text to its files."""
    files = {
        "evenbore/__init__.py": "",
        "evenbore/one.py": "from evenbore.two import (\n    a,  # the first (of two)\n    b,\n)\n",
        "evenbore/two.py": "def f():\n    import evenbore.three as t\n    return t\n",
        "evenbore/three.py": "import evenbore.one  # round in a circle\n",
        "evenbore/unused.py": "",
        "evenbore/study/config.py": "",
        "evenbore/deep/__init__.py": "",
        "evenbore/deep/down.py": "",
        "evenbore/deep/.hidden": "",
        "evenbore/deep/words.txt": "",
        "evenbore/deep/data/more/table.tsv": "",
        "evenbore/deep/data/__pycache__/x.pyc": "",
        "evenbore/deep/sub/__init__.py": "",
        "evenbore/deep/sub/other.txt": "",
        "schemas/sheet.yaml": "",
    }
    for name, text in files.items():
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    monkeypatch.setattr(dependencies, "SCRIPTS", tmp_path)
    monkeypatch.setattr(dependencies, "IMPORTED_FROM", tmp_path)
    monkeypatch.setattr(dependencies, "SCHEMAS", tmp_path / "schemas")

    def listed(text):
        (tmp_path / "step.py").write_text(text, encoding="utf-8")
        dependencies._imported.cache_clear()
        listed = [Path(file).relative_to(tmp_path).as_posix() for file in library_files("step")]
        listed.remove("step.py")  # the script itself
        return listed

    yield listed
    dependencies._imported.cache_clear()


@pytest.mark.parametrize(
    "text",
    ["from evenbore import one", "import evenbore.one as first", "def f():\n    from evenbore.one import a, b as c"],
)
def test_imports_are_followed_to_the_end(tree, text):
    assert tree(text) == ["evenbore/__init__.py", "evenbore/one.py", "evenbore/three.py", "evenbore/two.py"]


@pytest.mark.parametrize(
    "text", ["", "'''\nimport evenbore.one\n'''", "# import evenbore.one", "import evenboredom, json"]
)
def test_what_is_no_import_is_not_listed(tree, text):
    assert tree(text) == []


def test_data_lie_beside_the_module(tree):
    assert tree("from evenbore.deep.down import x") == [
        "evenbore/__init__.py", "evenbore/deep/__init__.py", "evenbore/deep/data/more/table.tsv",
        "evenbore/deep/down.py", "evenbore/deep/words.txt",
    ]  # fmt: skip


def test_schemas_come_with_the_settings(tree):
    assert tree("from evenbore.study.config import x")[-1] == "schemas/sheet.yaml"
