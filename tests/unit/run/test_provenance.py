"""What a result was made from."""

import json
import os

import pytest

import evenbore
from evenbore.run.provenance import PACKAGES, provenance, sha256

# FIPS 180-4, worked example for the one-block message "abc" (NIST, SHA-256 example values).
ABC = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_sha256(tmp_path):
    (tmp_path / "abc").write_bytes(b"abc")
    assert sha256(tmp_path / "abc") == ABC


def test_sha256_of_a_long_file_and_of_none(tmp_path):
    """One million letters a: the long worked example of the same standard (block by block here)."""
    (tmp_path / "a").write_bytes(b"a" * 1_000_000)
    assert sha256(tmp_path / "a") == "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0"
    assert sha256(tmp_path / "missing") is None
    assert sha256(tmp_path) is None


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes here")
def test_sha256_does_not_wait_for_a_pipe(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    assert sha256(tmp_path / "pipe") is None


def test_record(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "sheet.tsv").write_bytes(b"abc")
    (tmp_path / "measure.tsv").write_text("s\th:m:s\n1.25\t0:00:01\n", encoding="utf-8")
    rows = [
        {"recording": "r2", "file": "take.wav"},
        {"recording": "r1", "file": "audio\\gone.wav"},
    ]
    record = provenance({"seed": 1}, ["sheet.tsv"], rows, {"r1": None, "r2": ABC}, ["measure.tsv"])
    assert json.loads(json.dumps(record)) == record
    assert record["evenbore"] == evenbore.__version__
    assert record["config"] == {"seed": 1}
    assert record["sheets"] == {"sheet.tsv": ABC}
    assert record["recordings"] == {
        "r2": {"file": "take.wav", "sha256": ABC},
        "r1": {"file": "audio\\gone.wav", "sha256": None},
    }
    assert record["seconds"] == {"measure": 1.25}
    assert set(record["packages"]) == set(PACKAGES)


def test_every_required_package_is_named(repo):
    lines = (repo / "requirements.in").read_text(encoding="utf-8").splitlines()
    wanted = {line.split("#")[0].split("==")[0].split(">")[0].strip().lower() for line in lines} - {""}
    assert set(PACKAGES) >= wanted
