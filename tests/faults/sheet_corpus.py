"""Sheets, settings and family files that somebody made by mistake or in malice, each with what must be said of it.

A case changes files of the small sound study of `sheetstudies.py`. `says` is what one of the problems must say (a
regular expression); "" where the study is in order all the same. `owned` is what a file would be called that any of
these managed to have made.
"""

import codecs
from collections.abc import Iterator
from dataclasses import dataclass

from evenbore.files.paths import repo_root
from sheetstudies import INSTRUMENTS, RECORDINGS, SESSIONS, changed, sheet_text

CONFIG = (repo_root() / "config" / "config.yaml").read_text(encoding="utf-8")
OWNED = "owned"
FORMULA = '=cmd|"/c touch owned"!A1'
HTML = '<img src=x onerror="alert(1)"><script>alert(2)</script>'
SHELL = "$(touch owned);`touch owned`|touch owned&&touch owned"
BRACES = "{wildcards.chunk} {0} {input} %s %(x)s ${HOME}"
ESCAPE = "\x1b]0;owned\x07\x1b[2J"


@dataclass(frozen=True)
class Case:
    """Files to write over those of the sound study, and what must be said; if it is run: `drawn`, with pictures,
    `reordered`, once more in another order."""

    name: str
    fault: str
    files: dict[str, bytes]
    says: str
    heavy: bool = False
    drawn: bool = True
    reordered: bool = False


def cases() -> Iterator[Case]:
    """All cases."""
    for group in (
        texts, headers, ids, cells, files, references, families, yaml_tricks, settings, labels, everything, sizes,
    ):  # fmt: skip
        yield from group()


def sheet(kind: str, content: str | bytes | list[dict]) -> dict[str, bytes]:
    """One sheet, from text, bytes or rows."""
    content = sheet_text(content) if isinstance(content, list) else content
    return {f"config/{kind}.tsv": content.encode() if isinstance(content, str) else content}


def texts() -> Iterator[Case]:
    """Encodings, line ends, separators, quotation marks."""
    text = sheet_text(changed(INSTRUMENTS, 0, label="Ré grave"))
    plain = sheet_text(INSTRUMENTS)
    quoted = 'instrument,label,family\nalto1,"Alto, no. 1; ""old""",saxophone_alto\nAlto2,"two\nlines",saxophone_alto\n'
    for name, content, says in (
        ("utf8_bom", codecs.BOM_UTF8 + text.encode(), ""),
        ("crlf", plain.replace("\n", "\r\n"), ""),
        ("cr", plain.replace("\n", "\r"), ""),
        ("mixed_line_ends", plain.replace("\n", "\r\n", 1), ""),
        ("commas", plain.replace("\t", ","), ""),
        ("semicolons", plain.replace("\t", ";"), ""),
        ("quoted_separators", quoted, ""),
        ("blank_rows", plain.replace("\n", "\n\n\t\t\n"), ""),
        ("blank_columns", plain.replace("\n", "\t\t\n"), ""),
        ("latin_1", text.encode("latin-1"), "saved as Latin-1"),
        ("utf16_le", codecs.BOM_UTF16_LE + text.encode("utf-16-le"), "UTF-16"),
        ("utf16_be", codecs.BOM_UTF16_BE + text.encode("utf-16-be"), "UTF-16"),
        ("utf16_without_bom", text.encode("utf-16-le"), "NUL byte"),
        ("utf32", codecs.BOM_UTF32_LE + text.encode("utf-32-le"), "UTF-16|NUL"),
        ("overlong_utf8", plain.encode().replace(b"Alto no", b"\xc0\xaf"), "UTF-8"),
        ("half_a_character", plain.encode().replace(b"Alto no", b"\xed\xa0\x80"), "UTF-8"),
        ("nul", plain.replace("Alto no", "\0"), "NUL"),
        ("empty", "", "empty"),
        ("only_a_bom", codecs.BOM_UTF8, "empty"),
        ("only_newlines", "\n\n\n", "empty"),
        ("only_a_header", "instrument\tlabel\tfamily\n", "sheet is empty"),
        ("workbook", b"PK\x03\x04" + bytes(range(256)), "workbook"),
        ("old_workbook", b"\xd0\xcf\x11\xe0" + bytes(range(256)), "workbook"),
        ("pipes_between_cells", plain.replace("\t", "|"), "not separated|tabs, commas"),
        ("blanks_between_cells", plain.replace("\t", "  "), "not separated|tabs, commas"),
        ("open_quotation_mark", plain.replace("Alto no. 1", '"Alto'), "quotation mark"),
        ("too_many_cells", plain.replace("Alto no. 1", "Alto\tno. 1"), "as many as the header"),
        ("too_few_cells", plain + "alto3\n", "as many as the header"),
        ("web_page", "<!DOCTYPE html><table><tr><td>instrument</table>" * 9, "this column|one of"),
        ("json", '[{"instrument": "alto1", "label": "A", "family": "saxophone_alto"}]', "this column|one of"),
        ("pickle", b"\x80\x04\x95\x1d\0\0\0\0\0\0\0\x8c\x05posix\x94\x8c\x06system\x94\x93\x94", "NUL|UTF-8"),
        ("script", "#!/bin/sh\ntouch owned\n", "this column|one of"),
    ):
        yield Case(f"text_{name}", "sheets as text", sheet("instruments", content), says)


