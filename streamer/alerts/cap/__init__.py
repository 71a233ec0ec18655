"""Alerts as messages of the Common Alerting Protocol 1.2 (OASIS; also ITU-T X.1303 bis)."""
