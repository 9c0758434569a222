"""Rows as the rooms hand them to each other."""

from typing import Any, TypeAlias, TypedDict

Row: TypeAlias = dict[str, Any]  # of a table or sheet: column -> value
PART = ("channel", "start_s", "end_s")  # columns that tell which part of an audio file a recording is


def price_of(sheet: Row) -> float | None:
    """The price of a row of the instruments sheet, in the study's currency; None: not known.

    >>> price_of({"price": 1500.0, "price_rate": 0.92}), price_of({"price": 1500.0, "price_rate": None})
    (1380.0, 1500.0)
    """
    price: float | None = sheet.get("price")
    return None if price is None else price * (sheet.get("price_rate") or 1.0)


class RecordingRow(TypedDict):
    """What measuring one recording needs of the study, and nothing that it does not depend on.

    As in the recordings sheet; `low`, `high` and `notes` are WRITTEN midi numbers. `path`: of the audio file;
    `families_dir`: of the study's own families, None when there are none; `sha256`: of the audio file as it is to be
    measured, None when it cannot be read.
    """

    recording: str
    instrument: str
    session: str
    take: int
    dynamic: str
    articulation: str
    pattern: str
    direction: str
    state: str
    low: int
    high: int
    notes: list[int] | None
    passage: str | None
    channel: int | None
    start_s: float | None
    end_s: float | None
    path: str
    sha256: str | None
    family: str
    families_dir: str | None
    tuning_hz: float