def headers() -> Iterator[Case]:
    """Column headings."""
    for name, header, says in (
        ("unknown", "instrument\tlabel\tfamily\tcolour", "one of instrument"),
        ("own", "instrument\tlabel\tfamily\tx_colour", ""),
        ("own_without_a_name", "instrument\tlabel\tfamily\tx_", "one of instrument"),
        ("twice", "instrument\tlabel\tfamily\tlabel", "2 times"),
        ("missing", "instrument\tlabel\tfamliy\tx_a", "this column"),
        ("capitals", "Instrument\tLabel\tFamily\tx_a", "this column|misspelling"),
        ("html", f"instrument\tlabel\tfamily\t{HTML}", "one of instrument"),
        ("formula", f"instrument\tlabel\tfamily\t{FORMULA.replace(chr(34), '')}", "one of instrument"),
        ("escape", f"instrument\tlabel\tfamily\t{ESCAPE}", "one of instrument"),
        ("dunder", "instrument\tlabel\tfamily\t__class__", "one of instrument"),
    ):
        row = "alto1\tA\tsaxophone_alto\tsomething\nAlto2\tB\tsaxophone_alto\tsomething\n"
        yield Case(f"header_{name}", "column headings", sheet("instruments", f"{header}\n{row}"), says)


def ids() -> Iterator[Case]:
    """Ids, which become names of files."""
    bad = ["..", ".", "a/b", "a\\b", "/abs", "a b", " ", "é", "a.b", "-rf", "_a", "", "a" * 101, "{chunk}",
           "$(touch owned)", "a;b", "a'b", "*", "~", "a:b", "a|b", HTML, "=1+1", "٣", "a\u202eb", "a\u0000b", ESCAPE,
           "%s", *("con", "NUL", "prn", "Aux", "com1", "LPT9")]  # fmt: skip
    for number, bad_id in enumerate(bad):
        says = "NUL byte" if "\0" in bad_id else "an id|Windows|blank|id:"
        rows = changed(RECORDINGS, 0, recording=bad_id)
        yield Case(f"id_{number}_recording", "ids", sheet("recordings", rows), says)
        rows = changed(INSTRUMENTS, 0, instrument=bad_id)
        yield Case(f"id_{number}_instrument", "ids", sheet("instruments", rows), says)
    for name, rows, kind, says in (
        ("twice", changed(RECORDINGS, 1, recording="r1"), "recordings", "row 2 has the same id"),
        ("case", changed(RECORDINGS, 1, recording="R1"), "recordings", "upper and lower case"),
        ("instrument_case", [*INSTRUMENTS, INSTRUMENTS[0] | {"instrument": "ALTO1"}], "instruments", "upper and lower"),
        ("instrument_twice", [*INSTRUMENTS, INSTRUMENTS[0]], "instruments", "same id"),
        ("session_twice", [*SESSIONS, *SESSIONS], "sessions", "same id"),
        ("console", changed(RECORDINGS, 0, recording="console"), "recordings", ""),
        ("digits", changed(RECORDINGS, 0, recording="007"), "recordings", ""),
        ("true", changed(RECORDINGS, 0, recording="true"), "recordings", ""),
        ("nan", changed(RECORDINGS, 0, recording="NaN"), "recordings", ""),
        ("dashes", changed(RECORDINGS, 0, recording="a--b"), "recordings", ""),
    ):
        yield Case(f"id_{name}", "ids", sheet(kind, rows), says)


