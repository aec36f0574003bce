"""A shoot on disk: its folder, decisions and stages; the only place that knows about caching and resuming."""
