"""What every HTML page is made with: templates that escape, and data and scripts that a page may hold."""

import base64
import hashlib
import json
from pathlib import Path

import jinja2


def templates_in(folder: Path) -> jinja2.Environment:
    """The templates of a folder; everything put into them is escaped, and what they are not given is an error."""
    return jinja2.Environment(
        loader=jinja2.FileSystemLoader(folder, encoding="utf-8"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def script_data(data: object) -> str:
    """Data as compact JSON that cannot end the <script> around it.

    >>> script_data({"label": "</script>"})
    '{"label":"\\\\u003c/script\\\\u003e"}'
    """
    text = json.dumps(data, ensure_ascii=False, separators=(",", ":"))
    return text.translate({ord(sign): f"\\u{ord(sign):04x}" for sign in "<>&"})


def script_hash(script: str) -> str:
    """SHA-256 of a script in base64, by which a page's Content-Security-Policy lets it run."""
    return base64.b64encode(hashlib.sha256(script.encode("utf-8")).digest()).decode("ascii")