def cells() -> Iterator[Case]:
    """Numbers, dates and words that cannot be."""
    for column, values in {
        "price": (
            "-1",
            "nan",
            "inf",
            "1e400",
            "1,500",
            "$ 5",
            "5 GBP",
            "0x10",
            "1_000",
            "--1",
            "1e",
            "=1+1",
            "٣",
            "1 00",
        ),
        "warranty_months": ("-1", "2 years", "many"),
        "bore_mm": ("0", "-3", "1e9"),
        "reference": ("maybe", "1", "YES!"),
    }.items():
        for value in values:
            rows = changed(INSTRUMENTS, 0, **{column: value})
            yield Case(f"cell_{column}_{value}", "cells", sheet("instruments", rows), "allowed|from|one of|number")
    for column, values in {
        "take": ("0", "-1", "1.5", "one", "1e3", "99999999999999999999", "٣", ""),
        "dynamic": ("loud", "fff", "=mf"),
        "low": ("H3", "Bb", "C99", "58", "C4; C5", "$(touch owned)"),
        "direction": ("sideways",),
        "channel": ("0", "-1", "257", "left"),
        "state": ("unheard_of", HTML),
    }.items():
        for value in values:
            rows = changed(RECORDINGS, 0, **{column: value})
            yield Case(f"cell_{column}_{value}", "cells", sheet("recordings", rows), "allowed|from|one of|note|blank")
    for value in ("2024-02-30", "05/03/2024", "24-5-3", "9999-99-99", "yesterday", "2024-05-03T10:00"):
        yield Case(f"cell_date_{value}", "cells", sheet("sessions", changed(SESSIONS, 0, date=value)), "YYYY-MM-DD")
    for value in ("0", "-440", "44", "1e9", "nan"):
        yield Case(f"cell_tuning_{value}", "cells", sheet("sessions", changed(SESSIONS, 0, tuning_hz=value)), "number")


def files() -> Iterator[Case]:
    """Names of audio files; where they lead is seen when they are opened, and they are only ever read."""
    for number, file in enumerate((
        "../outside.wav", "../../../../etc/passwd", "/etc/passwd", "/dev/zero", "a b.wav", "audio/$(touch owned).wav",
        "audio/;touch owned;.wav", "audio/`touch owned`.wav", "|touch owned", "audio/{wildcards}.wav",
        "audio/{0}%s.wav",
        "http://127.0.0.1:9/a.wav", "file:///etc/passwd", "concat:/etc/passwd", "subfile,,start,0,end,9,,:/etc/passwd",
        "-", "--help", "con.wav", "audio\\r1.wav", "~/r1.wav", "*.wav", "audio/..", ".", "é♭.wav", "\u202evaw.exe",
        HTML.replace("\t", ""), FORMULA.replace('"', ""), "a" * 300,
    )):  # fmt: skip
        yield Case(f"file_{number}", "names of audio files", sheet("recordings", changed(RECORDINGS, 0, file=file)), "")
    for name, file, says in (
        ("newline", '"a\nb.wav"', "line break or another control"),
        ("tab", '"a\tb.wav"', "line break or another control"),
        ("escape", ESCAPE, "line break or another control"),
        ("blank", "", "blank"),
        ("too_long", "a" * 5000, "audio file"),
        ("twice", "audio/r2.wav", "names the same file"),
        ("twice_by_a_detour", "audio/../audio/r2.wav", "names the same file"),
    ):
        yield Case(f"file_{name}", "names of audio files", sheet("recordings", changed(RECORDINGS, 0, file=file)), says)


def references() -> Iterator[Case]:
    """What one sheet says of another."""
    for name, kind, rows, says in (
        ("unknown_instrument", "recordings", changed(RECORDINGS, 0, instrument="alto9"), "not in config/instruments"),
        (
            "instrument_in_capitals",
            "recordings",
            changed(RECORDINGS, 0, instrument="ALTO1"),
            "not in config/instruments",
        ),
        ("unknown_session", "recordings", changed(RECORDINGS, 0, session="s9"), "not in config/sessions"),
        ("unknown_family", "instruments", changed(INSTRUMENTS, 0, family="kazoo"), "one of"),
        ("family_elsewhere", "instruments", changed(INSTRUMENTS, 0, family="../../x"), "one of"),
        ("unknown_grade", "instruments", changed(INSTRUMENTS, 0, grade="royal"), "tolerances"),
        ("same_take", "recordings", changed(RECORDINGS, 1, take="1"), "same take"),
    ):
        yield Case(f"reference_{name}", "references", sheet(kind, rows), says)


