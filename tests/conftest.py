"""The order of the whole run: folders whose tests do whole jobs come first, so that no worker ends late."""

import os

# workers already take all cores: BLAS would make threads that wait for each other, a sixth of the whole run
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

LONG_FIRST = ("job", "shoot", "browser", "cli", "pairs", "stacks")


def pytest_collection_modifyitems(items):
    """Keep the order within each folder."""

    def place(item):
        folder = item.nodeid.split("/")[1]
        return LONG_FIRST.index(folder) if folder in LONG_FIRST else len(LONG_FIRST)

    items.sort(key=place)
