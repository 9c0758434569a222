"""The lock files: pinned, hashed, in agreement, free of addresses, and no GPL package at run time."""

import importlib.metadata
import re

import pytest
import yaml

LOCKS = ("requirements.lock", "requirements-test.lock")
# docutils is public domain; the GPL covers only an editor mode in its source archive (its COPYING.rst).
NOT_GPL_AFTER_ALL = {"docutils"}


def pins(text: str) -> dict[str, str]:
    """Name -> version and marker of every requirement."""
    entries = [line.removesuffix("\\").strip() for line in text.splitlines() if re.match(r"[A-Za-z0-9]", line)]
    return dict(entry.split("==", 1) for entry in entries)


@pytest.mark.parametrize("lock", LOCKS)
def test_every_package_is_pinned_and_hashed_and_no_address_is_named(repo, lock):
    text = (repo / lock).read_text(encoding="utf-8")
    assert "://" not in text
    assert not re.search(r"^\s*--(?!hash=)", text, re.MULTILINE), "an option that changes where packages come from"
    blocks = re.split(r"^(?=[A-Za-z0-9])", text, flags=re.MULTILINE)[1:]
    assert len(blocks) > 50
    for block in blocks:
        assert re.match(r"[A-Za-z0-9_.-]+==[^ ]+ ", block), block[:60]
        assert "--hash=sha256:" in block, block[:60]


def test_tests_run_on_the_versions_that_users_get(repo):
    # the tests may need a package on more machines than users do: markers may differ, versions may not
    runtime, test = (
        {name: pin.split(" ;")[0] for name, pin in pins((repo / lock).read_text(encoding="utf-8")).items()}
        for lock in LOCKS
    )
    assert runtime.items() <= test.items()


def test_every_direct_requirement_is_locked(repo):
    for name in ("requirements", "requirements-test"):
        locked = pins((repo / f"{name}.lock").read_text(encoding="utf-8"))
        wanted = re.findall(r"^[a-z][\w.-]*", (repo / f"{name}.in").read_text(encoding="utf-8"), re.MULTILINE)
        assert wanted
        assert {package.replace("_", "-") for package in wanted} <= set(locked)


def test_conda_gets_the_versions_of_the_lock(repo):
    environment = yaml.safe_load((repo / "workflow" / "envs" / "analysis.yaml").read_text(encoding="utf-8"))
    (wanted,) = [entry["pip"] for entry in environment["dependencies"] if isinstance(entry, dict)]
    assert pins("\n".join(wanted)) == pins((repo / "requirements.lock").read_text(encoding="utf-8"))


def test_no_gpl_package_at_run_time(repo):
    assert is_gpl("praat-parselmouth"), "this check knows a GPL package when it meets one"
    names = set(pins((repo / "requirements.lock").read_text(encoding="utf-8"))) - NOT_GPL_AFTER_ALL
    installed = {re.sub(r"[-_.]+", "-", found.name).lower() for found in importlib.metadata.distributions()}
    assert [name for name in sorted(names & installed) if is_gpl(name)] == []


def is_gpl(package: str) -> bool:
    about = importlib.metadata.metadata(package)
    # A licence field may hold the whole text, which can name other licences in passing: its first line is the name.
    named = (about.get("License") or "").strip().split("\n")[0]
    words = [about.get("License-Expression") or "", named, *about.get_all("Classifier", [])]
    return any(re.search(r"(?<!L)(?<!Lesser )(\bA?GPL|General Public License)", word) for word in words)


def test_every_package_that_users_get_is_listed_with_its_licence(repo):
    """`python .ci/locks.py licences` writes the list anew."""
    listed = dict(re.findall(r"^- (.+): (.+)$", (repo / "docs/licences.md").read_text("utf-8"), re.M))
    names = [name for packages in listed.values() for name in packages.split(", ")]
    assert sorted(names) == sorted(pins((repo / "requirements.lock").read_text(encoding="utf-8")))
    assert [licence for licence in listed if not licence.strip() or licence == "UNKNOWN"] == []
    assert [licence for licence in listed if re.search(r"(?<!L)GPL", licence)] == []
