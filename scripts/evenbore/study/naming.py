"""naming.html: a page to name takes by ear, which gives back the sheets of recordings and instruments.

It works offline and plays the files where they are. What the sheets hold beside the takes shown comes back unchanged.
"""

import hashlib
import json
from pathlib import Path
from typing import Any
from urllib.parse import quote

from evenbore.files.tables import write_text
from evenbore.files.webpage import script_data, script_hash, templates_in
from evenbore.study.config import load_schema
from evenbore.study.sheetfile import RESERVED, SheetText, blank_cells
from evenbore.study.takes import NUMBERED_TOGETHER, clock

PAGE = "naming.html"
_TEMPLATES = Path(__file__).parent / "templates"
HEARD_BEFORE_S = 10.0  # ASSUME: a take is announced in the seconds before it; own choice


def write_naming(
    study: Path, sheets: dict[str, SheetText], new: dict[str, tuple[str, str]], made: list[str], states: list[str],
    files: dict[str, Path],
) -> None:  # fmt: skip
    """Write the page into the study.

    `sheets`: recordings and instruments as they stand; `new`: recording -> family and what was heard of it, in words;
    `made`: ids of the instruments that were made for them; `files`: of the sheets.
    """
    rows = [dict(zip(sheets["recordings"].columns, cells, strict=True)) for cells in sheets["recordings"].rows]
    instruments = [dict(zip(sheets["instruments"].columns, cells, strict=True)) for cells in sheets["instruments"].rows]
    labels = {row["instrument"]: row["label"] for row in instruments}
    blank = blank_cells(states)
    takes = [_take(at, row, rows, labels, blank, new) for at, row in enumerate(rows) if row["recording"] in new]
    workbook = files["recordings"].suffix.lower() == ".xlsx"
    names = {kind: files[kind].name for kind in ("recordings", "instruments")}
    script = (_TEMPLATES / "naming.js").read_text("utf-8")
    data = {
        "recordings": sheets["recordings"]._asdict(), "instruments": sheets["instruments"]._asdict(), "made": made,
        "family": {take["row"]: new[rows[take["row"]]["recording"]][0] for take in takes}, "blank": blank,
        "together": NUMBERED_TOGETHER, "reserved": sorted(RESERVED), "names": names, "copy": workbook,
        "key": hashlib.sha256(json.dumps([str(study), rows]).encode()).hexdigest(),
    }  # fmt: skip
    page = templates_in(_TEMPLATES).get_template(PAGE).render(
        study=study.name, takes=takes, states=states, names=names, workbook=workbook and files["recordings"].name,
        labels=[label for key, label in labels.items() if key not in made], folder=files["recordings"].parent.name,
        dynamics=load_schema("recordings")["properties"]["dynamic"]["enum"],
        data=script_data(data), script=script, script_hash=script_hash(script),
    )  # fmt: skip
    write_text(page, study / PAGE)


def _take(
    at: int, row: dict[str, str], rows: list[dict[str, str]], labels: dict[str, str], blank: dict[str, str],
    new: dict[str, tuple[str, str]],
) -> dict[str, Any]:  # fmt: skip
    """What the page shows of one row of the sheet."""
    part, title = "", row["file"]
    if row.get("start_s"):
        start, end = float(row["start_s"]), float(row["end_s"])
        ends = [float(other["end_s"]) for other in rows if other["file"] == row["file"] and other.get("end_s")]
        before = max([0.0, start - HEARD_BEFORE_S, *(one for one in ends if one <= start)])
        part, title = f"#t={before:g},{end:g}", f"{title}, {clock(start)} to {clock(end)}"
    file = Path(row["file"])
    shown = {key: row.get(key, "") or blank[key] for key in ("dynamic", "state", "take")}
    return shown | {
        "row": at, "src": (file.as_uri() if file.is_absolute() else quote(row["file"])) + part, "title": title,
        "label": labels[row["instrument"]], "doubt": row.get("confirm", ""),
        "heard": new[row["recording"]][1],
    }  # fmt: skip
