"""The report page: one self-contained HTML file."""
