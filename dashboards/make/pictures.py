"""All dashboards."""

from typing import Final

from dashboards.make.alerts import ALERTS
from dashboards.make.pipeline import PIPELINE
from dashboards.make.region import REGION

DASHBOARDS: Final = [REGION, PIPELINE, ALERTS]
