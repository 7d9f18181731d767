"""The tests. Each worker keeps polars to one thread: with a worker to a core, more only cost."""

import os

os.environ.setdefault("POLARS_MAX_THREADS", "1")
