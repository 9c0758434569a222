"""evenbore: compare wind instruments fairly from recordings of scales."""

__version__ = "0.1.0"
