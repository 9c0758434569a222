"""Reads and writes files: tables with the columns declared, files whole or not at all, errors in plain words."""
