"""Nothing here is a test: the benchmark is a command, and never fails."""

collect_ignore_glob = ["*.py"]
