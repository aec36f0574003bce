"""The order of the whole run: folders whose tests do whole jobs come first, so that no worker ends late."""

LONG_FIRST = ("job", "shoot", "browser", "cli", "pairs", "stacks")


def pytest_collection_modifyitems(items):
    """Keep the order within each folder."""

    def place(item):
        folder = item.nodeid.split("/")[1]
        return LONG_FIRST.index(folder) if folder in LONG_FIRST else len(LONG_FIRST)

    items.sort(key=place)
