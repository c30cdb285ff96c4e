"""How good and how quick the plans are: `python -m tests.bench --help`."""
