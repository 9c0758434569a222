"""Codes instead of names, and the sealed key.

Codes are drawn from the operating system's randomness, never from the study's seed, or anybody could draw them again.
The key is a text that shows nothing until it is decoded: a seal against a glance, not a lock. Its fingerprint, the
SHA-256 of the key with a random number in it (so that trying all orders finds nothing), stands on the running sheet: a
key changed afterwards no longer fits it.
"""

import base64
import hashlib
import json
import zlib
from collections.abc import Mapping, Sequence
from random import Random

from evenbore.facts.rows import Row
from evenbore.files.errors import EvenboreError

LETTERS = "BCDFGHJKLMNPQRSTVWXZ"  # no vowels: no words
NOT_CODES = frozenset({"PRN"})  # Windows keeps it for itself
HEAD = """SEALED KEY of a blind recording plan. Do not decode it before the analysis is finished.
Who labels the cases may see it:   evenbore plan STUDY --show-key
After the analysis:                evenbore plan STUDY --unseal BLIND_STUDY
"""


def draw_codes(names: Sequence[str], rng: Random) -> dict[str, str]:
    """A code of three letters for every name."""
    codes: set[str] = set()
    while len(codes) < len(names):
        code = "".join(rng.choices(LETTERS, k=3))
        if code not in NOT_CODES:
            codes.add(code)
    return dict(zip(names, rng.sample(sorted(codes), len(codes)), strict=True))


def seal(rows: Mapping[str, Row], rng: Random) -> tuple[str, str]:
    """Sealed text and fingerprint of a key: code -> row of the instruments sheet."""
    key = {"salt": f"{rng.getrandbits(128):032x}", "instruments": rows}
    data = json.dumps(key, sort_keys=True, ensure_ascii=True).encode()
    body = base64.encodebytes(zlib.compress(data)).decode()
    return f"{HEAD}\n{body}", hashlib.sha256(data).hexdigest()


def unseal(text: str, fingerprint: str) -> dict[str, Row]:
    """The key behind a sealed text; raises EvenboreError where it is damaged or not the one of the fingerprint."""
    try:
        data = zlib.decompress(base64.decodebytes(text.split("\n\n", 1)[1].encode()))
    except (IndexError, ValueError, zlib.error) as error:
        raise EvenboreError(f"The sealed key cannot be read: it is damaged or was edited ({error}).") from error
    if hashlib.sha256(data).hexdigest() != fingerprint:
        raise EvenboreError(
            "The sealed key does not have the fingerprint of this plan: it was changed, or belongs to another plan."
        )
    rows: dict[str, Row] = json.loads(data)["instruments"]
    return rows