def families() -> Iterator[Case]:
    """The study's own family files."""
    used = sheet("instruments", changed(INSTRUMENTS, 0, family="own"))
    chain = {f"config/families/f{n}.yaml": f"like: f{n + 1}\n".encode() for n in range(300)}
    chain["config/families/own.yaml"] = b"like: f0\n"
    for name, text, says in (
        ("like_itself", "like: own\n", "itself|circle|own"),
        ("like_nothing", "like: kazoo\n", "kazoo"),
        ("like_a_file_elsewhere", "like: ../../../etc/passwd\n", "passwd"),
        ("empty", "", "own"),
        ("list", "[1, 2]\n", "own"),
        ("object", "!!python/object/apply:os.system ['touch owned']\n", "own"),
        ("html", f"like: saxophone_alto\nname: '{HTML.replace(chr(39), '')}'\n", ""),
        ("unknown_key", "like: saxophone_alto\nevil: 1\n", "evil"),
        ("negative_range", "like: saxophone_alto\ntransposition: -1000\n", "transposition"),
    ):
        yield Case(f"family_{name}", "family files", used | {"config/families/own.yaml": text.encode()}, says)
    circle = {"config/families/own.yaml": b"like: other\n", "config/families/other.yaml": b"like: own\n"}
    yield Case("family_circle", "family files", used | circle, "own|other|circle")
    yield Case("family_chain", "family files", used | chain, "f300|like|deep")


def yaml_tricks() -> Iterator[Case]:
    """What YAML can do that a config must not."""
    tricks = {
        "apply": "!!python/object/apply:os.system ['touch owned']",
        "new": "!!python/object/new:subprocess.Popen [['touch', 'owned']]",
        "name": "!!python/name:os.system",
        "module": "!!python/module:os",
        "tuple": "!!python/tuple [1, 2]",
        "binary": "!!binary gANjb3MKc3lzdGVtCg==",
        "set": "!!set {a, b}",
        "timestamp": "2024-05-03",
        "own_tag": "!evil x",
    }
    for name, trick in tricks.items():
        text = CONFIG.replace("seed:", f"x_evil: {trick}\nseed:", 1).encode()
        says = "" if name == "timestamp" else "YAML"
        yield Case(f"yaml_{name}", "YAML", {"config/config.yaml": text}, says)
    laughs = "a: &a [x]\n" + "".join(
        f"{b}: &{b} [*{a},*{a},*{a}]\n" for a, b in zip("abcdefghi", "bcdefghij", strict=True)
    )
    for name, text, says in (
        ("billion_laughs", laughs, "aliases"),
        ("anchor_to_itself", "a: &a [*a]\n", "aliases"),
        ("merge", "a: &a {b: 1}\nc:\n  <<: *a\n", "aliases"),
        ("deep_lists", "[" * 100_000, "deeply|YAML"),
        ("deep_mappings", "\n".join(" " * n + "a:" for n in range(3000)), "deeply|YAML|a key|one of"),
        ("two_documents", CONFIG + "\n---\n" + CONFIG, "YAML"),
        ("key_twice", CONFIG + "\nseed: 5\n", "each key once"),
        ("empty", "", "empty"),
        ("text", "hello", "key: value"),
        ("list", "- a\n- b\n", "key: value"),
        ("number", "17", "key: value"),
        ("tabs", "seed:\t\t1\n\tx: 2\n", "YAML"),
        ("control", "seed: \x07\n", "YAML"),
        ("huge_number", CONFIG.replace("seed:", f"x_n: {'9' * 5000}\nseed:", 1), "not readable|YAML|digits"),
        ("two_thousand_keys", CONFIG + "".join(f"\nevil{n}: 1" for n in range(2000)), "one of"),
        ("keys_of_all_kinds", CONFIG + "\n1: 2\nnull: 3\n[1, 2]: 4\n", "one of|YAML|not readable"),
    ):
        yield Case(f"yaml_{name}", "YAML", {"config/config.yaml": text.encode()}, says)
    yield Case("yaml_latin_1", "YAML", {"config/config.yaml": CONFIG.encode() + b"# \xe9\n"}, "Latin-1")


