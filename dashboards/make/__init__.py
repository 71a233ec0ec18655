"""Makes the Prometheus rules, their tests and the Grafana dashboards from the worker's list of
metrics: `python -m dashboards.make` in the folder above writes them, `make dashboards` does too."""
