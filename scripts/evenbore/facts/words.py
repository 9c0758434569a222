"""Keys as words, and several clauses as one text."""


def plain(name: str) -> str:
    """A key as words: `worst_note_cents` -> worst note.

    >>> plain("worst_note_cents"), plain("as_found")
    ('worst note', 'as found')
    """
    return name.replace("_", " ").removesuffix(" cents")


def joined(*clauses: str | None) -> str:
    """The clauses that say something, with semicolons between.

    >>> joined("one take", "", None, "a copy")
    'one take; a copy'
    """
    return "; ".join(filter(None, clauses))