def settings() -> Iterator[Case]:
    """Settings with impossible values."""
    for name, old, new, says in (
        ("seed_negative", "seed:", "seed: -1 #", "seed|from"),
        ("seed_text", "seed:", "seed: $(touch owned) #", "seed|whole"),
        ("draws_billion", "draws:", "draws: 1000000000 #", "draws|from"),
        ("draws_nan", "draws:", "draws: .nan #", "finite"),
        ("currency_control", "currency:", 'currency: "\\x07" #', "control characters"),
        ("title_no_xml", "title:", 'title: "\\uffff" #', "control characters"),
        ("draws_infinite", "draws:", "draws: .inf #", "finite"),
        ("families_of_the_root", "families_dir:", "families_dir: / #", ""),
        ("families_up", "families_dir:", "families_dir: ../.. #", ""),
        ("sheet_elsewhere", "  recordings:", "  recordings: ../../../../etc/passwd #", "column|readable|one of"),
        ("sheet_device", "  recordings:", "  recordings: /dev/zero #", "device"),
        ("sheet_folder", "  recordings:", "  recordings: . #", "folder"),
        ("sheet_command", "  recordings:", "  recordings: '|touch owned' #", "readable"),
    ):
        assert CONFIG.count(f"\n{old}") == 1, old
        yield Case(
            f"setting_{name}", "settings", {"config/config.yaml": CONFIG.replace(f"\n{old}", f"\n{new}").encode()}, says
        )


def labels() -> Iterator[Case]:
    """Free text, which may hold anything and is shown in report and workbook."""
    for name, text in {"bell": "a\x07b", "escape": ESCAPE, "no_xml": "a\ufffeb"}.items():
        rows = changed(INSTRUMENTS, 0, body_material=text)
        yield Case(f"label_{name}", "labels", sheet("instruments", rows), "control characters")
    yield Case("label_too_long", "labels", sheet("instruments", changed(INSTRUMENTS, 0, label="x" * 201)), "too long")
    for name, text in {
        "html": HTML, "shell": SHELL, "braces": BRACES, "formula": FORMULA.replace('"', ""), "plus": "+1+1",
        "at": "@SUM(A1)", "minus": "-1+1", "quote": "it's", "emoji": "🎷🎶", "right_to_left": "שלום",
        "override": "\u202eabc", "combining": "e\u0301" * 50, "long": "x" * 200, "markdown": "[a](javascript:alert(1))",
        "latex": "$\\input{/etc/passwd}$", "blank_like": "\u00a0\u200b",
        "jinja": "{{ 7 * 7 }}{% for x in y %}", "xml": "]]><!ENTITY x SYSTEM 'file:///etc/passwd'>",
    }.items():  # fmt: skip
        rows = changed(INSTRUMENTS, 0, label=text, maker=text, comment=text)
        yield Case(f"label_{name}", "labels", sheet("instruments", rows), "")


