"""The benchmarks: `python -m tests.bench`, described in `__main__.py`."""
