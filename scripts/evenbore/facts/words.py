"""Keys as words."""


def plain(name: str) -> str:
    """A key as words: `worst_note_cents` -> worst note.

    >>> plain("worst_note_cents"), plain("as_found")
    ('worst note', 'as found')
    """
    return name.replace("_", " ").removesuffix(" cents")
