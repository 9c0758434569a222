"""Tables of the accuracy page, in Markdown, from a campaign's results; and their places in the page."""


def accuracy_tables(results):
    return {}