def everything() -> Iterator[Case]:
    """A study with every setting and sheet that config/README.md tells of, and variants of it."""
    names = [f"a{n}" for n in range(8)]
    instruments = [
        {
            "instrument": name, "label": f"Alto {name}", "family": "own", "maker": "Maker", "model": f"M{n % 2}",
            "serial": str(n), "grade": "student" if n % 2 else "", "shipment": "June lot" if n < 7 else "July lot",
            "body_material": "brass" if n % 3 else "silver", "bore_mm": str(15 + n / 10), "price": str(900 + 50 * n),
            "setup_cost": "40", "case_cost": "60", "warranty_months": "24", "return_days": "30",
            "reference": "yes" if n == 0 else "no", "comment": "c", "x_lot": str(n % 2), "x_weight": str(2 + n / 7),
        }
        for n, name in enumerate(names)
    ]  # fmt: skip
    recordings = [
        {
            "recording": f"{session}_{name}_{dynamic}_{take}", "file": f"audio/{session}_{name}_{dynamic}_{take}.wav",
            "instrument": name, "session": session, "take": str(take), "dynamic": dynamic, "articulation": word,
            "state": state, "player": "p", "mouthpiece": "m", "reed": "r", "x_day": "1",
        }
        for session, state, members in (("s1", "as_found", names), ("s2", "after_setup", names[:3]))
        for name in members
        for dynamic, word in (("p", "slurred"), ("mf", "tongued"))
        for take in (1, 2)
    ]  # fmt: skip
    sessions = [
        {
            "session": name, "date": day, "room": "hall", "microphone": "m", "distance_m": "1.5", "temperature_c": "21",
            "tuning_hz": "442", "comment": "c",
        }
        for name, day in (("s1", "2024-05-03"), ("s2", "2024-05-04"))
    ]  # fmt: skip
    inspection = [{"instrument": "a1", "state": "as_found", "item": "pads", "result": "fault", "severity": "3",
                   "cost": "50", "comment": "c"}]  # fmt: skip
    impressions = [{"instrument": "a1", "player": "p", "where": "whole", "aspect": "tone", "score": "4",
                    "comment": "c"}]  # fmt: skip
    sheets = {
        "recordings": recordings, "instruments": instruments, "sessions": sessions, "inspection": inspection,
        "impressions": impressions,
    }  # fmt: skip
    files = {name: content for kind, rows in sheets.items() for name, content in sheet(kind, rows).items()}
    files["config/families/own.yaml"] = b"like: saxophone_alto\nname: own alto\n"
    defaults = "{player: Ada, pattern: chromatic, families: {own: {low: D4, high: D5}}}"
    for name, changes in {
        "on": {},
        "other_words": {
            "compare_state: latest": "compare_state: as_found", "factors: auto": "factors: [body_material, x_weight]",
            "on_bad_recording: set_aside": "on_bad_recording: stop", "sound_mb: 12": "sound_mb: 0",
            "worst_note_cents_max: 35": "worst_note_cents_max: null",
            "tuning_offset_min: -30": "tuning_offset_min: null",
            "fault_severity_max: 2": "fault_severity_max: null", "base_dynamic: mf": "base_dynamic: p",
        },
        "no_factors": {"factors: auto": "factors: []", "tuning_offset: 5 ": "tuning_offset: null "},
        "odd_texts": {"currency: EUR": f"currency: '{HTML[:10]}'", 'title: "': 'title: "$x^2$ {{ 7*7 }} '},
    }.items():  # fmt: skip
        text = CONFIG
        for old, new in {
            "recording_defaults: {}": f"recording_defaults: {defaults}",
            "    families: {} ": "    families: {own: {note_cents: 25}} ",
            "vetting:": "  student: {note_cents: 25, families: {own: {stuffy_z: 4}}}\nvetting:",
            "accepted_shipments: []": "accepted_shipments: [June lot]",
            "seed:": "x_day: 2024-05-03\nx_deep: {a: [1, null, yes, 1e3], 2: b}\nseed:",
            "max_instruments_in_figures: 40": "max_instruments_in_figures: 5",
            "draws: 4000": "draws: 200",
        }.items():
            assert text.count(f"{old}") == 1, old
            text = text.replace(old, new)
        for old, new in changes.items():
            assert text.count(old) == 1, old
            text = text.replace(old, new)
        yield Case(f"everything_{name}", "every setting", files | {"config/config.yaml": text.encode()}, "")


def sizes() -> Iterator[Case]:
    """Very many rows, columns and characters."""
    header = "recording\tfile\tinstrument\tsession\ttake\n"
    for count in (20_000, 1_000_000):
        text = header + "".join(f"r{n}\taudio/{n}.wav\talto1\ts1\t{n % 100_000 + 1}\n" for n in range(count))
        says = "" if count <= 100_000 else "same take"
        yield Case(f"size_{count}_rows", "sizes", sheet("recordings", text), says, heavy=count > 100_000)
    wrong = header + "".join(f"r r{n}\taudio/{n}.wav\tnobody{n}\ts9\tx{n}\n" for n in range(5000))
    yield Case("size_5000_wrong_rows", "sizes", sheet("recordings", wrong), "an id")
    wide = "instrument\tlabel\tfamily\t" + "\t".join(f"x_{n}" for n in range(5000))
    wide += "".join("\n" + "\t".join([key, "A", "saxophone_alto", *["1"] * 5000]) for key in ("alto1", "Alto2"))
    yield Case("size_5000_columns", "sizes", sheet("instruments", wide), "")
    cell = sheet_text(changed(INSTRUMENTS, 0, label="x" * 200_000))
    yield Case("size_cell_of_200000", "sizes", sheet("instruments", cell), "131072")
